"""Sessions as the study sees them: what was found in them, their calibration, and each pull as a trace.

Holds and pulls come from the session's own tables; where a session lacks them (it was cut off, or another tool wrote
it) they are found in memory, by the same live stage.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np

from stream.calibrate.speed.calfile import SpeedCalibration, parse_calibration
from stream.car import Car, parse_car
from stream.errors import InputError
from stream.live.records import Hold, Pinned, Pull
from stream.live.stage import LiveStage
from stream.live.view import LiveRows, join_rows
from stream.record.session import Session, open_session
from stream.record.tables import HoldMark, PullMark, Zero

CALIBRATION = "speed"  # the calibration that is in force, under /calibrations


@dataclass(frozen=True, slots=True)
class StudySession:
    """One session, read. `live`, holds and pulls are in rpm by the calibration in force, else by the car file's
    provisional line, `line` (rpm per unit, rpm at zero). The marks belong to holds and pulls one to one.
    """

    path: Path
    car: Car
    tune: str
    gear: int | None
    started_utc: datetime
    rate_hz: float
    duration_s: float
    live: LiveRows
    holds: tuple[Hold, ...]
    hold_marks: tuple[HoldMark, ...]
    pinned: tuple[Pinned, ...]
    pulls: tuple[Pull, ...]
    pull_marks: tuple[PullMark, ...]
    zeros: tuple[Zero, ...]
    calibration: SpeedCalibration | None
    lost_samples: int
    line: tuple[float, float]

    @property
    def load_unit(self) -> str:
        """The unit of the load channel, '' where there is none."""
        load = self.car.by_role("load")
        return "" if load is None else load.unit


def load_session(path: str | Path, car: Car | None = None, *, provisional: bool = False) -> StudySession:
    """Read a session; `car` in place of the car file that it carries; `provisional`: speeds by the provisional
    line though a calibration is in force. Raises InputError, one line with the cure.
    """
    with open_session(path) as session:
        own = parse_car(session.car_text, f"{session.path}: the car file in it") if car is None else car
        calibration = calibration_in(session)
        line = own.need("engine_speed", "the study of a session").rpm_line
        used = None if provisional else calibration
        if session.has_findings and len(live := session.live()):
            holds, marks, pinned, pulls = session.holds, session.hold_marks, session.pinned, session.pulls
            pull_marks = session.pull_marks
            line = _recorded_line(session, line)
        else:
            stage, live = _found_in_memory(session, own)
            holds, pinned, pulls = tuple(stage.holds), tuple(stage.pinned), tuple(stage.pulls)
            marks, pull_marks = (HoldMark(),) * len(holds), (PullMark(),) * len(pulls)
        return StudySession(
            path=session.path, car=own, tune=session.tune, gear=session.gear, started_utc=session.started_utc,
            rate_hz=session.rate_hz, duration_s=session.duration_s, live=calibrated(live, line, used),
            holds=tuple(calibrated_hold(hold, used) for hold in holds), hold_marks=marks, pinned=pinned,
            pulls=tuple(calibrated_pull(pull, line, used) for pull in pulls), pull_marks=pull_marks,
            zeros=session.zeros, calibration=calibration, lost_samples=session.lost_samples, line=line,
        )  # fmt: skip


def load_sessions(paths: Sequence[str | Path], car: Car | None = None) -> list[StudySession]:
    """Several sessions, in the order they were begun. Raises InputError where one is given twice."""
    seen: dict[Path, str | Path] = {}
    for path in paths:
        whole = Path(path).resolve()
        if whole in seen:
            raise InputError(f"{path}: is given twice; name each session once")
        seen[whole] = path
    return sorted((load_session(path, car) for path in paths), key=lambda session: session.started_utc)


def calibration_in(session: Session) -> SpeedCalibration | None:
    """The speed calibration in force in an open session. Raises InputError where it is damaged."""
    attributes = session.calibrations().get(CALIBRATION)
    if attributes is None:
        return None
    text = attributes.get("toml", "")
    text = text.decode() if isinstance(text, bytes) else str(text)
    return parse_calibration(text, f"{session.path}: calibrations/{CALIBRATION}")


def calibrated(live: LiveRows, line: tuple[float, float], calibration: SpeedCalibration | None) -> LiveRows:
    """Live rows in rpm of the calibration instead of the provisional line that the stage used."""
    if calibration is None:
        return live
    rpm = calibration.rpm((live.speed_rpm.astype(np.float64) - line[1]) / line[0])
    return LiveRows(live.time_s, rpm.astype(np.float32), live.load, live.signal)


def calibrated_hold(hold: Hold, calibration: SpeedCalibration | None) -> Hold:
    """A hold with its rpm by the calibration; the rest follows the calibration's slope at that signal."""
    import msgspec

    if calibration is None:
        return hold
    step = max(abs(hold.signal_mean) * 1e-3, 1e-6)
    low, rpm, high = calibration.rpm(np.array([-step, 0.0, step]) + hold.signal_mean)
    scale = abs((high - low) / (2 * step))
    old = hold.speed_sd_rpm / hold.n_effective**0.5 / hold.signal_sem if hold.signal_sem > 0 else scale
    ratio = float(scale / old) if old > 0 else 1.0
    return msgspec.structs.replace(
        hold, speed_rpm=float(rpm), speed_sd_rpm=hold.speed_sd_rpm * ratio, drift_rpm_per_s=hold.drift_rpm_per_s * ratio
    )


def calibrated_pull(pull: Pull, line: tuple[float, float], calibration: SpeedCalibration | None) -> Pull:
    """A pull with its speeds by the calibration instead of the provisional line."""
    import msgspec

    if calibration is None:
        return pull
    start, end = calibration.rpm((np.array([pull.start_rpm, pull.end_rpm]) - line[1]) / line[0])
    return msgspec.structs.replace(pull, start_rpm=float(start), end_rpm=float(end))


def _recorded_line(session: Session, line: tuple[float, float]) -> tuple[float, float]:
    """The line that made the session's tables: that of its own car file, which need not be the one given beside it."""
    try:
        own = parse_car(session.car_text, f"{session.path}: the car file in it")
        return own.need("engine_speed", "the study of a session").rpm_line
    except InputError:
        return line


def _found_in_memory(session: Session, car: Car) -> tuple[LiveStage, LiveRows]:
    stage = LiveStage(car, session.info, None, session.tune, session.gear)
    rows = [stage.push(block) for block in session.blocks()]
    stage.finish()
    return stage, join_rows(rows)
