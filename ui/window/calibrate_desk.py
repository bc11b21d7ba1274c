"""What lies on the Calibrate screen: a session's holds, what the person says of them, and the fit. No Qt in here.

Everything is tried on a draft; the session changes only by `apply`, through the functions that the commands use.
"""

from dataclasses import dataclass, replace
from pathlib import Path

from stream.calibrate.speed.calfile import SpeedCalibration, save_calibration
from stream.calibrate.speed.match import parse_targets
from stream.calibrate.speed.speed_model import SpeedPoint
from stream.errors import InputError, reason_of
from stream.live.records import Hold
from stream.record.tables import HoldMark
from stream.study.edit import Marks, apply_calibration, mark_session, one_deed
from stream.study.speed import HoldRow, Reference, fit_row, load_row
from ui.text.findings import say


@dataclass(frozen=True, slots=True)
class Draft:
    """What the person has said so far; undo goes back over these.

    marks      of each hold: whether it counts, and the speed it was
    targets    the field as typed; '' leaves the speeds to the marks
    """

    marks: tuple[HoldMark, ...]
    targets: str = ""
    reading_error: str = "50"
    scale_error: str = "1"


@dataclass(frozen=True, slots=True)
class Line:
    """One row of the table. state: 'used', 'out' or 'free' (no speed is known for it); why: of 'out'."""

    number: int
    hold: Hold
    mark: HoldMark
    target_rpm: float | None
    residual_rpm: float | None
    state: str
    why: str


@dataclass(frozen=True, slots=True)
class Work:
    """A draft and what came of it: the calibration, or the trouble in one line."""

    row: HoldRow
    draft: Draft
    calibration: SpeedCalibration | None = None
    trouble: str = ""

    @property
    def path(self) -> Path:
        """The session's file."""
        return self.row.sessions[0].path

    @property
    def unit(self) -> str:
        """The unit of the speed signal."""
        return self.row.sessions[0].car.need("engine_speed", "the Calibrate screen").unit

    @property
    def lines(self) -> tuple[Line, ...]:
        """The table."""
        points = {} if self.calibration is None else {point.signal: point for point in self.calibration.points}
        pairs = enumerate(zip(self.row.holds, self.draft.marks, strict=True), start=1)
        return tuple(_line(number, hold, mark, points.get(hold.signal_mean)) for number, (hold, mark) in pairs)

    @property
    def stuck(self) -> tuple[SpeedPoint, ...]:
        """Targets at which the signal was stuck."""
        held = {hold.signal_mean for hold in self.row.holds}
        points = () if self.calibration is None else self.calibration.points
        return tuple(point for point in points if point.signal not in held)


def _line(number: int, hold: Hold, mark: HoldMark, point: SpeedPoint | None) -> Line:
    if not mark.accepted:
        target = mark.target_rpm if point is None else point.target_rpm
        return Line(
            number, hold, mark, target, None if point is None else point.residual_rpm, "out", "left out by hand"
        )
    if point is None:
        return Line(number, hold, mark, mark.target_rpm, None, "free", "")
    if point.used:
        return Line(number, hold, mark, point.target_rpm, point.residual_rpm, "used", "")
    state = "free" if point.target_rpm is None else "out"
    return Line(
        number, hold, mark, point.target_rpm, point.residual_rpm, state, "" if point.why is None else say(point.why)
    )


def open_work(path: str | Path) -> Work:
    """Read a session and fit it by what it is marked with. Raises InputError where it cannot be read."""
    row = load_row([path])
    return fitted(row, Draft(row.marks))


def fitted(row: HoldRow, draft: Draft) -> Work:
    """The draft tried on the holds; what keeps it from a fit is told in `trouble`."""
    tried = replace(row, marks=draft.marks)
    try:
        reference = Reference(
            targets=parse_targets(draft.targets) if draft.targets.strip() else None,
            reading_error_rpm=_number(draft.reading_error, "reading error"),
            scale_error_pct=_number(draft.scale_error, "scale error"),
        )
        if reference.targets is None and not tried.marked(by_hand=False):
            return Work(row, draft, trouble="Type the speeds that were held, lowest first, to get a calibration")
        return Work(row, draft, fit_row(tried, reference))
    except InputError as error:
        return Work(row, draft, trouble=reason_of(error))


def apply_work(work: Work) -> list[str]:
    """Write what was said of the holds into the session, and attach the calibration; returns warnings.

    Raises InputError, StorageError.
    """
    if work.calibration is None:
        raise InputError("there is no calibration to apply yet")
    before = work.row.marks
    pairs = list(enumerate(zip(before, work.draft.marks, strict=True), start=1))
    marks = Marks(
        holds={n: new.accepted for n, (old, new) in pairs if new.accepted != old.accepted},
        targets={
            n: new.target_rpm
            for n, (old, new) in pairs
            if (new.target_rpm, new.by_hand) != (old.target_rpm, old.by_hand)
        },
    )
    marked = bool(marks.holds or marks.targets)
    together = one_deed(1 + marked)
    if marked:
        mark_session(work.path, marks, together)
    found = apply_calibration(work.calibration, [work.path], say, together)
    return [f"{path}: {say(finding)}" for path, finding in found]


def save_work(work: Work, path: Path) -> None:
    """Write SPEED.toml. Raises InputError, StorageError."""
    if work.calibration is None:
        raise InputError("there is no calibration to save yet")
    save_calibration(work.calibration, path, say)


def _number(text: str, what: str) -> float:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        raise InputError(f"{what}: {text.strip()!r} is not a number; mend it") from None


class Desk:
    """The work at hand with what can be undone and done again."""

    def __init__(self) -> None:
        self.work: Work | None = None
        self._past: list[Draft] = []
        self._future: list[Draft] = []

    @property
    def can_undo(self) -> bool:
        """Whether there is a step to take back."""
        return bool(self._past)

    @property
    def can_redo(self) -> bool:
        """Whether a step was taken back."""
        return bool(self._future)

    def open(self, work: Work) -> None:
        """Begin on another session."""
        self.work, self._past, self._future = work, [], []

    def settle(self) -> None:
        """What is tried was applied: from here on the session's own steps are taken back."""
        self._past, self._future = [], []

    def change(self, draft: Draft) -> bool:
        """Try another draft; False where nothing is different."""
        if self.work is None or draft == self.work.draft:
            return False
        self._past.append(self.work.draft)
        self._future.clear()
        self.work = fitted(self.work.row, draft)
        return True

    def undo(self) -> None:
        """Take the last step back."""
        if self.work is not None and self._past:
            self._future.append(self.work.draft)
            self.work = fitted(self.work.row, self._past.pop())

    def redo(self) -> None:
        """Do again what was taken back."""
        if self.work is not None and self._future:
            self._past.append(self.work.draft)
            self.work = fitted(self.work.row, self._future.pop())

    def mark(self, number: int, *, accepted: bool | None = None, target: str | None = None) -> bool:
        """Accept, drop or retarget hold `number`, counted from 1. Raises InputError for a target that is no speed."""
        if self.work is None:
            return False
        old = self.work.draft.marks[number - 1]
        rpm = old.target_rpm if target is None else _speed(target)
        by_hand = old.by_hand if target is None else rpm is not None
        new = HoldMark(accepted=old.accepted if accepted is None else accepted, target_rpm=rpm, by_hand=by_hand)
        marks = list(self.work.draft.marks)
        marks[number - 1] = new
        return self.change(replace(self.work.draft, marks=tuple(marks)))


def _speed(text: str) -> float | None:
    if not text.strip():
        return None
    rpm = _number(text, "target")
    if not 0 < rpm < 1e6:
        raise InputError(f"target: {text.strip()} is no speed in rpm; give a number above zero")
    return rpm
