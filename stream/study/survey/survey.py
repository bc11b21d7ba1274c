"""The survey of one session: everything put together, and from numbers to what a car builder should change.

A healthy chain gives no finding; each threshold is stated. A finding carries `channel`, `value` with its `unit`, and
`u` (standard uncertainty, or None). A warning is one that makes numbers of this drive, or of the next ones, wrong; a
note is worth a look.
"""

from collections.abc import Iterator
from pathlib import Path

from stream.car import Car
from stream.findings import Finding, Severity, Value, warning
from stream.live.filters import SLOWEST_PULLS_HZ, cutoff_for
from stream.record.session import Session
from stream.study.dataset import Dataset, open_dataset
from stream.study.survey.channels import channel_survey, dropouts, tally_channels
from stream.study.survey.link import load_survey
from stream.study.survey.records import ChannelSurvey, Dropouts, LoadSurvey, SessionPart, SpeedSurvey, Survey
from stream.study.survey.speed import line_of, speed_survey
from stream.study.survey.steady import second_criterion
from stream.study.survey.tally import Stretches


def survey_session(path: str | Path, car: Car | None = None) -> Survey:
    """Survey a session; `car` in place of the car file in it. Raises InputError, one line with the cure."""
    with open_dataset(path, car) as data:
        return survey_of(data)


def survey_of(data: Dataset) -> Survey:
    """Survey an open session, finished or cut off. Memory stays flat.

    Raises InputError, one line with the cure.
    """
    known = data.first("engine_speed") is not None and data.rows > 0
    return _survey(data.session, data.car, data if known else None)


def _survey(session: Session, car: Car, study: Dataset | None) -> Survey:
    stretches = Stretches(session)
    gone = dropouts(session)
    channels = _channels(session, car, study)
    speed = load = steadiness = None
    if study is not None:
        speed = speed_survey(session, study, stretches)
        steadiness = second_criterion(stretches, session.info.names.index(speed.name), study.holds)
        link = car.by_role("load")
        if link is not None and link.name in session.info.names:
            load = load_survey(session, study, stretches, session.events)
    findings = list(chain_findings(channels, gone, session.rows, session.rate_hz, car, load))
    if speed is not None:
        findings.extend(speed_findings(speed))
    if load is not None:
        findings.extend(load_findings(load))
    findings.sort(key=lambda finding: finding.severity != "warning")
    return Survey(
        session=SessionPart(
            path=str(session.path),
            rate_hz=session.rate_hz,
            duration_s=session.duration_s,
            finished=session.finished,
            holds=0 if study is None else len(study.holds),
            pulls=0 if study is None else len(study.pulls),
        ),
        channels=channels,
        dropouts=gone,
        speed=speed,
        load=load,
        steadiness=steadiness,
        findings=tuple(findings),
        remarks=tuple(_remarks(session, study)),
    )


def _channels(session: Session, car: Car, study: Dataset | None) -> tuple[ChannelSurvey, ...]:
    minutes = max(session.duration_s / 60.0, 1e-9)
    surveyed = []
    for told, tally in zip(session.info.channels, tally_channels(session, car), strict=True):
        channel = car.by_name(told.name)
        is_speed = study is not None and channel is not None and channel.role == "engine_speed"
        slope = line_of(study, channel)[0] if study is not None and channel is not None and is_speed else None
        stuck = [stretch.signal for stretch in study.pinned] if study is not None and is_speed else []
        surveyed.append(channel_survey(told.name, told.unit, tally, channel, slope, minutes, stuck))
    return tuple(surveyed)


def _remarks(session: Session, study: Dataset | None) -> list[Finding]:
    """What the survey could not see, and why."""
    found = []
    if not session.rows:
        found.append(warning("survey-no-samples"))
    elif study is None:
        found.append(warning("survey-no-speed"))
    elif not study.holds:
        found.append(warning("survey-no-hold"))
    if not session.finished:
        found.append(warning("survey-cut-off"))
    if session.rate_hz < SLOWEST_PULLS_HZ:
        found.append(warning("survey-too-slow", rate_hz=session.rate_hz))
    return found


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
TALK_PCT = {"bounce": 10.0, "brake": 5.0, "turn": 5.0}  # any rough road makes the wheels ring
GRAVE_TALK = 3.0  # times as much

_PULL = "% of a strong pull"


def _severity(grave: bool) -> Severity:
    return "warning" if grave else "note"


def _values(channel: str, value: float | None, unit: str, u: float | None = None, **more: Value) -> dict[str, Value]:
    return {"channel": channel, "value": value, "unit": unit, "u": u, **more}


def chain_findings(
    channels: tuple[ChannelSurvey, ...], gone: Dropouts, rows: int, rate_hz: float, car: Car, load: LoadSurvey | None
) -> Iterator[Finding]:
    """What is wrong with single channels, and with the samples as a whole."""
    if gone.lost_samples:
        grave = gone.lost_samples / (rows + gone.lost_samples) > GRAVE_LOST
        seen = _values(
            "", gone.gaps_per_minute, "gaps/min", lost=gone.lost_samples, gaps=gone.gaps, longest_s=gone.longest_gap_s
        )
        yield Finding("chain-lost-samples", _severity(grave), seen)
    passed = min(1.0, (2.0 * cutoff_for(rate_hz, car.live.cutoff_hz) / rate_hz) ** 0.5)
    height = None if load is None else load.strong_pull
    for channel in channels:
        yield from _raw_findings(channel, rows)
        yield from _fineness(channel, passed, height)


def _raw_findings(channel: ChannelSurvey, rows: int) -> Iterator[Finding]:
    name = channel.name
    if channel.flat:
        grave = channel.role in ("engine_speed", "load")
        yield Finding("chain-flat", _severity(grave), _values(name, channel.lowest, channel.unit))
    if channel.missing_cells:
        grave = channel.missing_cells > GRAVE_LOST * rows
        yield Finding("chain-missing-cells", _severity(grave), _values(name, channel.missing_cells, "samples"))
    if channel.spikes >= FEWEST_SPIKES:
        seen = _values(name, channel.spikes_per_minute, "per min", spikes=channel.spikes)
        yield Finding("chain-spikes", "warning", seen)
    if channel.clipped_samples:
        grave = channel.clipped_samples > GRAVE_CLIPPED * rows
        yield Finding("chain-clipping", _severity(grave), _values(name, channel.clipped_samples, "samples"))
    elif channel.railed_samples is not None and channel.railed_samples >= FEWEST_RAILED:
        yield Finding("chain-railed", "warning", _values(name, channel.railed_samples, "samples"))


def _fineness(channel: ChannelSurvey, passed: float, height: float | None) -> Iterator[Finding]:
    """Noise and steps, measured against what the study needs."""
    if channel.role == "engine_speed":
        unit, scale, limits = "rpm", channel.noise_rpm, (NOISE_RPM, STEP_RPM)
        step = channel.resolution_rpm
    elif channel.role == "load" and height:
        unit, limits = _PULL, (NOISE_PCT, STEP_PCT)
        scale = None if channel.noise is None else 100.0 * channel.noise / height
        step = None if channel.resolution is None else 100.0 * channel.resolution / height
    else:
        return
    if scale is not None and scale * passed > limits[0]:
        seen = _values(channel.name, scale, unit, filtered=scale * passed)
        yield Finding("chain-noise", _severity(scale * passed > 3.0 * limits[0]), seen)
    if step is not None and step > limits[1]:
        yield Finding("chain-coarse-steps", _severity(step > 3.0 * limits[1]), _values(channel.name, step, unit))


def speed_findings(speed: SpeedSurvey) -> Iterator[Finding]:
    """What is wrong with the speed channel."""
    name = speed.name
    if speed.dead_below_rpm is not None:
        seen = _values(name, speed.dead_below_rpm, "rpm", speed.u_dead_below_rpm)
        yield Finding("chain-dead-band", "warning", seen)
    if speed.ceiling_above_rpm is not None:
        seen = _values(name, speed.ceiling_above_rpm, "rpm", speed.u_ceiling_above_rpm)
        yield Finding("chain-ceiling", "warning", seen)
    left = speed.ripple_left_rpm
    if left is not None and left > RIPPLE_LEFT_RPM:
        yield Finding("chain-ripple", _severity(left > 3.0 * RIPPLE_LEFT_RPM), _values(name, left, "rpm"))
    yield from _lag_findings(speed)
    pulses = speed.pulses_per_turn
    if pulses.agrees is False and pulses.measured is not None:
        count = pulses.name or f"{pulses.measured:.3g}"
        seen = _values(name, pulses.measured, "pulses a turn", pulses.u_measured, count=count, stated=pulses.stated)
        yield Finding("chain-pulses-per-turn", "warning", seen)


def _lag_findings(speed: SpeedSurvey) -> Iterator[Finding]:
    if speed.lag_s is None or speed.u_lag_s is None:
        return
    stated = speed.lag_in_car_file_s
    away = abs(speed.lag_s - (stated or 0.0))
    seen = _values(speed.name, speed.lag_s, "s", speed.u_lag_s, stated_s=stated or 0.0)
    if speed.lag_s - 2.0 * speed.u_lag_s > SLOW_S:
        yield Finding("chain-slow-response", _severity(stated is None or away > 3.0 * speed.u_lag_s), seen)
    elif away > max(LAG_OFF_S, 3.0 * speed.u_lag_s):
        yield Finding("chain-lag-in-the-car-file", "note", seen)


def load_findings(load: LoadSurvey) -> Iterator[Finding]:
    """What is wrong with the link."""
    for kind, most in TALK_PCT.items():
        value = getattr(load.cross_talk_pct, kind)
        if value is not None and abs(value) > most:
            seen = _values(load.name, value, _PULL, kind=kind)
            yield Finding("chain-cross-talk", _severity(abs(value) > GRAVE_TALK * most), seen)
    if load.cutoff_advice_hz is not None and load.hop_hz is not None:
        seen = _values(load.name, load.hop_left_pct, _PULL, hop_hz=load.hop_hz, cutoff_hz=load.cutoff_advice_hz)
        yield Finding("chain-wheel-hop", "note", seen)
