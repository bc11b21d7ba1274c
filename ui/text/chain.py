"""The plan of the measuring chain and the survey of one, as lines and tables: for the commands and the window alike."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from ui.text.figures import count, length
from ui.text.findings import say
from ui.text.survey import (
    CEILING_CAUSES,
    DEAD_BAND_CAUSES,
    PUMPS,
    ends_line,
    filter_words,
    lag_line,
    talk_line,
    vibration_line,
)

if TYPE_CHECKING:
    from stream.calibrate.chain.plan import Plan
    from stream.study.survey.records import Survey


@dataclass(frozen=True, slots=True)
class Sheet:
    """A table; the columns in `left` are words and stand to the left."""

    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    left: tuple[int, ...] = ()


Part = str | Sheet


def plan_parts(plan: "Plan", where_told: str, other_pump: str) -> list[Part]:
    """The plan of one pulse count. `where_told` and `other_pump` name what to give for what is not known, and for the
    other kind of pump."""
    parts = plan.converter
    dead = "" if parts.dead_below_rpm is None else f"about {parts.dead_below_rpm:.0f} rpm by the amplitudes given; "
    unknown = f"{where_told}; " if parts.dead_below_rpm is None else ""
    other, share = ("once", "twice as much") if parts.pump == "twice" else ("twice", "half as much")
    return [
        _ranges(plan),
        f"for {PUMPS[parts.pump]}",
        f"converter: R {ohm(parts.resistor_ohm)}, C {farad(parts.capacitor_f)}, smoothing "
        f"{farad(parts.smoothing.farad)}",
        f"output: {parts.output_at_idle_v:.2f} V at idle, {parts.output_at_redline_v:.2f} V at redline; ceiling "
        f"{parts.ceiling_hz:.0f} Hz, {count(hundreds(parts.ceiling_rpm))} rpm",
        f"stuck above: the pump is busy all the time at {count(hundreds(parts.pump_limit_rpm))} rpm; the output stage "
        f"ends at {parts.output_reach_v:.2f} V, {count(hundreds(parts.output_limit_rpm))} rpm",
        f"dead below: {dead}{unknown}why as a rule: {DEAD_BAND_CAUSES}",
        f"why a module sticks at the top: {CEILING_CAUSES}",
        f"the parts' tolerances put the scale off by up to ±{parts.gain_spread.worst_pct:.1f} % "
        f"(±{parts.gain_spread.rss_pct:.1f} % as a rule): that is what a fit is for",
        _trade(plan),
        f"ripple is peak to peak; {share} {other_pump.format(other=other)}: {PUMPS[other]}",
        f"one step of {plan.adc_bits} bits is {1000 * plan.adc_step_v:.3g} mV: {plan.adc_step_rpm:.2g} rpm, "
        f"{plan.adc_step_microstrain:.2g} microstrain",
        f"live filter: {filter_words(plan.filter)}",
        *(f"note: {say(finding)}" for finding in plan.findings),
    ]


def _ranges(plan: "Plan") -> Sheet:
    rows = []
    for row in plan.pulse_ranges:
        mark = "this engine" if row.pulses_per_turn == plan.pulses_per_turn else ""
        short = "" if row.covers else "below redline"
        figures = (
            f"{row.pulses_per_turn:g}",
            f"{row.idle_hz:.0f}",
            f"{row.redline_hz:.0f}",
            count(hundreds(row.stops_at_rpm)),
        )
        rows.append((*figures, ", ".join(part for part in (mark, short) if part)))
    return Sheet(("pulses a turn", "idle Hz", "redline Hz", "stops at rpm", ""), tuple(rows), (4,))


def _trade(plan: "Plan") -> Sheet:
    heads = ("smoothing", "ripple at idle, mV", "rpm", "settled after, ms", "behind in a pull, rpm", "")
    rows = tuple(
        (
            farad(choice.farad),
            f"{1000 * choice.ripple_v:.1f}",
            f"{choice.ripple_rpm:.0f}",
            f"{1000 * choice.settle_2_pct_s:.0f}",
            f"{choice.lag_in_pull_rpm:.0f}",
            "chosen" if choice == plan.converter.smoothing else "",
        )
        for choice in plan.converter.trade
    )
    return Sheet(heads, rows, (5,))


def ohm(value: float) -> str:
    """A resistor, Ω."""
    return f"{value / 1000:.3g} kΩ" if value >= 1000 else f"{value:.3g} Ω"


def farad(value: float) -> str:
    """A capacitor, F."""
    for size, unit in ((1e-6, "µF"), (1e-9, "nF")):
        if value >= 0.9995 * size:
            return f"{value / size:.3g} {unit}"
    return f"{value * 1e12:.3g} pF"


# -- survey -----------------------------------------------------------------------------------------------------------


def survey_parts(survey: "Survey") -> list[Part]:
    """What a drive tells of the chain, and what to change."""
    part = survey.session
    holds, pulls = (f"{n} {what}{'' if n == 1 else 's'}" for n, what in ((part.holds, "hold"), (part.pulls, "pull")))
    said: list[Part] = [f"{length(part.duration_s)} at {part.rate_hz:.6g} Hz, {holds}, {pulls}", _channels(survey)]
    said += ["noise is one standard deviation, step the smallest change that the recording can show", *_about(survey)]
    if not survey.findings:
        said.append("nothing to change was found")
    for finding in survey.findings:
        said.append(f"{'CHANGE' if finding.severity == 'warning' else 'look at'}: {say(finding)}")
    return said


def _channels(survey: "Survey") -> Sheet:
    rows = []
    for channel in survey.channels:
        there = "rpm" if channel.noise_rpm is not None or channel.resolution_rpm is not None else "µm/m"
        noise = channel.noise_rpm if there == "rpm" else channel.noise_microstrain
        step = channel.resolution_rpm if there == "rpm" else channel.resolution_microstrain
        scale, unit = _finer(channel.unit, channel.noise)
        own = [None if value is None else scale * value for value in (channel.noise, channel.resolution)]
        figures = (figure(own[0]), figure(noise, there), figure(own[1]), figure(step, there))
        rows.append((channel.name, unit, *figures, str(channel.spikes), str(channel.clipped_samples)))
    heads = ("channel", "unit", "noise", "which is", "step", "which is", "spikes", "out of range")
    return Sheet(heads, tuple(rows), (0, 1))


def _finer(unit: str, noise: float | None) -> tuple[float, str]:
    """A thousand times finer unit where the noise would be all zeros in its own."""
    finer = {"V": "mV", "mV/V": "µV/V"}.get(unit)
    return (1000.0, finer) if finer and noise is not None and abs(noise) < 0.1 else (1.0, unit)


def hundreds(rpm: float) -> int:
    """A speed that parts of 5 % decide, to whole hundreds below it: it is not promised too high."""
    return int(rpm // 100) * 100


def figure(value: float | None, unit: str = "") -> str:
    """Two figures, without an exponent; whole from 100 on."""
    if value is None or not math.isfinite(value):
        return "–"
    decimals = max(0, 1 - math.floor(math.log10(abs(value)))) if value else 0
    return f"{value:.{decimals}f} {unit}".strip()


def _about(survey: "Survey") -> Sequence[str]:
    """What is known of speed, load and steadiness, a line each."""
    lines = []
    speed, load, steadiness = survey.speed, survey.load, survey.steadiness
    if speed is not None:
        seen = f"ripple: {figure(speed.ripple_rpm, 'rpm')} at {speed.ripple_at_rpm or 0:.0f} rpm"
        ripple = "ripple: not seen" if speed.ripple_rpm is None else seen
        lines += [
            f"engine speed ({speed.name}): {ends_line(speed)}",
            f"{ripple}; less than {figure(speed.ripple_limit_rpm, 'rpm')} could not be seen",
            f"pulses per turn: {say(speed.pulses_per_turn.said)}",
            f"lag: {lag_line(speed)}",
        ]
    if load is not None:
        talk = load.cross_talk_pct
        known = {"bounce": talk.bounce, "brake": talk.brake, "turn": talk.turn}
        parts = [f"{what} {value:+.1f} %" for what, value in known.items() if value is not None]
        lines += [
            f"load ({load.name}): {vibration_line(load)}",
            f"cross-talk: {', '.join([*parts, talk_line(load.cross_talk_from)])}",
        ]
    if steadiness is not None and steadiness.agrees_pct is not None:
        note = "" if steadiness.white else "; it is made for plain noise, and a foot wanders, so read it as a hint"
        lines.append(
            "a second, published test of steadiness (Cao and Rhinehart) calls "
            f"{steadiness.agrees_pct:.0f} % of the holds' time steady{note}"
        )
    return lines
