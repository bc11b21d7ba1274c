"""Sessions to a speed calibration: their holds pooled, matched, fitted, and confirmed by the fitted line.

What a person says comes first: targets and named holds as given, then marks made by hand. What a guided drive took its
holds to is a guess that the evidence may overrule: the row in order, the pinned stretches, and the ripple.
"""

from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import msgspec
import numpy as np

from stream.calibrate.chain.ripple import pulse_hz
from stream.calibrate.speed.calfile import SourceSession, SpeedCalibration, calibration_of
from stream.calibrate.speed.judge import CLEARLY, uneven_pulses, unsteady_reason, worth_leaving_out
from stream.calibrate.speed.match import match_targets
from stream.calibrate.speed.speed_fit import fit_speed
from stream.calibrate.speed.speed_model import SpeedFit
from stream.car import Car
from stream.errors import InputError
from stream.findings import Finding, warning
from stream.live.records import Hold, Pinned
from stream.record.tables import HoldMark
from stream.study.dataset import Dataset, open_datasets
from stream.study.survey.tally import Stretches, hold_spectra
from stream.units import Floats


@dataclass(frozen=True, slots=True)
class Reference:
    """What the speeds were read from, and how the fit is made. Errors are standard (k = 1)."""

    targets: tuple[float, ...] | None = None
    at: tuple[tuple[float, float], ...] | None = None
    reading_error_rpm: float = 50.0
    scale_error_pct: float = 1.0
    model: str = "auto"

    @property
    def named(self) -> bool:
        """Whether the speeds are said, and need not be taken from marks."""
        return self.targets is not None or self.at is not None


@dataclass(frozen=True, slots=True)
class HeldSession:
    """One session of a row: what it is, and its live clock (s) with the filtered signal, (ticks,) each.

    foreign_car  another car file was given than the one in the session
    """

    path: Path
    started_utc: datetime
    car: Car
    foreign_car: bool
    time_s: Floats
    signal: Floats


@dataclass(frozen=True, slots=True)
class HoldRow:
    """The holds of one or more sessions of one chain, in the order driven, by the provisional line of the first.

    session    of each hold, the number of its session
    marks      what is said of each hold
    pulse_hz   pulse frequency of each hold, Hz, as its ripple shows it; None where it is not known
    """

    sessions: tuple[HeldSession, ...]
    holds: tuple[Hold, ...]
    pinned: tuple[Pinned, ...]
    session: tuple[int, ...]
    marks: tuple[HoldMark, ...]
    pulse_hz: tuple[float | None, ...]

    @property
    def dropped(self) -> frozenset[int]:
        """Holds that a person does not accept."""
        return frozenset(index for index, mark in enumerate(self.marks) if not mark.accepted)

    def marked(self, by_hand: bool) -> dict[int, float]:
        """Holds with the speed, rpm, that a person gave them; without `by_hand` also those that a guided drive did."""
        return {
            index: mark.target_rpm
            for index, mark in enumerate(self.marks)
            if mark.target_rpm is not None and (mark.by_hand or not by_hand)
        }


def load_row(paths: Sequence[str | Path], car: Car | None = None) -> HoldRow:
    """Read the holds of sessions; where a session lacks them they are found in memory.

    Raises InputError: a session given twice, sessions of different cars, channels or units.
    """
    sessions: list[HeldSession] = []
    holds: list[Hold] = []
    pinned: list[Pinned] = []
    number: list[int] = []
    marks: list[HoldMark] = []
    hz: list[float | None] = []
    with ExitStack() as stack:
        opened = [stack.enter_context(data) for data in open_datasets(paths, car)]
        _check_same_chain(opened)
        line = opened[0].car.need("engine_speed", "fit").rpm_line
        for data in opened:
            number += [len(sessions)] * len(data.recorded_holds)
            sessions.append(
                HeldSession(data.path, data.started_utc, data.car, data.foreign_car, data.time_s, data.signal)
            )
            holds += [_by_line(hold, data.line, line) for hold in data.recorded_holds]
            pinned += data.pinned
            marks += data.hold_marks
            hz += pulses_of(data)
    return HoldRow(tuple(sessions), tuple(holds), tuple(pinned), tuple(number), tuple(marks), tuple(hz))


def pulses_of(data: Dataset) -> tuple[float | None, ...]:
    """Pulse frequency of each recorded hold, Hz, from the ripple in its raw samples."""
    column = data.names.index(data.car.need("engine_speed", "fit").name)
    spectra = hold_spectra(Stretches(data.session), column, data.recorded_holds)
    return pulse_hz(data.recorded_holds, spectra, data.rate_hz)


def fit_row(row: HoldRow, reference: Reference) -> SpeedCalibration:
    """The calibration of a row. Without targets or named holds, the speeds that the holds are marked with are used.

    Raises InputError where the row cannot be fitted.
    """
    if not reference.named and not row.marked(by_hand=False):
        raise InputError(
            "fit: which speed each hold was is not known; give the speeds that were held, or mark the holds",
            "no-reference",
        )
    fit = _fit(row, reference, {})
    unsteady = _unsteady(row, fit, CLEARLY)
    used = [index for index in range(len(row.holds)) if _is_used(row, fit, index)]
    signal = np.array([hold.signal_mean for hold in row.holds])
    if unsteady and worth_leaving_out(list(unsteady), used, signal):
        fit = _fit(row, reference, unsteady)
    if starts := [row.holds[index].start_s for index in _unsteady(row, fit, 1.0)]:
        fit = msgspec.structs.replace(fit, findings=(*fit.findings, warning("restless-holds", start_s=tuple(starts))))
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


def read_again(
    holds: Sequence[Hold],
    marks: Sequence[HoldMark],
    pinned: Sequence[Pinned],
    hz: Sequence[float | None],
    reading_error_rpm: float = 50.0,
) -> tuple[float | None, ...] | None:
    """The speed of each hold by all the evidence, where the marks of a guided drive contradict it; else None.

    They do where 60 · frequency / speed is not one number over the row, and a reading of the same speeds makes it one.
    """
    kept = [index for index, mark in enumerate(marks) if mark.accepted]
    guessed = [index for index in kept if marks[index].target_rpm is not None and not marks[index].by_hand]
    targets = sorted({rpm for index in kept if (rpm := marks[index].target_rpm) is not None})
    if not guessed or len(targets) < 3:
        return None
    said = {number: rpm for number, index in enumerate(kept) if (rpm := _by_hand(marks[index])) is not None}
    try:
        match = match_targets(
            [holds[index] for index in kept],
            pinned,
            targets,
            reading_error_rpm,
            [hz[index] for index in kept],
            said,
        )
    except InputError:
        return None
    found = dict(zip(kept, match.target_rpm, strict=True))
    differ = [index for index in guessed if found[index] != marks[index].target_rpm]
    if not differ or match.ambiguous:
        return None
    if uneven_pulses([hz[index] for index in kept], match.target_rpm, reading_error_rpm) is not None:
        return None
    return tuple(found.get(index) for index in range(len(holds)))


def _by_hand(mark: HoldMark) -> float | None:
    return mark.target_rpm if mark.by_hand else None


def _fit(row: HoldRow, reference: Reference, unsteady: Mapping[int, Finding]) -> SpeedFit:
    """By the speeds said; else by the marks, those of a guided drive only where the evidence is not against them."""
    if reference.named:
        return _fit_by(row, reference, unsteady, row.marked(by_hand=True), reference.targets)
    marked = row.marked(by_hand=False)
    fit = _fit_by(row, reference, unsteady, marked, None)
    wrong = next((finding for finding in fit.findings if finding.code == "pulses-not-constant"), None)
    if wrong is None:
        return fit
    again = read_again(row.holds, row.marks, row.pinned, row.pulse_hz, reference.reading_error_rpm)
    if again is None:
        return fit
    changed = sum(again[index] != rpm for index, rpm in marked.items())
    by_hand = row.marked(by_hand=True)
    better = _fit_by(row, reference, unsteady, by_hand, tuple(sorted(set(marked.values()))))
    reread = warning(
        "guide-marks-reread", holds=changed, slowest=wrong.values["slowest"], fastest=wrong.values["fastest"]
    )
    return msgspec.structs.replace(better, findings=(reread, *better.findings))


def _fit_by(
    row: HoldRow,
    reference: Reference,
    unsteady: Mapping[int, Finding],
    marked: Mapping[int, float],
    targets: tuple[float, ...] | None,
) -> SpeedFit:
    by_marks = targets is None and reference.at is None
    return fit_speed(
        row.holds,
        row.pinned,
        targets=targets,
        at=reference.at,
        assigned=[marked.get(index) for index in range(len(row.holds))] if by_marks else None,
        fixed=None if by_marks else marked,
        dropped=row.dropped,
        unsteady=unsteady,
        pulse_hz=row.pulse_hz,
        reading_error_rpm=reference.reading_error_rpm,
        scale_error_pct=reference.scale_error_pct,
        model=reference.model,
    )


def _is_used(row: HoldRow, fit: SpeedFit, index: int) -> bool:
    signal = row.holds[index].signal_mean
    return any(point.used and point.signal == signal for point in fit.points)


def _unsteady(row: HoldRow, fit: SpeedFit, room: float) -> dict[int, Finding]:
    """The holds in use that are none by the fitted line, and why."""
    reasons: dict[int, Finding] = {}
    for index, (hold, number) in enumerate(zip(row.holds, row.session, strict=True)):
        session = row.sessions[number]
        if not _is_used(row, fit, index):
            continue
        why = unsteady_reason(fit, hold, session.time_s, session.signal, session.car.hold, room)
        if why is not None:
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
