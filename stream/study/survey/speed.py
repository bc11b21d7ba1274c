"""The speed channel as a whole: its ends, its ripple with the pulses per turn, and its lag."""

from collections.abc import Sequence

import numpy as np

from stream.calibrate.chain.pulses import find_pulses
from stream.calibrate.chain.ripple import Ripple, RippleLine, find_ripple
from stream.car import Car, Channel
from stream.findings import warning
from stream.live.filters import cutoff_for
from stream.live.records import Pinned
from stream.record.session import Session
from stream.study.dataset import Dataset
from stream.study.speed import read_again
from stream.study.survey.lag import Kind, Lag, changes_of_speed, find_lag
from stream.study.survey.records import PulsesSurvey, SpeedSurvey
from stream.study.survey.tally import Stretches, hold_spectra
from stream.study.survey.vibration import passed

EDGE_S = (0.25, 0.75)  # behind a leap: the filter has settled, the engine has not gone far
LEAP_RPM = 300.0  # chosen: twice what the extrapolation may be off
FEWEST_TICKS = 8
PROVISIONAL_PCT = 30.0 / 3.0**0.5  # a provisional slope may be wrong by ±30 %, evenly


def line_of(study: Dataset, channel: Channel) -> tuple[float, float]:
    """(rpm per unit, rpm at zero) in force: the calibration's line, else the provisional one."""
    fit = study.calibration
    return channel.rpm_line if fit is None else (fit.slope_rpm_per_unit, fit.intercept_rpm)


def speed_survey(session: Session, study: Dataset, stretches: Stretches) -> SpeedSurvey:
    """The record of the speed channel; the car has one, and it is in the session."""
    channel = study.car.need("engine_speed", "survey")
    column = session.info.names.index(channel.name)
    line = line_of(study, channel)
    provisional = study.calibration is None and channel.unit != "rpm"
    dead, u_dead = _end(study, line, provisional, "bottom" if line[0] > 0 else "top")
    ceiling, u_ceiling = _end(study, line, provisional, "top" if line[0] > 0 else "bottom")
    # By the provisional line, calibrated or not: what is seen of the ripple must not hang on who looked before.
    spectra = hold_spectra(stretches, column, study.recorded_holds)
    ripple = find_ripple(spectra, session.rate_hz, provisional=channel.unit != "rpm")
    largest = max(ripple.lines, key=lambda one: one.amplitude, default=None)
    scale = abs(line[0])
    cutoff = cutoff_for(session.rate_hz, study.car.live.cutoff_hz)
    left = max((one.amplitude * passed(one.shown_hz, cutoff) for one in ripple.lines), default=None)
    lag, source = _lag(session, study, stretches, column)
    return SpeedSurvey(
        name=channel.name,
        calibrated=not provisional,
        dead_below_rpm=dead,
        u_dead_below_rpm=u_dead,
        ceiling_above_rpm=ceiling,
        u_ceiling_above_rpm=u_ceiling,
        ripple_rpm=None if largest is None else scale * largest.amplitude,
        ripple_at_rpm=None if largest is None else speed_of(study, largest),
        ripple_hz=None if largest is None else largest.shown_hz,
        ripple_left_rpm=None if left is None else scale * left,
        ripple_limit_rpm=None if ripple.limit is None else scale * ripple.limit,
        lag_s=None if lag is None else lag.lag_s,
        u_lag_s=None if lag is None else lag.u_lag_s,
        lag_from=source,
        lag_in_car_file_s=channel.lag_s,
        lag_places=None if lag is None else lag.places,
        pulses_per_turn=_pulses(study, channel, line, ripple, provisional),
    )


def _end(study: Dataset, line: tuple[float, float], provisional: bool, at: str) -> tuple[float | None, float | None]:
    """The speed at which the signal stops moving, from pinned stretches at one end of the signal."""
    stuck: list[Pinned] = [stretch for stretch in study.pinned if stretch.at == at]
    if not stuck:
        return None, None
    signal = _edge(study, stuck, abs(line[0]))
    fit = study.calibration
    rpm = float(fit.rpm(np.array([signal]))[0]) if fit is not None else line[0] * signal + line[1]
    if provisional:
        return rpm, abs(rpm) * PROVISIONAL_PCT / 100.0
    share = 0.01 if fit is None else fit.scale_error_pct / 100.0
    spread = abs(line[0]) * float(np.std([stretch.signal for stretch in stuck]))
    return rpm, float(np.hypot(abs(rpm) * share, max(spread, 10.0)))


def _edge(study: Dataset, stuck: list[Pinned], rpm_per_unit: float) -> float:
    """The signal at which it begins to move, or stops: the stuck level, or where it leaps to from there.

    A converter that leaps to its line where it begins to work tells that speed by where it lands: the line through what
    comes EDGE_S[0] to EDGE_S[1] behind the leap, read at the leap.
    """
    level = float(np.median([stretch.signal for stretch in stuck]))
    time, signal = study.time_s, study.signal
    landed = []
    for stretch in stuck:
        for border, way in ((stretch.end_s, 1.0), (stretch.start_s, -1.0)):
            away = way * (time - border)
            near = (away >= EDGE_S[0]) & (away <= EDGE_S[1]) & np.isfinite(signal)
            if np.count_nonzero(near) < FEWEST_TICKS:
                continue
            value = float(np.polyval(np.polyfit(away[near], signal[near], 1), 0.0))
            if abs(value - level) * rpm_per_unit >= LEAP_RPM:
                landed.append(value)
    return float(np.median(landed)) if landed else level


def speed_of(study: Dataset, line: RippleLine) -> float:
    """Speed of a hold that shows ripple, by the line in force, rpm."""
    return float(study.rpm(np.array([line.hold.signal_mean]))[0])


def _pulses(
    study: Dataset, channel: Channel, line: tuple[float, float], ripple: Ripple, provisional: bool
) -> PulsesSurvey:
    """Pulses a turn from the holds whose pulse frequency and speed are known, by the best that is known of the speeds:
    what a person said of them, a calibration, a guided drive's marks as the whole row reads them, the car file's line.
    """
    stated = study.car.engine.pulses_per_turn
    if channel.unit == "Hz" and study.calibration is not None:
        held = [(hold.signal_mean, hold.speed_rpm) for hold in study.holds if hold.signal_mean > 0]
    else:
        held = [(one.frequency_hz, speed_of(study, one)) for one in ripple.lines]
    # Volts alone give the product of pulses and the converter's scale, V·s (volts per turn a second).
    volts = abs(line[0]) * (1000.0 if channel.unit == "mV" else 1.0)
    product = 60.0 / volts if channel.unit in ("V", "mV", "") and volts else None
    if not held:
        return PulsesSurvey(stated=stated, said=warning("pulses-not-seen", volt_seconds=product))
    known = _known_speeds(study, ripple.lines)
    if known is not None:
        finding = find_pulses([hz for hz, _ in known], [rpm for _, rpm in known])
    else:
        hz, rpm = [one for one, _ in held], [one for _, one in held]
        share = PROVISIONAL_PCT if provisional else 1.0
        if study.calibration is not None:
            share = max(study.calibration.scale_error_pct, 0.3)
        finding = find_pulses(hz, rpm, reading_error_rpm=150.0 if provisional else 20.0, scale_error_pct=share)
    guess = provisional and known is None and not finding.sure  # a line that may be 30 % off names no count
    best = None if guess else finding.best
    said = finding.said
    if guess:
        seen = finding.measured, finding.u_measured
        said = warning("pulses-by-provisional-line", measured=seen[0], u_measured=seen[1], volt_seconds=product)
    return PulsesSurvey(
        measured=finding.measured,
        u_measured=finding.u_measured,
        per_turn=None if best is None else best.per_turn,
        name=None if best is None else best.name,
        runner_up=None if finding.runner_up is None or guess else finding.runner_up.name,
        probability=None if guess else finding.probability,
        stated=stated,
        agrees=None if stated is None else abs(finding.measured - stated) <= 3.0 * finding.u_measured,
        said=said,
    )


def _known_speeds(study: Dataset, lines: tuple[RippleLine, ...]) -> list[tuple[float, float]] | None:
    """(pulse frequency, speed) of holds whose speed was said or marked, at least two; None where a calibration, or the
    provisional line, knows better."""
    holds, marks = study.recorded_holds, study.hold_marks
    hz = {(one.hold.start_s, one.hold.signal_mean): one.frequency_hz for one in lines}
    frequency = [hz.get((hold.start_s, hold.signal_mean)) for hold in holds]
    by_hand = [mark.target_rpm if mark.accepted and mark.by_hand else None for mark in marks]
    pairs = _pairs(frequency, by_hand)
    if len(pairs) >= 2 or study.calibration is not None:
        return pairs if len(pairs) >= 2 else None
    marked = [mark.target_rpm if mark.accepted else None for mark in marks]
    pairs = _pairs(frequency, read_again(holds, marks, study.pinned, frequency) or marked)
    return pairs if len(pairs) >= 2 else None


def _pairs(frequency: Sequence[float | None], rpm: Sequence[float | None]) -> list[tuple[float, float]]:
    return [(f, n) for f, n in zip(frequency, rpm, strict=True) if f is not None and n is not None]


def _lag(session: Session, study: Dataset, stretches: Stretches, column: int) -> tuple[Lag | None, str | None]:
    """The lag and what it was measured against: the first reference that tells, the best kind first."""
    spoilt = {"gear-change", "too-short", "part-throttle"}
    places = [pull.start_s for pull in study.pulls if not spoilt & set(pull.faults)]
    places = places or changes_of_speed(study.time_s, study.speed_rpm)
    for name, kind in _references(study.car, session):
        lag = find_lag(stretches, column, session.info.names.index(name), places, kind)
        if lag is not None:
            return lag, name
    return None, None


def _references(car: Car, session: Session) -> list[tuple[str, Kind]]:
    """(channel, what it is): a second speed channel in rpm, the load, road speed."""
    present = [channel for channel in car.signal_channels if channel.name in session.info.names]
    second: list[tuple[str, Kind]] = [(c.name, "speed") for c in present if c.role == "other" and c.unit == "rpm"]
    load: list[tuple[str, Kind]] = [(c.name, "load") for c in present if c.role == "load"]
    road: list[tuple[str, Kind]] = [(c.name, "road") for c in present if c.role == "road_speed"]
    return second + load + road
