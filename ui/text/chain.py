"""Sentences. The measuring chain: plan, survey."""

from typing import TYPE_CHECKING

from ui.text.findings import Sentence

if TYPE_CHECKING:
    from stream.calibrate.chain.plan import FilterAdvice
    from stream.calibrate.link.bridge import ShuntVerdict

SENTENCES: dict[str, Sentence] = {
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
