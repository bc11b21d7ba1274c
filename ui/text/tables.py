"""Sentences. Ignition and mixture tables."""

import csv
import io
import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from itertools import groupby
from typing import Any

from stream.findings import Finding
from stream.study.force.power import PowerBand, TunePower
from stream.study.tables.gate import AdvanceCell, Advice
from stream.study.tables.ignition_table import WrittenCell
from stream.study.tables.user_table import AdvanceList, UserTable
from ui.text.figures import interval, many, one_line, plus_minus
from ui.text.findings import Sentence, as_json, say_all
from ui.text.maps import UNITS

DECIDES = (
    "these are proposals from limited evidence: a person decides, cell by cell, and drives a new clean session before "
    "the next step"
)
WATCH = (
    "watch knock (more advance, leaner), mixture, and exhaust heat (less advance, leaner) before, during and after any "
    "change; a second person watches the screen, on a closed road; local law rules, and no number here replaces a "
    "licensed professional"
)

OFTEN = 3  # cells of which the same is said, from which on it is said once for all of them
CAUTIONS = frozenset({"advice-person-decides", "advice-watch", "mixture-decides", "mixture-watch"})


def others(findings: Iterable[Finding]) -> list[str]:
    """What there is to say besides DECIDES and WATCH, for where these two stand anyway."""
    return say_all(finding for finding in findings if finding.code not in CAUTIONS)


def evidence(cell: AdvanceCell) -> str:
    """What a cell's proposal rests on, in one line."""
    return "; ".join(say_all(cell.evidence))


def evidence_lines(advice: Advice) -> list[str]:
    """What the proposals rest on: what is said of `OFTEN` cells or more once, with where; then the rest by cell."""
    said = [list(dict.fromkeys(say_all(cell.evidence))) for cell in advice.cells]
    times = Counter(line for lines in said for line in lines)
    names = [
        f"{cell.rpm:.0f}" if cell.second_axis is None else f"{cell.rpm:.0f}, {cell.second_axis:g}"
        for cell in advice.cells
    ]
    shared = [line for line, number in times.items() if number >= OFTEN]
    lines = [f"{_stretches([line in one for one in said], names)}: {line}" for line in shared]
    for name, one in zip(names, said, strict=True):
        own = [line for line in one if line not in shared]
        lines += [f"{name}: {'; '.join(own)}"] if own else []
    return lines


def _stretches(there: Sequence[bool], names: Sequence[str]) -> str:
    """'3625 to 5375; 6125': the cells where something holds, neighbours of the list together."""
    told: list[str] = []
    for on, run in groupby(range(len(names)), key=lambda place: there[place]):
        places = list(run)
        if on and len(places) > 2:
            told.append(f"{names[places[0]]} to {names[places[-1]]}")
        elif on:
            told += [names[place] for place in places]
    return "; ".join(told)


def advice_json(advice: Advice) -> dict[str, Any]:
    """The keys of `advise-ignition --json`."""
    cells = [
        {
            "rpm": cell.rpm,
            "second_axis": cell.second_axis,
            "now": cell.now,
            "proposed": cell.proposed,
            "low": cell.low,
            "high": cell.high,
            "evidence": evidence(cell),
            "n": cell.n,
            "estimate": cell.estimate,
            "findings": as_json(cell.evidence)["findings"],
        }
        for cell in advice.cells
    ]
    return {"cells": cells, "axis": advice.axis, "unit": advice.unit, **as_json(advice.findings)}


def advance_why(advice: Advice, advance: AdvanceList | UserTable, now: str, written: Iterable[WrittenCell]) -> str:
    """The companion of a written advance table: what must be said as '#' lines, then a row for each cell with the
    reasons of the band or stretch that allowed the least."""
    text = io.StringIO()
    notes = (f"advance of {now!r} in degrees before top dead centre", *say_all(advice.findings))
    text.writelines(f"# {' '.join(line.split())}\n" for line in notes)
    writer = csv.writer(text, delimiter=advance.sheet.separator if advance.sheet else ",", lineterminator="\n")
    second = f"{advance.axis} [{advance.unit}]" if isinstance(advance, UserTable) else "load"
    writer.writerow(["rpm", second, "now", "written", "why"])
    for cell in written:
        why = "; ".join(say_all(cell.reasons)) or "nothing in the bands that it reaches asks for a change"
        where = "full" if cell.second is None else f"{cell.second:.10g}"
        writer.writerow([f"{cell.rpm:.10g}", where, f"{cell.now:.10g}", f"{cell.written:.10g}", why])
    return text.getvalue()


def _settings(values: Mapping[str, Any]) -> str:
    rows = zip(values["tunes"], values["advance_deg"], values["count"], strict=True)
    return ", ".join(f"{tune or 'no tune named'} {deg:.1f}° ({count:.0f})" for tune, deg, count in rows)


def _best(values: Mapping[str, Any]) -> str:
    low, high = values["low"], values["high"]
    if low is None and high is None:
        limits = "its interval is unbounded"
    elif low is None:
        limits = f"95 %: below {high:.1f}°"
    else:
        limits = f"95 %: above {low:.1f}°" if high is None else f"95 %: {low:.1f} to {high:.1f}°"
    return f"best {values['best_deg']:.1f}° ({limits})"


def _at(values: Mapping[str, Any]) -> str:
    least = values["least_deg"]
    return "at an advance that is not known" if math.isnan(least) else f"at {least:.1f}°"


def _seen(values: Mapping[str, Any]) -> str:
    speed = f"{values['rpm']:.0f} rpm" if math.isfinite(values["rpm"]) else "a speed that is not known"
    return (
        f"knock was logged {_at(values)} (channel {values['channel']}, {values['where']} at {values['time_s']:.1f} s, "
        f"{speed}): no more advance here, and one step less than that"
    )


def _heard(values: Mapping[str, Any]) -> str:
    low, high = values["low_rpm"], values["high_rpm"]
    span = "knock was heard" if high == math.inf else f"knock was heard from {low:.0f} to {high:.0f} rpm"
    where = f" ({values['where']})" if values["where"] else ""
    return f"{span} {_at(values)}{where}: no more advance here, and one step less than that"


STATES = {
    "blank": "has no value here",
    "flat": "does not move",
    "raised": "is louder than the quietest stretch lets one expect",
    "railed": "lies on an end of its range",
    "slow": "says something new too seldom to see a rev band",
    "unsure": "is of a kind whose quiet proves nothing",
    "fallen": "is quieter than at light load: a broken wire, or it counts from the other end",
    "echo": "says what another channel says: the wrong column, perhaps",
}


def _not_known(values: Mapping[str, Any]) -> str:
    times = f" ({values['times']:.2f} times)" if values["why"] == "raised" and math.isfinite(values["times"]) else ""
    return (
        f"knock is not known here: channel {values['channel']} {STATES[values['why']]}{times} ({values['where']}); "
        "not known is no permission"
    )


def _direction(values: Mapping[str, Any]) -> str:
    change, low, high = (f"{values[key]:+.1f}" for key in ("change_pct", "low_pct", "high_pct"))
    return f"load {change} % ({low} to {high} %) with the greater advance: two settings show a direction and no best"


def _odd(values: Mapping[str, Any]) -> str:
    place = f"{values['rpm']:.0f} rpm" + ("" if values["second"] is None else f", {values['second']:g}")
    tune = f"tune {values['tune']}, " if values["tune"] else ""
    return (
        f"{tune}{place}: {values['value_deg']:g}° is far off its neighbours; is it meant? No more advance there until "
        "it is confirmed"
    )


def _apart(values: Mapping[str, Any]) -> str:
    apart = values["apart_deg"]
    way = "above" if apart > 0 else "below"
    return f"{values['tune']!r}: logged advance is {abs(apart):.1f}° {way} the table; the log counts"


def _speeds(values: Mapping[str, Any]) -> str:
    rpm = values["rpm"]
    return f"{rpm[0]:.0f} rpm" if len(rpm) == 1 else f"{len(rpm)} bands from {min(rpm):.0f} to {max(rpm):.0f} rpm"


def _left_out(values: Mapping[str, Any]) -> str:
    return f"{', '.join(values['tunes'])} left out of the curve: more than {values['below_pct']:.0f} % below the best"


def _logged_in(values: Mapping[str, Any]) -> str:
    return f"knock was logged in {', '.join(values['where'])}: its rev bands and one on each side get no more advance"


def _heard_in(values: Mapping[str, Any]) -> str:
    return (
        f"knock was heard in {', '.join(values['where'])}: it counts as long as these sessions are given, until it is "
        "taken back"
    )


def _before(values: Mapping[str, Any]) -> str:
    names = ", ".join(f"{name}.advised" for name in values["where"])
    return (
        f"more advance was proposed from pulls of {values['now']!r} before, and the table has changed since: they "
        f"count as driven with what it held then, kept in {names}; delete that only if the table given is what they had"
    )


def _channel(values: Mapping[str, Any]) -> str:
    return f"{values['where']}: the knock channel {values['channel']} {STATES[values['why']]}: it permits nothing"


def _unlike(values: Mapping[str, Any]) -> str:
    what = UNLIKE.get(values["what"], values["what"])
    return (
        f"{values['tune']!r} ran with another {what} than {values['now']!r} ({values['other']:.4g} against "
        f"{values['own']:.4g}), which changes load like advance does: not compared; drive both alike"
    )


UNLIKE = {
    "lambda": "mixture (λ)",
    "fuel_trim_pct": "fuel trim (%)",
    "intake_c": "intake temperature (°C)",
    "air_c": "air temperature (°C)",
    "coolant_c": "coolant temperature (°C)",
    "said_c": "air temperature as kept (°C)",
    "said_hpa": "air pressure as kept (hPa)",
}
SENTENCES: dict[str, Sentence] = {
    "advance-unlike": _unlike,
    "cell-not-reached": "no pull and no steady stretch reached this cell: as it was",
    "advance-lean": "λ is {value:.2f} at full load: no more advance on a mixture leaner than {most:g}; mend that first",
    "advance-one-pull": "{now!r} has one clean pull here, and one that was quiet is chance: make another",
    "advance-order-only": (
        "a drift through the day would look like advance in this order of sessions: a gain of less than "
        "{least_pct:.1f} % counts for nothing; drive the tunes turn and turn about"
    ),
    "advice-person-decides": DECIDES,
    "advice-watch": WATCH,
    "advance-settings": _settings,
    "advance-best": _best,
    "advance-least": "least advance within 1 % is {aim_deg:.1f}°",
    "advance-one-setting": "one setting tried: nothing to compare",
    "advance-not-repeated": "nothing was repeated, so scatter is not known: make more pulls",
    "advance-convex": "the curve bends the wrong way: refused; try settings further apart",
    "advance-load-not-positive": "load is not above zero: take a zero",
    "advance-more-not-resolved": "that more advance gives more load is not resolved",
    "advance-less-not-shown": "the best is not bounded above, so less advance is not shown to be enough",
    "advance-flat": "flat within ±{within_pct:.1f} %: nothing to gain here",
    "advance-pooled": "by a smooth curve through {bands} rev bands, as stiff as the pulls say",
    "plan-nothing": "no rev band of this tune can be planned for: it needs a clean pull and a known advance",
    "plan-known": lambda values: f"the best is known to ±{values['within_deg']:g}° at {_speeds(values)}: no try there",
    "plan-no-more": lambda values: (
        f"no more advance is planned at {_speeds(values)}: knock is not known there or was seen, or the table is in "
        "question; only less and the same"
    ),
    "plan-many": lambda values: (
        f"±{values['within_deg']:g}° needs more than {values['most']} pulls a setting at {_speeds(values)}: a wider "
        "step, or a wider ±, needs fewer"
    ),
    "advance-far-below": _left_out,
    "advance-direction": _direction,
    "advance-no-reason": "no reason to change",
    "advance-direction-not-resolved": "not resolved against 1 %",
    "advance-unknown": "the advance here is not known: nothing is proposed",
    "advance-less": "less advance: watch exhaust heat",
    "advance-untested": "no advance was driven here: no more of it",
    "advance-above-most": "held to the car file's advance_max_deg, {most_deg:g}°",
    "advance-most-unknown": "the car file gives no advance_max_deg: only knock and the step bound more advance",
    "advance-cell-odd": _odd,
    "advance-cell-odd-here": "the table's cell here is far off its neighbours and not confirmed: no more advance",
    "advance-not-driven": (
        "the table holds {table_deg:.1f}° here and the pulls were driven with {driven_deg:.1f}°: no more advance until "
        "there are pulls on what the table holds"
    ),
    "advance-stale": (
        "the last clean pulls were of {latest!r}, not of {now!r}: make sure that {now!r} is in the car now"
    ),
    "advance-sessions-differ": (
        "sessions of one tune differ by {differ_pct:.1f} % beyond pulls and zeros; it is in the interval"
    ),
    "advance-no-band": "no rev band has both a clean pull and a known advance: full load has no proposal",
    "advance-band-not-crossed": "{now!r} has no clean pull in this band, and steps do not chain: hold",
    "advance-not-covered": "{path}: does not cover every band at {low_rpm:.0f} to {high_rpm:.0f} rpm; left out there",
    "advance-log-apart": _apart,
    "advised-before": _before,
    "advised-not-kept": (
        "{where}: cannot be written ({reason}): that a step was proposed from these pulls is not kept; take no second "
        "one from them"
    ),
    "knock-seen": _seen,
    "knock-heard": _heard,
    "knock-at-higher-load": "knock was seen or heard at these speeds at a higher load: no more advance here",
    "knock-limit": "a limit on channel {channel} was passed here ({where}): no more advance",
    "knock-limit-in-noise": (
        "{where}: the limit on channel {channel} is passed most of the time: it lies below the channel's own noise, or "
        "the channel is always loud; no more advance where it was passed"
    ),
    "knock-not-known": _not_known,
    "knock-unknown": "knock is not known here: no more advance",
    "knock-no-channel": "more advance needs a logged knock channel, or a person who listened and heard none",
    "knock-quiet": "the knock channel {channel} was quiet in {count} pulls or stretches of it",
    "knock-none-heard": "a person listened in the pulls of it and heard none",
    "knock-in-sessions": _logged_in,
    "knock-heard-kept": _heard_in,
    "knock-none-heard-overruled": "that none was heard does not count where knock was logged or heard",
    "knock-channel-not-known": _channel,
    "knock-no-word": (
        "no knock channel in the sessions of {now!r}, and nobody said that none was heard: no cell gets more advance; "
        "silence is not absence of knock"
    ),
    "part-load-gear": "{where}: another gear than {now!r} was driven in: left out of part load",
    "part-load-axis": lambda values: (
        f"no session logged the {values['axis'].replace('_', ' ')} that {values['table']} has as its second axis: part "
        "load has no cell, and pulls count for the table's highest load; log it, or give a table with the other axis"
    ),
    "part-load-none": (
        "no part-load cell: that needs steady stretches with manifold pressure (or throttle) and advance known"
    ),
    "part-load-no-zero": "part load: some sessions have no zero; load is as recorded there",
    "part-load-apart": (
        "the pressures of the tunes do not overlap here: refused; hold the same speeds at more throttle openings"
    ),
    "part-load-one-tune": "one tune was steady here: nothing to compare",
    "part-load-boost": (
        "{seconds:.0f} s of steady driving lie above the pressure of the air: boost, which part load leaves to pulls"
    ),
    "part-load-inertia": (
        "part load: what the engine's own inertia takes is given back, {per_100:.3g} ± {u_per_100:.2g} (k = 1) of load "
        "for each 100 rpm/s, as {stretches} stretches show it"
    ),
    "part-load-few": "too few steady stretches to tell tunes apart at common pressure: hold speeds again",
}


STEADY = "steady-equivalent, engine side"
STEADY_NOTE = (
    "Steady-equivalent is at the engine's side: the pull's share of the engine's own inertia given back by the usual "
    "mass factor; what driveline and driven tyres lose is not known and not in it."
)
CHANGED_DEG = 0.05


def power_row(band: PowerBand) -> tuple[str, ...]:
    """rpm, force N, torque Nm, power at the wheels kW, steady-equivalent kW, pulls."""
    pairs = (
        (band.force_n, band.u_force_n),
        (band.wheel_torque_nm, band.u_wheel_torque_nm),
        (band.wheel_power_kw, band.u_wheel_power_kw),
        (band.steady_equivalent_kw, band.u_steady_equivalent_kw),
    )
    return f"{band.rpm:.0f}", *(plus_minus(value, u) for value, u in pairs), str(band.n)


def most_power(tune: TunePower) -> str:
    """Where the curve has most power. The last band is no peak: nobody knows what would follow it."""
    best = max(tune.bands, key=lambda band: band.wheel_power_kw)
    told = f"{plus_minus(best.wheel_power_kw, best.u_wheel_power_kw)} kW at the wheels"
    if best is tune.bands[-1]:
        return f"{told}, most at the end of the curve ({best.rpm:.0f} rpm): still rising"
    return f"{told}, most at {best.rpm:.0f} rpm"


def place(cell: AdvanceCell, unit: str) -> str:
    """Where a cell lies on the second axis."""
    if cell.second_axis is None:
        return "full load"
    return f"{cell.second_axis:g} {UNITS.get(unit, unit)}"


def ignition_rows(advice: Advice) -> list[tuple[str, ...]]:
    """rpm, load, now, proposed, 95 % interval of the best advance, pulls or stretches, evidence."""
    return [
        (
            f"{cell.rpm:.0f}",
            place(cell, advice.unit),
            _degrees(cell.now),
            proposal(cell),
            interval(cell.low, cell.high, 1),
            str(cell.n),
            one_line(evidence(cell)),
        )
        for cell in advice.cells
    ]


def proposal(cell: AdvanceCell) -> str:
    """The proposed advance, with the way it goes as a shape and in words."""
    step = step_of(cell)
    if step is None:
        return "none"
    if abs(step) < CHANGED_DEG:
        return f"{_degrees(cell.proposed)} hold"
    return f"{_degrees(cell.proposed)} {'▲ more' if step > 0 else '▼ less'}"


def step_of(cell: AdvanceCell) -> float | None:
    """Proposed less now; None where either is not known."""
    return None if cell.proposed is None or cell.now is None else cell.proposed - cell.now


def _degrees(value: float | None) -> str:
    return "" if value is None else f"{value:.1f}°"


def ignition_title(advice: Advice) -> tuple[str, str, str]:
    """(state shape, the answer, what it rests on). More advance is the way that can do harm."""
    steps = [step for cell in advice.cells if (step := step_of(cell)) is not None]
    more, less = sum(step > CHANGED_DEG for step in steps), sum(step < -CHANGED_DEG for step in steps)
    rest = len(advice.cells) - more - less
    what = "band" if all(cell.second_axis is None for cell in advice.cells) else "place"
    title = f"More advance in {many(more, what)}, less in {less}, unchanged in {rest}"
    detail = (
        "Degrees before top dead centre; intervals are 95 % of the best advance. A cell of the table moves by the "
        "least that any band in its reach permits."
    )
    return ("caution" if more or not less else "ok"), title, detail
