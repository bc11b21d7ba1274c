"""From numbers to what a car builder should change. A healthy chain gives no finding; each threshold is stated."""

from collections.abc import Iterator

from stream.car import Car
from stream.live.filters import cutoff_for
from stream.study.survey.records import ChannelSurvey, Dropouts, Finding, LoadSurvey, SpeedSurvey
from stream.study.survey.speed import spaced

NOISE_RPM = 10.0  # of speed, behind the low-pass
NOISE_PCT = 2.0  # of a strong pull, behind the low-pass
STEP_RPM = 10.0
STEP_PCT = 1.0
GRAVE_LOST = 0.001  # of the samples
GRAVE_CLIPPED = 0.001
FEWEST_SPIKES = 3
FEWEST_RAILED = 10
RIPPLE_LEFT_RPM = 10.0
SLOW_S = 0.06
LAG_OFF_S = 0.02
PULL_RPM_S = 1500.0  # a quick pull: what lag costs is told by it
TALK_PCT = {"bounce": 10.0, "brake": 5.0, "turn": 5.0}  # any rough road makes the wheels ring
GRAVE_TALK = 3.0  # times as much

TALK_WORDS = {
    "bounce": ("a bounce", "put the gauges where the link does not bend sideways, or check its bushes for play"),
    "brake": ("braking", "choose pulls without a touch of the brake; a caliper that hangs on the link loads it"),
    "turn": ("a turn", "pull on the straight only; gauge both sides of the link so that bending sideways cancels"),
}


def chain_findings(channels: tuple[ChannelSurvey, ...], gone: Dropouts, rows: int, rate_hz: float, car: Car,
                   load: LoadSurvey | None) -> Iterator[Finding]:  # fmt: skip
    """What is wrong with single channels, and with the samples as a whole."""
    if gone.lost_samples:
        share = gone.lost_samples / (rows + gone.lost_samples)
        yield Finding(
            what="lost samples", channel="", grave=share > GRAVE_LOST, value=gone.gaps_per_minute, unit="gaps/min",
            doubt=None, words=f"{gone.lost_samples} samples never came, in {gone.gaps} gaps, the longest "
            f"{gone.longest_gap_s:.2g} s", cure="use a shorter or better shielded cable, no hub, or a lower rate",
        )  # fmt: skip
    passed = min(1.0, (2.0 * cutoff_for(rate_hz, car.live.cutoff_hz) / rate_hz) ** 0.5)
    height = None if load is None else load.strong_pull
    for channel in channels:
        yield from _raw_findings(channel, rows)
        yield from _fineness(channel, passed, height)


def _raw_findings(channel: ChannelSurvey, rows: int) -> Iterator[Finding]:
    name = channel.name
    if channel.flat:
        yield Finding(
            what="flat", channel=name, grave=channel.role in ("engine_speed", "load"), value=channel.lowest,
            unit=channel.unit, doubt=None, words=f"{name} never moves", cure="check its wire, its supply and its plug",
        )  # fmt: skip
    if channel.missing_cells:
        yield Finding(
            what="missing cells", channel=name, grave=channel.missing_cells > GRAVE_LOST * rows,
            value=float(channel.missing_cells), unit="samples", doubt=None,
            words=f"{name}: {channel.missing_cells} values are missing", cure="check the sensor or the logger's list",
        )  # fmt: skip
    if channel.spikes >= FEWEST_SPIKES:
        yield Finding(
            what="spikes", channel=name, grave=True, value=channel.spikes_per_minute, unit="per min", doubt=None,
            words=f"{name} jumps away and back {channel.spikes} times",
            cure="look for a loose plug or a chafed wire; keep signal wires away from ignition leads",
        )  # fmt: skip
    if channel.clipped_samples:
        yield Finding(
            what="clipping", channel=name, grave=channel.clipped_samples > GRAVE_CLIPPED * rows,
            value=float(channel.clipped_samples), unit="samples", doubt=None,
            words=f"{name}: {channel.clipped_samples} samples are outside the stated range",
            cure="turn the amplifier's gain down, or mend the range in the car file",
        )  # fmt: skip
    elif channel.railed_samples is not None and channel.railed_samples >= FEWEST_RAILED:
        yield Finding(
            what="clipping", channel=name, grave=True, value=float(channel.railed_samples), unit="samples", doubt=None,
            words=f"{name} stands at its very end for {channel.railed_samples} samples, as at a rail",
            cure="turn the amplifier's gain down, and write the channel's range in the car file",
        )  # fmt: skip


def _fineness(channel: ChannelSurvey, passed: float, height: float | None) -> Iterator[Finding]:
    """Noise and steps, measured against what the study needs."""
    if channel.role == "engine_speed":
        unit, scale, limits = "rpm", channel.noise_rpm, (NOISE_RPM, STEP_RPM)
        step = channel.resolution_rpm
    elif channel.role == "load" and height:
        unit, limits = "% of a strong pull", (NOISE_PCT, STEP_PCT)
        scale = None if channel.noise is None else 100.0 * channel.noise / height
        step = None if channel.resolution is None else 100.0 * channel.resolution / height
    else:
        return
    if scale is not None and scale * passed > limits[0]:
        yield Finding(
            what="noise", channel=channel.name, grave=scale * passed > 3.0 * limits[0], value=scale, unit=unit,
            doubt=None, words=f"{channel.name}: noise of {scale:.3g} {unit} (standard deviation) standing still, "
            f"{scale * passed:.3g} behind the low-pass",
            cure="shielded and twisted wires, one ground point, the amplifier near the sensor",
        )  # fmt: skip
    if step is not None and step > limits[1]:
        yield Finding(
            what="coarse steps", channel=channel.name, grave=step > 3.0 * limits[1], value=step, unit=unit, doubt=None,
            words=f"{channel.name}: the converter's step is {step:.3g} {unit}",
            cure="a converter with more bits, or more gain before it",
        )  # fmt: skip


def speed_findings(speed: SpeedSurvey) -> Iterator[Finding]:
    """What is wrong with the speed channel."""
    name = speed.name
    if speed.dead_below_rpm is not None:
        yield Finding(
            what="dead band", channel=name, grave=True, value=speed.dead_below_rpm, unit="rpm",
            doubt=speed.u_dead_below_rpm, words=f"dead below about {spaced(speed.dead_below_rpm)} rpm",
            cure="likely the tap's pulses are lower than the input's threshold and hysteresis at low speed, or the "
            "input is biased past it: give more pulse height, or a lower trigger level; check the input's offset",
        )  # fmt: skip
    if speed.ceiling_above_rpm is not None:
        yield Finding(
            what="ceiling", channel=name, grave=True, value=speed.ceiling_above_rpm, unit="rpm",
            doubt=speed.u_ceiling_above_rpm, words=f"stuck above about {spaced(speed.ceiling_above_rpm)} rpm",
            cure="likely the pump is busy all the time (too little current for its C at that frequency), the timed "
            "packet is longer than a cycle, the output stage cannot come nearer to its supply, or the analogue input "
            "ends there: divide the pulses, take a smaller timing capacitor or less gain, or raise the supply",
        )  # fmt: skip
    if speed.ripple_left_rpm is not None and speed.ripple_left_rpm > RIPPLE_LEFT_RPM:
        yield Finding(
            what="ripple", channel=name, grave=speed.ripple_left_rpm > 3.0 * RIPPLE_LEFT_RPM,
            value=speed.ripple_left_rpm, unit="rpm", doubt=None,
            words=f"{speed.ripple_left_rpm:.0f} rpm of ripple at the pulse frequency come through the low-pass",
            cure="a larger smoothing capacitor (and its lag in the car file), or a higher sample rate",
        )  # fmt: skip
    yield from _lag_findings(speed)
    pulses = speed.pulses_per_turn
    if pulses.agrees is False and pulses.measured is not None:
        yield Finding(
            what="pulses per turn", channel=name, grave=True, value=pulses.measured, unit="pulses a turn",
            doubt=pulses.u_measured, words=f"the ripple says {pulses.name or f'{pulses.measured:.3g}'} pulses a turn, "
            f"the car file {pulses.stated:g}",
            cure="count the pulses of one turn by hand and mend engine.pulses_per_turn",
        )  # fmt: skip


def _lag_findings(speed: SpeedSurvey) -> Iterator[Finding]:
    if speed.lag_s is None or speed.u_lag_s is None:
        return
    told = speed.lag_in_car_file_s
    away = abs(speed.lag_s - (told or 0.0))
    if speed.lag_s - 2.0 * speed.u_lag_s > SLOW_S:
        yield Finding(
            what="slow response", channel=speed.name, grave=told is None or away > 3.0 * speed.u_lag_s,
            value=speed.lag_s, unit="s", doubt=speed.u_lag_s,
            words=f"speed comes {1000 * speed.lag_s:.0f} ms late: {PULL_RPM_S * speed.lag_s:.0f} rpm in a pull of "
            "1 500 rpm/s",
            cure=f"a smaller smoothing capacitor, or lag_s = {max(speed.lag_s, 0.0):.3f} in the car file",
        )  # fmt: skip
    elif away > max(LAG_OFF_S, 3.0 * speed.u_lag_s):
        yield Finding(
            what="lag in the car file", channel=speed.name, grave=False, value=speed.lag_s, unit="s",
            doubt=speed.u_lag_s, words=f"the car file says lag_s = {told or 0.0:g}, the drive {speed.lag_s:.3f}",
            cure=f"write lag_s = {max(speed.lag_s, 0.0):.3f} in the car file",
        )  # fmt: skip


def load_findings(load: LoadSurvey) -> Iterator[Finding]:
    """What is wrong with the link."""
    for kind, (what, cure) in TALK_WORDS.items():
        value = getattr(load.cross_talk_pct, kind)
        if value is not None and abs(value) > TALK_PCT[kind]:
            yield Finding(
                what="cross-talk", channel=load.name, grave=abs(value) > GRAVE_TALK * TALK_PCT[kind], value=value,
                unit="% of a strong pull", doubt=None, words=f"{what} puts {value:+.0f} % of a strong pull on the link",
                cure=cure,
            )  # fmt: skip
    if load.cutoff_advice_hz is not None and load.hop_hz is not None:
        yield Finding(
            what="wheel hop", channel=load.name, grave=False, value=load.hop_left_pct, unit="% of a strong pull",
            doubt=None, words=f"wheel hop at {load.hop_hz:.1f} Hz comes through the low-pass",
            cure=f"cutoff_hz = {load.cutoff_advice_hz:g} in the car file's [live]",
        )  # fmt: skip
