"""Sentences. The measuring chain: plan, shunt, weights; what a survey says of it and what to change."""

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from stream.findings import Finding
from ui.text.findings import Sentence, say, say_all

if TYPE_CHECKING:
    from stream.study.survey.records import LoadSurvey, SpeedSurvey, Survey

PULL_RPM_S = 1500.0  # a quick pull: what lag costs is told by it
METHOD = "ratio of variances (Cao and Rhinehart 1995)"

_TALK = {
    "bounce": ("a bounce", "put the gauges where the link does not bend sideways, or check its bushes for play"),
    "brake": ("braking", "choose pulls without a touch of the brake; a caliper that hangs on the link loads it"),
    "turn": ("a turn", "pull on the straight only; gauge both sides of the link so that bending sideways cancels"),
}

# code: what was seen, what to change
CHAIN: dict[str, tuple[Sentence, Sentence]] = {
    "chain-lost-samples": (
        "{lost} samples never came, in {gaps} gaps, the longest {longest_s:.2g} s",
        "use a shorter or better shielded cable, no hub, or a lower rate",
    ),
    "chain-flat": ("{channel} never moves", "check its wire, its supply and its plug"),
    "chain-missing-cells": ("{channel}: {value} values are missing", "check the sensor or the logger's list"),
    "chain-spikes": (
        "{channel} jumps away and back {spikes} times",
        "look for a loose plug or a chafed wire; keep signal wires away from ignition leads",
    ),
    "chain-clipping": (
        "{channel}: {value} samples are outside the stated range",
        "turn the amplifier's gain down, or mend the range in the car file",
    ),
    "chain-railed": (
        "{channel} stands at its very end for {value} samples, as at a rail",
        "turn the amplifier's gain down, and write the channel's range in the car file",
    ),
    "chain-noise": (
        "{channel}: noise of {value:.3g} {unit} (standard deviation) standing still, {filtered:.3g} behind the "
        "low-pass",
        "shielded and twisted wires, one ground point, the amplifier near the sensor",
    ),
    "chain-coarse-steps": (
        "{channel}: the converter's step is {value:.3g} {unit}",
        "a converter with more bits, or more gain before it",
    ),
    "chain-dead-band": (
        lambda values: f"dead below about {_spaced(values['value'])} rpm",
        "likely the tap's pulses are lower than the input's threshold and hysteresis at low speed, or the input is "
        "biased past it: give more pulse height, or a lower trigger level; check the input's offset",
    ),
    "chain-ceiling": (
        lambda values: f"stuck above about {_spaced(values['value'])} rpm",
        "likely the pump is busy all the time (too little current for its C at that frequency), the timed packet is "
        "longer than a cycle, the output stage cannot come nearer to its supply, or the analogue input ends there: "
        "divide the pulses, take a smaller timing capacitor or less gain, or raise the supply",
    ),
    "chain-ripple": (
        "{value:.0f} rpm of ripple at the pulse frequency come through the low-pass",
        "a larger smoothing capacitor (and its lag in the car file), or a higher sample rate",
    ),
    "chain-pulses-per-turn": (
        "the ripple says {count} pulses a turn, the car file {stated:g}",
        "count the pulses of one turn by hand and mend engine.pulses_per_turn",
    ),
    "chain-slow-response": (
        lambda values: (
            f"speed comes {1000 * values['value']:.0f} ms late: {PULL_RPM_S * values['value']:.0f} rpm in a "
            "pull of 1 500 rpm/s"
        ),
        lambda values: f"a smaller smoothing capacitor, or lag_s = {max(values['value'], 0.0):.3f} in the car file",
    ),
    "chain-lag-in-the-car-file": (
        "the car file says lag_s = {stated_s:g}, the drive {value:.3f}",
        lambda values: f"write lag_s = {max(values['value'], 0.0):.3f} in the car file",
    ),
    "chain-cross-talk": (
        lambda values: f"{_TALK[values['kind']][0]} puts {values['value']:+.0f} % of a strong pull on the link",
        lambda values: _TALK[values["kind"]][1],
    ),
    "chain-wheel-hop": (
        "wheel hop at {hop_hz:.1f} Hz comes through the low-pass",
        "cutoff_hz = {cutoff_hz:g} in the car file's [live]",
    ),
}


def _filled(sentence: Sentence, values: Mapping[str, Any]) -> str:
    return sentence.format(**values) if isinstance(sentence, str) else sentence(values)


def _both(code: str) -> Callable[[Mapping[str, Any]], str]:
    return lambda values: ". What to change: ".join(_filled(part, values) for part in CHAIN[code])


def _alone(values: Mapping[str, Any]) -> str:
    """What volts can say of the pulses: only the product with the converter's scale; '' for a channel not in volts."""
    product = values["volt_seconds"]
    if product is None:
        return ""
    return (
        f"from volts alone only the product is known: pulses per turn × converter scale = {product:.4g} V·s (volts per "
        "turn a second); measure the pulse frequency at one known speed to split it"
    )


def _fit(values: Mapping[str, Any]) -> str:
    share = values["probability"]
    words = (
        f"{values['count']} pulses a turn fit ({values['measured']:.3g} ± {values['u_measured']:.2g} measured); "
        f"runner-up {values['runner_up']}; {'sure' if values['sure'] else 'not sure'}, "
        f"{'over 99' if share > 0.99 else f'{100.0 * share:.0f}'} %"
    )
    return words if values["sure"] else f"{words}: hold a faster speed, or use a better reference, to tell them apart"


if TYPE_CHECKING:
    from stream.calibrate.chain.plan import FilterAdvice
    from stream.calibrate.link.bridge import ShuntVerdict


PUMPS = {
    "once": "a pump that moves its charge C·V once a cycle (or one timed packet of current a cycle)",
    "twice": "a pump that moves half of its charge, C·V/2, in each half cycle, as common integrated converters do",
}


DEAD_BAND_CAUSES = (
    "the tap's pulses are lower than the input's threshold and hysteresis at low speed (a coil beside a toothed wheel "
    "gives less the slower it turns), or the converter's input is biased past its threshold"
)


CEILING_CAUSES = (
    "the pump is busy all the time (its current is too small for C·V at that frequency), the time that C or the timed "
    "packet needs is longer than a cycle, the output stage cannot come nearer to its supply, or the analogue input "
    "ends there"
)


def filter_words(advice: "FilterAdvice") -> str:
    """Where the live filter must cut."""
    if advice.low_hz > advice.high_hz:
        return "no corner follows a pull and stops wheel hop; see the note"
    return (
        f"cut between {advice.low_hz:.1f} Hz (a band takes {1000 * advice.band_s:.0f} ms) and "
        f"{advice.high_hz:.1f} Hz (wheel hop)"
    )


SHUNT = {
    "good": "the chain reads right",
    "off": "the chain's scale is off: multiply readings by the factor; long thin supply wires do this",
    "wrong": "too far off for a scale error: check the resistor, the supply, the gain, and which arm it is on",
}


def shunt_words(verdict: "ShuntVerdict") -> str:
    """How the reading stands to what the shunt must give, and what that means."""
    factor = f"factor {verdict.factor:.4f} ± {verdict.u_factor:.4f}"
    return f"reads {verdict.off_pct:+.1f} % against the shunt ({factor}): {SHUNT[verdict.verdict]}"


SENTENCES: dict[str, Sentence] = {
    **{code: _both(code) for code in CHAIN},
    "pulses-fit": _fit,
    "pulses-fit-nothing": "{measured:.3g} ± {u_measured:.2g} pulses a turn fits no plausible count; check the nominal "
    "speeds, and that the tap neither skips nor doubles pulses",
    "pulses-not-seen": lambda values: "; ".join(
        filter(None, ("no ripple at the pulse frequency can be seen", _alone(values)))
    ),
    "pulses-by-provisional-line": lambda values: (
        f"about {values['measured']:.2g} ± {values['u_measured']:.1g} by the provisional line, which may be 30 % off: "
        f"no count can be named yet. Fit held speeds, or give their targets; {_alone(values)}"
    ),
    "survey-no-samples": "the session has no samples: nothing can be known",
    "survey-no-speed": "no engine speed channel in the session: only its channels are surveyed",
    "survey-no-hold": "no hold in this drive: ripple and pulses per turn need steady speeds",
    "survey-cut-off": "the session was cut off: what its tables lack was found in memory",
    "survey-too-slow": "{rate_hz:g} samples a second are too few for holds and pulls",
    "weights-scatter": "the points scatter more than their stated errors explain; the uncertainty is widened by "
    "{factor:.1f}",
    "weights-not-followed": (
        "the reading does not follow the weights: {slope:.4g} ± {u_slope:.2g} N per unit is no calibration; was each "
        "weight hung at the same place, with nothing rubbing?"
    ),
    "weights-hysteresis": (
        "loading and unloading differ by {pct:.1f} % of the span: friction or slack in the link's bushes"
    ),
    "weights-not-straight": "the link is not straight (lack of fit p = {p:.2g}); calibrate over the span that is used",
    "plan-small-capacitor": (
        "C = {picofarad:.0f} pF is so small that wiring counts; a part with more pump current would do better"
    ),
    "plan-output-headroom": (
        "an output stage that stops {headroom_v:g} V below its supply of {supply_v:g} V reaches {reach_v:.2f} V, and "
        "{output_v:g} V is asked for: the signal sticks above {stops_at_rpm:.0f} rpm. Ask for {reach_v:.2f} V or less, "
        "raise the supply, or state the headroom that the part's data sheet gives"
    ),
    "plan-tap-too-weak": (
        "the tap gives {tap_v:g} V at {idle_rpm:.0f} rpm and the input needs {threshold_v:g} V: the module is dead "
        "below about {dead_below_rpm:.0f} rpm. Lower the threshold, bring the pick-up nearer, or amplify its pulses"
    ),
    "plan-ripple-against-response": (
        "no capacitor gives both {ripple_rpm:g} rpm of ripple at idle and {response_ms:g} ms of response: the response "
        "is kept and {left_rpm:.0f} rpm of ripple is left to the live filter; for the ripple alone take "
        "{smooth_uf:.3g} µF and accept {smooth_ms:.0f} ms"
    ),
    "plan-ceiling-below-redline": (
        "{pulses:g} pulses a turn need {redline_hz:.0f} Hz at {redline_rpm:g} rpm; a ceiling of {limit_hz:.0f} Hz "
        "stops at {stops_at_rpm:.0f} rpm: divide the pulses, or take a smaller C"
    ),
    "plan-filter-cannot-do-both": (
        "a pull of {rpm_per_s:g} rpm/s through bands of {band_rpm:g} rpm needs {low_hz:.1f} Hz, wheel hop wants "
        "{high_hz:.1f} Hz at most: use a higher gear or wider bands"
    ),
}


def _spaced(rpm: float) -> str:
    """A speed rounded to fifty, thousands set apart: 1 900."""
    return f"{50.0 * round(rpm / 50.0):,.0f}".replace(",", " ")


def kind(finding: Finding) -> str:
    """What a finding is about, in a word or three: 'dead band'."""
    return "clipping" if finding.code == "chain-railed" else finding.code.removeprefix("chain-").replace("-", " ")


def seen_and_cure(finding: Finding) -> tuple[str, str]:
    """(what was seen, what to change)."""
    seen, cure = (_filled(part, finding.values) for part in CHAIN[finding.code])
    return seen, cure


def ends_line(speed: "SpeedSurvey") -> str:
    """Where the speed signal stops following the engine."""
    by = "" if speed.calibrated else ", by the provisional line"
    words = []
    if speed.dead_below_rpm is not None:
        words.append(f"dead below about {_spaced(speed.dead_below_rpm)} rpm{by}: the signal does not move there")
    if speed.ceiling_above_rpm is not None:
        words.append(f"stuck above about {_spaced(speed.ceiling_above_rpm)} rpm{by}: the signal does not rise any more")
    return "; ".join(words) or "alive over all that was driven: no stretch with a stuck signal"


def lag_line(speed: "SpeedSurvey") -> str:
    """How late speed comes, or why that is not known."""
    if speed.lag_s is None or speed.u_lag_s is None:
        return "cannot be known from this drive: no sharp change of speed with a reference that follows it"
    late = f"{1000 * speed.lag_s:.0f} ± {1000 * speed.u_lag_s:.0f} ms"
    return f"speed shows {late} later than {speed.lag_from}, over {speed.lag_places} changes of speed"


def talk_line(source: str | None) -> str:
    """Where the cross-talk comes from, or how to find it."""
    if source == "marks":
        return "from the marks: the most within 3 s of each, against the second before it"
    if source == "pulls":
        return "from pulls that were spoilt, against the clean ones at the same speeds"
    return (
        "not known from this drive. Roll in neutral, press Mark and name it 'bounce', 'brake' or 'turn', then do it; "
        "make a pull in the same drive too: the per cent are of its load"
    )


def vibration_line(load: "LoadSurvey") -> str:
    """What wheel hop and firing put on the link."""
    from stream.study.survey.vibration import passed

    words = ["no wheel hop stands out"]
    if load.hop_hz is not None:
        share = 100 * passed(load.hop_hz, load.cutoff_hz)
        words = [
            f"wheel hop at {load.hop_hz:.1f} Hz; the low-pass at {load.cutoff_hz:g} Hz lets {share:.0f} % of it through"
        ]
    if load.firing_order is not None:
        words.append(f"firing shows at {load.firing_order:g} times engine speed")
    return "; ".join(words)


def survey_json(survey: "Survey") -> dict[str, Any]:
    """The survey with its sentences, as `survey --json` prints it."""
    import msgspec

    found: dict[str, Any] = msgspec.to_builtins(survey)
    found["findings"] = [_as_row(finding) for finding in survey.findings]
    found["warnings"] = say_all(survey.remarks)
    del found["remarks"]
    if survey.speed is not None:
        found["speed"]["ends_words"] = ends_line(survey.speed)
        found["speed"]["lag_words"] = lag_line(survey.speed)
        found["speed"]["pulses_per_turn"]["words"] = say(survey.speed.pulses_per_turn.said)
        del found["speed"]["pulses_per_turn"]["said"]
    if survey.load is not None:
        found["load"]["cross_talk_words"] = talk_line(survey.load.cross_talk_from)
        found["load"]["words"] = vibration_line(survey.load)
    if survey.steadiness is not None:
        found["steadiness"]["criterion"] = METHOD
    return found


def _as_row(finding: Finding) -> dict[str, Any]:
    values = finding.values
    seen, cure = seen_and_cure(finding)
    return {
        "what": kind(finding),
        "code": finding.code,
        "channel": values["channel"],
        "grave": finding.severity == "warning",
        "value": values["value"],
        "unit": values["unit"],
        "doubt": values["u"],
        "words": seen,
        "cure": cure,
    }
