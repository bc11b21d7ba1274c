"""Sessions to a speed calibration: their holds pooled, matched, fitted, and confirmed by the fitted line."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec
import numpy as np

from stream.calibrate.speed.calfile import SourceSession, SpeedCalibration, calibration_of
from stream.calibrate.speed.confirm import CLEARLY, unsteady_reason, worth_leaving_out
from stream.calibrate.speed.speed_fit import fit_speed
from stream.calibrate.speed.speed_model import SpeedFit
from stream.car import Car
from stream.errors import InputError
from stream.live.records import Hold, Pinned
from stream.record.tables import HoldMark
from stream.study.dataset import Dataset, open_datasets


@dataclass(frozen=True, slots=True)
class Reference:
    """What the speeds were read from, and how the fit is made. Errors are standard (k = 1)."""

    targets: tuple[float, ...] | None = None
    at: tuple[tuple[float, float], ...] | None = None
    reading_error_rpm: float = 50.0
    scale_error_pct: float = 1.0
    model: str = "auto"


@dataclass(frozen=True, slots=True)
class HoldRow:
    """The holds of one or more sessions of one chain, in the order driven, by the provisional line of the first.

    place: of each hold, (session's number, number in that session); marks: what a person said of it
    """

    sessions: tuple[Dataset, ...]
    holds: tuple[Hold, ...]
    marks: tuple[HoldMark, ...]
    pinned: tuple[Pinned, ...]
    place: tuple[tuple[int, int], ...]

    @property
    def dropped(self) -> frozenset[int]:
        """Holds that a person does not accept."""
        return frozenset(number for number, mark in enumerate(self.marks) if not mark.accepted)

    @property
    def marked(self) -> dict[int, float]:
        """Holds that a person gave a speed, rpm."""
        return {number: mark.target_rpm for number, mark in enumerate(self.marks) if mark.target_rpm is not None}


def load_row(paths: Sequence[str | Path], car: Car | None = None) -> HoldRow:
    """Read the holds of sessions; where a session lacks them they are found in memory.

    Raises InputError: a session given twice, sessions of different cars, channels or units.
    """
    sessions = open_datasets(paths, car)
    _check_same_chain(sessions)
    line = sessions[0].car.need("engine_speed", "fit").rpm_line
    holds: list[Hold] = []
    place: list[tuple[int, int]] = []
    for number, session in enumerate(sessions):
        holds += [_by_line(hold, session.line, line) for hold in session.recorded_holds]
        place += [(number, index) for index in range(len(session.recorded_holds))]
    pinned = tuple(stretch for session in sessions for stretch in session.pinned)
    marks = tuple(mark for session in sessions for mark in session.hold_marks)
    return HoldRow(tuple(sessions), tuple(holds), marks, pinned, tuple(place))


def fit_row(row: HoldRow, reference: Reference) -> SpeedCalibration:
    """The calibration of a row. Without targets or named holds, the speeds that the holds are marked with are used.

    Raises InputError where the row cannot be fitted.
    """
    named = reference.targets is not None or reference.at is not None
    if not named and not row.marked:
        raise InputError(
            "fit: which speed each hold was is not known; give the speeds in order, name holds, or mark them",
            code="fit-no-speeds",
        )
    fit = _fit(row, reference, {})
    unsteady = _unsteady(row, fit, CLEARLY)
    used = [index for index in range(len(row.holds)) if _is_used(row, fit, index)]
    signal = np.array([hold.signal_mean for hold in row.holds])
    if unsteady and worth_leaving_out(list(unsteady), used, signal):
        fit = _fit(row, reference, unsteady)
    if words := _restless_words(row, fit):
        fit = msgspec.structs.replace(fit, warnings=(*fit.warnings, words))
    car = row.sessions[0].car
    speed = car.need("engine_speed", "fit")
    return calibration_of(
        fit,
        car=car.car.name,
        sessions=[SourceSession(path=s.path.name, started_utc=s.started_utc.isoformat()) for s in row.sessions],
        channel=speed.name,
        unit=speed.unit,
        pulses_per_turn=car.engine.pulses_per_turn,
        reading_error_rpm=reference.reading_error_rpm,
    )


def _fit(row: HoldRow, reference: Reference, unsteady: dict[int, str]) -> SpeedFit:
    marked = row.marked
    assigned = [marked.get(index) for index in range(len(row.holds))]
    named = reference.targets is not None or reference.at is not None
    return fit_speed(
        row.holds,
        row.pinned,
        targets=reference.targets,
        at=reference.at,
        assigned=None if named else assigned,
        fixed=marked if named else None,
        dropped=row.dropped,
        unsteady=unsteady,
        reading_error_rpm=reference.reading_error_rpm,
        scale_error_pct=reference.scale_error_pct,
        model=reference.model,
    )


def _is_used(row: HoldRow, fit: SpeedFit, index: int) -> bool:
    signal = row.holds[index].signal_mean
    return any(point.used and point.signal == signal for point in fit.points)


def _restless_words(row: HoldRow, fit: SpeedFit) -> str:
    """What to say of holds that stay in use though they are not quite steady: barely so, or too many to leave out."""
    starts = [f"{row.holds[index].start_s:.1f} s" for index in _unsteady(row, fit, 1.0)]
    if not starts:
        return ""
    shown = ", ".join(starts[:4]) + (f" and {len(starts) - 4} more" if len(starts) > 4 else "")
    return f"not quite steady by the fitted line, and used all the same: the hold at {shown}; hold them more evenly"


def _unsteady(row: HoldRow, fit: SpeedFit, room: float) -> dict[int, str]:
    """The holds in use that are none by the fitted line, and why."""
    reasons: dict[int, str] = {}
    for index, (number, _) in enumerate(row.place):
        session = row.sessions[number]
        if not _is_used(row, fit, index):
            continue
        why = unsteady_reason(fit, row.holds[index], session.time_s, session.signal, session.car.hold, room)
        if why:
            reasons[index] = why
    return reasons


def _by_line(hold: Hold, old: tuple[float, float], new: tuple[float, float]) -> Hold:
    """A hold by another provisional line."""
    ratio = abs(new[0] / old[0])
    return msgspec.structs.replace(
        hold,
        speed_rpm=new[0] * hold.signal_mean + new[1],
        speed_sd_rpm=hold.speed_sd_rpm * ratio,
        drift_rpm_per_s=hold.drift_rpm_per_s * (new[0] / old[0]),
    )


def _check_same_chain(sessions: Sequence[Dataset]) -> None:
    first = sessions[0]
    speed = first.car.need("engine_speed", "fit")
    for other in sessions[1:]:
        theirs = other.car.need("engine_speed", "fit")
        for what, ours, its in (
            ("car", first.car.car.name, other.car.car.name),
            ("engine-speed channel", speed.name, theirs.name),
            ("unit of engine speed", speed.unit, theirs.unit),
            ("pulses a turn", first.car.engine.pulses_per_turn, other.car.engine.pulses_per_turn),
        ):
            if ours != its:
                raise InputError(
                    f"{other.path}: its {what} is {its!r}, that of {first.path} is {ours!r}; fit each by itself"
                )
