"""What the pages with a trace ask of a session, off the window's thread. No Qt in here.

The session stays open between two questions of one page, so that a result follows a dragged edge; every answer comes
from the function that the command uses.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

import numpy as np

from stream.calibrate.link.bridge import judge_shunt
from stream.errors import InputError, line_without
from stream.record.tables import Heard, PullMark, Zero
from stream.study.dataset import Dataset, open_dataset
from stream.study.edit import Marks, full_scale_of, mark_session, standing_in, tried_zero
from stream.study.force.coastdown import session_coastdown, verdicts_in
from stream.study.force.motion import RoadTrace, road_trace
from stream.study.force.road_load import WIND_CHANGE_MPS, CoastVerdict, RoadLoad
from stream.study.survey.link import levels_in, shunt_in, steps_in, weigh_in
from stream.units import Floats
from ui.text import speed as words
from ui.text import steps
from ui.text.figures import plus_minus
from ui.window.worker import Task, Worker

HUNG_S, SHUNT_S = 3.0, 2.0
WEIGHT_ERROR_PCT = 1.0
MOST_WEIGHTS = 24


@dataclass(frozen=True, slots=True)
class Line:
    """One curve over time; `role` names its colour in the theme: load, speed, text."""

    name: str
    unit: str
    time_s: Floats
    values: Floats
    role: str = "load"

    @property
    def title(self) -> str:
        """'load, mV/V'."""
        return f"{self.name}, {self.unit}" if self.unit else self.name


def thinned(time_s: Floats, values: Floats, left_s: float, right_s: float, columns: int) -> tuple[Floats, Floats]:
    """What is to be drawn between two times, (points,) each: all of it where that is little, else the lowest and the
    highest value of each of so many columns. NaN stays where a whole column is missing."""
    first = max(0, int(np.searchsorted(time_s, left_s)) - 1)
    end = min(len(time_s), int(np.searchsorted(time_s, right_s)) + 1)
    count = end - first
    if count <= 2 * columns:
        return time_s[first:end], values[first:end]
    edges = first + (np.arange(columns) * count) // columns
    part = values[:end]
    low, high = np.fmin.reduceat(part, edges), np.fmax.reduceat(part, edges)
    return np.repeat(time_s[edges], 2), np.column_stack((low, high)).ravel()


class Held:
    """One session, open for as long as somebody asks about it; opened, asked and closed on the worker's thread."""

    def __init__(self, path: str | Path, before: "Held | None" = None) -> None:
        self.path = Path(path)
        same = before is not None and before.path == self.path
        self.known_scale: float | None = before.known_scale if same and before is not None else None
        self._data: Dataset | None = None

    @property
    def data(self) -> Dataset:
        """The session. Raises InputError."""
        if self._data is None:
            self._data = open_dataset(self.path)
        return self._data

    @property
    def full_scale(self) -> float | None:
        """Load of a strong pull, worked out once, for it may take every sample; no change of a session changes it."""
        if self.known_scale is None:
            self.known_scale = full_scale_of(self.data)
        return self.known_scale

    def close(self) -> None:
        """Give the file back, before it is changed or another one is looked at."""
        if self._data is not None:
            self._data.close()
            self._data = None


class Asking:
    """A page's questions about one session. While one is worked out only the newest of the others waits: an edge may be
    dragged faster than its result comes."""

    def __init__(self, name: str) -> None:
        self.worker = Worker(name)
        self.held: Held | None = None
        self._then: Callable[[Any], None] = lambda _: None
        self._failed: Callable[[str], None] = lambda _: None
        self._waiting: tuple[Callable[[Held], Any], Callable[[Any], None]] | None = None

    def open(
        self,
        path: str | Path,
        look: Callable[[Held], Any],
        then: Callable[[Any], None],
        failed: Callable[[str], None],
    ) -> None:
        """Look at another session, or at the same one anew."""
        before = self.held
        held = Held(path, before)
        self.held, self._waiting = held, None

        def work(_: Task) -> Any:
            if before is not None:
                before.close()
            return look(held)

        self._start("reading", work, then, failed)

    def ask(self, question: Callable[[Held], Any], then: Callable[[Any], None]) -> None:
        """Ask something of the open session; the answer comes with a later frame, or never where another is asked."""
        self._waiting = question, then

    def change(self, work: Callable[[Path], Any], then: Callable[[Any], None], failed: Callable[[str], None]) -> None:
        """Change the session; it is given back before, and must be opened anew afterwards."""
        held = self.held
        if held is None:
            return
        self._waiting = None

        def changing(_: Task) -> Any:
            held.close()
            return work(held.path)

        self._start("changing", changing, then, failed)

    def _start(
        self, name: str, work: Callable[[Task], Any], then: Callable[[Any], None], failed: Callable[[str], None]
    ) -> None:
        self._then, self._failed = then, failed
        self.worker.start(name, work)

    @property
    def busy(self) -> bool:
        """Whether an answer is still to come."""
        return self.worker.task is not None or self._waiting is not None

    def poll(self) -> None:
        """One frame: hand an answer on, ask what waits."""
        task = self.worker.take()
        if task is not None:
            if task.trouble:
                self._failed(task.trouble)
            else:
                self._then(task.result)
        if self._waiting is not None and self.worker.task is None and self.held is not None:
            (question, then), held = self._waiting, self.held
            self._waiting = None
            self._start("asking", lambda _: question(held), then, then)

    def close(self) -> None:
        """End the work and give the session back."""
        self.worker.close()
        if self.held is not None:
            self.held.close()
            self.held = None


@dataclass(frozen=True, slots=True)
class LoadLook:
    """What the load page shows of a session at once: its curves and the zeros it has."""

    lines: tuple[Line, ...]
    duration_s: float
    unit: str
    zeros: tuple[Zero, ...]


@dataclass(frozen=True, slots=True)
class LoadProposals:
    """What a session proposes; it takes a look at every sample."""

    zero: tuple[float, float] | None
    why_no_zero: str
    shunt: tuple[float, float] | None
    levels: tuple[float, ...]


def load_lines(data: Dataset) -> tuple[Line, ...]:
    """Load over engine speed, as recorded."""
    data.car.need("load", "the trace of the load")
    lines = [Line("load", data.load_unit, data.time_s, data.load)]
    if data.first("engine_speed") is not None:
        lines.append(Line("engine speed", "rpm", data.time_s, data.speed_rpm, "speed"))
    return tuple(lines)


def look_at_load(held: Held) -> LoadLook:
    """Read a session for the load page. Raises InputError."""
    data = held.data
    return LoadLook(load_lines(data), data.duration_s, data.load_unit, data.zeros)


def propose_load(held: Held) -> LoadProposals:
    """The stretches that a session proposes for a zero, a shunt and weights."""
    data = held.data
    try:
        zero, why = standing_in(data, held.full_scale), ""
    except InputError as error:
        zero, why = None, line_without(error, data.path)
    if zero is not None and any(old.start_s < zero[1] and zero[0] < old.end_s for old in data.zeros):
        zero, why = None, words.ZERO_THERE
    levels = [level.start_s for level in levels_in(data, HUNG_S)][:MOST_WEIGHTS]
    return LoadProposals(zero, why, shunt_in(data, SHUNT_S), tuple(levels))


def _guarded(held: Held, answer: Callable[[], str]) -> str:
    try:
        return answer()
    except InputError as error:
        return line_without(error, held.path)


def zero_words(held: Held, start_s: float, end_s: float, *, rolling: bool) -> str:
    """What a zero of this stretch would be, or what keeps it from being one."""

    def answer() -> str:
        tried, _ = tried_zero(held.data, start_s, end_s, rolling=rolling, full_scale=held.full_scale)
        value = plus_minus(tried.zero.mean, tried.u_mean)
        return f"{value} {tried.unit} (95\u00a0%), from {end_s - start_s:.1f} s"

    return _guarded(held, answer)


def shunt_words(
    held: Held,
    off_s: float,
    on_s: float,
    seconds: float,
    *,
    gauge_ohm: float,
    shunt_ohm: float,
    arm: Literal["tension", "compression"],
) -> str:
    """How far the resistor moved the reading, and how far it must."""

    def answer() -> str:
        (off, on), unit = steps_in(held.data, [off_s, on_s], seconds, "shunt")
        if unit != "mV/V":
            raise InputError(f"shunt: the link is in {unit or 'no unit'}, a shunt is judged in mV/V")
        moved, u_moved = on.mean - off.mean, math.hypot(on.sem, off.sem)
        return words.shunt_lines(
            judge_shunt(moved, gauge_ohm=gauge_ohm, shunt_ohm=shunt_ohm, arm=arm, u_measured=u_moved)
        )

    return _guarded(held, answer)


def weight_words(held: Held, known: Sequence[tuple[float, float]], seconds: float) -> str:
    """Newtons per unit of the link from what hung on it."""

    def answer() -> str:
        fit, _, unit = weigh_in(held.data, known, seconds, WEIGHT_ERROR_PCT)
        return words.weight_lines(fit, unit)

    return _guarded(held, answer)


# -- coastdown --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class GlideLook:
    """What the coastdown page shows of a session."""

    lines: tuple[Line, ...]
    duration_s: float
    trace: RoadTrace
    glides: tuple[CoastVerdict, ...]


@dataclass(frozen=True, slots=True)
class GlideChoice:
    """What a person says of the glides: numbers left out, numbers gone back (None: as they stand in turn), and where
    some begin and end."""

    dropped: frozenset[int] = frozenset()
    back: frozenset[int] | None = None
    stretches: tuple[tuple[int, tuple[float, float]], ...] = ()
    wind_mps: float = WIND_CHANGE_MPS


@dataclass(frozen=True, slots=True)
class GlideAnswer:
    """The glides with their verdicts, and the road load, or what keeps it from being one."""

    glides: tuple[CoastVerdict, ...]
    load: RoadLoad | None
    trouble: str


def look_at_glides(held: Held) -> GlideLook:
    """Read a session for the coastdown page. Raises InputError: no road speed."""
    data = held.data
    trace = road_trace(data, "coastdown")
    lines = [Line("road speed", "km/h", trace.time_s, 3.6 * trace.speed_mps, "text")]
    if trace.engine_rpm is not None:
        lines.append(Line("engine speed", "rpm", trace.time_s, trace.engine_rpm, "speed"))
    return GlideLook(tuple(lines), data.duration_s, trace, verdicts_in(data, trace))


def glide_answer(held: Held, look: GlideLook, choice: GlideChoice) -> GlideAnswer:
    """The road load for what was chosen."""
    data, said = held.data, (False, choice.dropped, choice.back)
    stretches = dict(choice.stretches)
    try:
        load = session_coastdown(data, *said, choice.wind_mps, stretches, look.trace)
        return GlideAnswer(load.coastdowns, load, "")
    except InputError as error:
        trouble = line_without(error, held.path)
    try:
        return GlideAnswer(verdicts_in(data, look.trace, *said, stretches), None, trouble)
    except InputError:
        return GlideAnswer(look.glides, None, trouble)


# -- marks ------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class MarkRow:
    """A hold or a pull of a session, with its number there, whether it counts, and its cells in the table."""

    kind: Literal["hold", "pull"]
    number: int
    start_s: float
    end_s: float
    counts: bool
    cells: tuple[str, ...]

    @property
    def name(self) -> str:
        """'pull 2'."""
        return f"{self.kind} {self.number}"


@dataclass(frozen=True, slots=True)
class MarkLook:
    """What the page of marks shows of a session."""

    path: str
    lines: tuple[Line, ...]
    duration_s: float
    rows: tuple[MarkRow, ...]


def look_at_marks(held: Held) -> MarkLook:
    """Read a session for the page of marks. Raises InputError."""
    data = held.data
    speed = Line("engine speed", "rpm", data.time_s, data.speed_rpm, "speed")
    lines = (Line("load", data.load_unit, data.time_s, data.load), speed) if data.first("load") else (speed,)
    rows = []
    for number, (pull, said) in enumerate(zip(data.pulls, data.pull_marks, strict=True), 1):
        counts = said.kept > 0 or (said.kept == 0 and pull.verdict == "clean")
        rows.append(MarkRow("pull", number, pull.start_s, pull.end_s, counts, steps.pull_cells(number, pull, said)))
    for number, (hold, mark) in enumerate(zip(data.holds, data.hold_marks, strict=True), 1):
        cells = steps.hold_cells(number, hold, mark)
        rows.append(MarkRow("hold", number, hold.start_s, hold.end_s, mark.accepted, cells))
    return MarkLook(str(held.path), lines, data.duration_s, tuple(rows))


def speed_range(look: MarkLook, start_s: float, end_s: float) -> tuple[float, float] | None:
    """The lowest and the highest engine speed of a stretch, rpm; None where none is known."""
    line = look.lines[-1]
    values = line.values[(line.time_s >= start_s) & (line.time_s <= end_s)]
    values = values[np.isfinite(values)]
    return (float(values.min()), float(values.max())) if len(values) else None


def mark_stretch(path: Path, key: str, rows: Sequence[MarkRow], rpm: tuple[float, float] | None, note: str) -> str:
    """Say something of holds and pulls; returns what was said, in words. Raises InputError, StorageError.

    key: 'out', 'keep', 'verdict', 'knock', 'quiet' or 'note'
    """
    pulls = [row.number for row in rows if row.kind == "pull"]
    holds = [row.number for row in rows if row.kind == "hold"]
    said = datetime.now(UTC).isoformat(timespec="seconds")
    kept: dict[str, PullMark] = {"out": PullMark(kept=-1), "keep": PullMark(kept=1), "verdict": PullMark(kept=0)}
    made = Marks(note=note if key == "note" else "")
    if key in kept:
        made = Marks(holds=dict.fromkeys(holds, key != "out"), pulls=dict.fromkeys(pulls, kept[key]))
    elif key == "knock":
        low, high = rpm or (None, None)
        heard = [Heard(pull=pull, rpm_from=low, rpm_to=high, heard=True, said_utc=said) for pull in pulls]
        made = Marks(heard=heard)
    elif key == "quiet":
        made = Marks(heard=[Heard(pull=pull, heard=False, said_utc=said) for pull in pulls])
    mark_session(path, made)
    return steps.marked(key, [row.name for row in rows], rpm)
