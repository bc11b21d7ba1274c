"""Sentences. Pulls of sessions and which may stand beside each other; curves, comparison, coach, trend."""

from collections.abc import Mapping, Sequence
from typing import Any

from stream.study.pulls import TEMPERATURE
from ui.text.findings import Sentence

CONDITIONS = {
    "lambda": "mixture (λ)",
    "fuel_trim_pct": "fuel trim",
    "intake_c": "intake temperature",
    "air_c": "air temperature",
    "pressure_hpa": "air pressure",
    "manifold_hpa": "manifold pressure",
    "coolant_c": "coolant temperature",
}
ORDER = {
    "one-session-a-side": "one recording a side, and what differs between two recordings cannot be told from the tune",
    "order-like-drift": "a drift through the day (heat soak, a zero that moves) would look just like the change",
}


def _rpm(values: tuple[float, ...]) -> str:
    return ", ".join(f"{value:.0f}" for value in values)


def _differs(values: Mapping[str, Any]) -> str:
    name = CONDITIONS.get(values["what"], f"temperature of {str(values['what']).removeprefix(TEMPERATURE)}")
    sides = [f"{values[side]:.4g}{values['unit']}" for side in ("base", "trial")]
    return f"not the tune alone: {name} is {sides[0]} on the base side and {sides[1]} on the trial side"


def _order(values: Mapping[str, Any]) -> str:
    return (
        f"in this order only: {ORDER[values['why']]}; {values['drift_pct']:g} % is allowed for a drift. "
        "Drive base, trial, base, trial"
    )


def _drifts(values: Mapping[str, Any]) -> str:
    way = "falls" if values["change_pct"] < 0 else "rises"
    return (
        f"order drift: load {way} by {abs(values['change_pct']):.2g} % from pull to pull whatever the tune "
        f"(p = {values['p']:.2g}); heat soak, perhaps: let it cool, and take turns"
    )


def _air(values: Mapping[str, Any]) -> str:
    at = [f"{_rpm(values['rpm'])} rpm"] if values["rpm"] else []
    return "the air correction changes the verdict at " + ", ".join(at + ["the overall change"] * values["overall"])


def _gear(values: Mapping[str, Any], gear: str = "gear", gain: str = "gain_rpm_s") -> str:
    if values[gain] is not None:
        return f"the gear that gains about {values[gain]:.0f} rpm/s"
    return "an unknown gear" if values[gear] is None else f"gear {values[gear]}"


def _gear_left_out(values: Mapping[str, Any]) -> str:
    used = _gear(values, "used", "used_gain_rpm_s")
    return f"{values['pulls']} pull(s) in {_gear(values)} left out: gears never mix; {used} is used"


def _not_in_one_gear(values: Mapping[str, Any]) -> str:
    others = " and ".join(repr(tune) for tune in values["left_out"])
    return f"not all tunes were driven in {_gear(values)}: {others} left out, for gears never mix"


def _differs_by_session(what: str, kinds: Sequence[str], sessions: Sequence[str]) -> str:
    each = "; ".join(f"{kind} in {path}" for kind, path in zip(kinds, sessions, strict=True))
    return f"the {what} is not the same in all sessions ({each}): the difference may come from there"


def _load_channels(v: Mapping[str, Any]) -> str:
    kinds = [
        " ".join([repr(name), *filter(None, (bridge, side, factor and f"gauge factor {factor:g}"))])
        for name, bridge, side, factor in zip(v["channels"], v["bridges"], v["sides"], v["gauge_factors"], strict=True)
    ]
    return _differs_by_session("load channel", kinds, v["sessions"])


def _speed_lags(v: Mapping[str, Any]) -> str:
    lags = ["not given" if lag == "" else f"{lag:g} s" for lag in v["lags_s"]]
    return _differs_by_session("lag of engine speed", lags, v["sessions"])


def _zero(v: Mapping[str, Any]) -> str:
    words = "some sessions have no zero" if v["some"] else "no zero was taken"
    return f"{words}: load is as recorded, and so is its change"


def _single(v: Mapping[str, Any]) -> str:
    return (
        f"one zero only in {', '.join(v['sessions'])}: what bush friction and a wound-up driveline hide shows only in "
        "the gap to a second one, so the uncertainty of the change may be larger than said; take another from a free "
        "roll"
    )


SENTENCES: dict[str, Sentence] = {
    "not-tune-alone": _differs,
    "not-same-direction": lambda v: (
        f"not the tune alone: base went {' and '.join(v['base'])}, trial {' and '.join(v['trial'])}"
    ),
    "zeros-differ": lambda v: (
        f"the zeros of the two sides differ by {v['gap']:.2g} {v['unit']}".rstrip() + ", more than their uncertainty: "
        "the zero drifted; take a fresh one before each row of pulls"
    ),
    "in-this-order-only": _order,
    "boost-not-compared": (
        "the engine is boosted and manifold pressure is not known on both sides, so that a change may be of boost and "
        "not of the tune: an allowance of {boost_pct:g} % (standard uncertainty) is in every change; log the pressure"
    ),
    "order-drift": _drifts,
    "unequal-boost": lambda v: (
        f"manifold pressure of the two sides differs by up to {v['largest_pct']:.1f} % at {_rpm(v['rpm'])} rpm: "
        "tunes are compared at equal pressure only, so there is no change there"
    ),
    "short-pulls-not-in-level": "{pulls} short pull(s) left out of the overall change: it needs bands that all share",
    "load-near-zero": lambda v: f"load crosses zero or is too near it at {_rpm(v['rpm'])} rpm: no change in % there",
    "load-negative": "load is negative throughout, so the change is of its size; check its sign",
    "air-corrected": "corrected to standard air on both sides; that holds for full throttle without boost only",
    "air-changes-verdict": _air,
    "no-shared-band": "no rev band was crossed by pulls on all sides: nothing to compare",
    "one-pull-a-side": "one pull on a side gives curves and no verdict; make at least two of each tune",
    "wilder-than-known": (
        "today the turns scatter {factor:.1f} times as much as this car is known to: today's own scatter alone counts"
    ),
    "scatter-is-a-prior": (
        "this car's scatter is not known from earlier days: pulls {pull_pct:.1f} % and turns {turn_pct:.1f} % "
        "(standard deviations) are assumed beside today's own, and give way as days come"
    ),
    "unlike-others-left-out": (
        "{pulls} pull(s) unlike their tune's others are left out; they are listed, and can be kept by hand"
    ),
    "looks-replayed": "a pull was dropped by hand: the verdicts at the earlier looks were worked out again without it",
    "two-pct-out-of-reach": lambda v: (
        "no useful number of pulls settles 2 %: "
        + ("what pulls share (zero, drift) is too uncertain" if v["shared"] else "the pulls scatter too much")
    ),
    "bands-too-narrow": (
        "bands of {width_rpm:g} rpm are narrower than the data of {pulls} pull(s): bands without a sample are left "
        "empty; use wider bands or a higher live rate"
    ),
    "pull-crosses-no-band": "{pulls} pull(s) cross no whole band of {width_rpm:g} rpm: use narrower bands",
    "zero-moves-curve": lambda v: (
        f"the zero's uncertainty moves a whole curve by {v['uncertainty']:.2g} {v['unit']}".rstrip()
    ),
    "no-relative-power": "no relative power: load times speed means nothing without a zero; take one",
    "curves-in-different-gears": "the tunes have no gear in common: their curves must not be compared",
    "tune-shown-in-gear": lambda v: f"{v['tune']!r} is shown in {_gear(v)}",
    "trend-without-air": (
        "the air of these days is not kept with all sessions: what drifts may be the weather as well as the engine or "
        "the link"
    ),
    "trend-of-the-air": (
        "as recorded the load goes by {recorded_pct_per_day:+.2g} % a day, of which {air_pct_per_day:+.2g} % is the "
        "air of the days; the rest is the engine, the link or the road"
    ),
    "no-slope": "no slope: it needs three dated sessions at different times",
    "not-comparable": "{reason}",
    "session-without-pull": "{session}: no pull was found in it",
    "one-zero-only": _single,
    "load-channel-differs": _load_channels,
    "speed-lag-differs": _speed_lags,
    "speed-by-provisional-line": (
        "engine speed is by the car file's provisional line: bands may sit at a wrong rpm until a fit"
    ),
    "speed-lag-not-given": (
        "the car file gives no lag_s for engine speed: taken as 0 s, with a standard uncertainty of {u_lag_s:g} s"
    ),
    "tune-without-clean-pull": lambda v: (
        f"tune {v['tune']!r}: no clean pull ({', '.join(v['faults']) or 'dropped by hand'}); make another, or keep a "
        "flawed one"
    ),
    "flawed-pulls-kept": "{pulls} flawed pull(s) kept by hand are in the result",
    "calibrations-differ": "the sessions were read with different calibrations; the difference may come from there",
    "zero-missing": _zero,
    "gear-from-gain": "some pulls have no declared gear; it was taken from their rate of gain",
    "gears-from-gain": "no gear is declared; by their rate of gain the pulls are in {gears} gears",
    "tunes-not-in-one-gear": _not_in_one_gear,
    "gear-left-out": _gear_left_out,
}
