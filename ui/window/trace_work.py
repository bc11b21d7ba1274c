"""What the pages with a trace ask of a session, off the window's thread. No Qt in here.

The session stays open between two questions of one page, so that a result follows a dragged edge; every answer comes
from the function that the command uses.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any, Literal

import numpy as np

from stream.calibrate.link.bridge import judge_shunt
from stream.errors import InputError, line_without
from stream.record.tables import Zero
from stream.study.dataset import Dataset, open_dataset
from stream.study.edit import full_scale_of, standing_in, tried_zero
from stream.study.survey.link import levels_in, shunt_in, steps_in, weigh_in
from stream.units import Floats
from ui.text import speed as words
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

    def __init__(self, path: str | Path) -> None:
        self.path = Path(path)
        self._data: Dataset | None = None

    @property
    def data(self) -> Dataset:
        """The session. Raises InputError."""
        if self._data is None:
            self._data = open_dataset(self.path)
        return self._data

    @cached_property
    def full_scale(self) -> float | None:
        """Load of a strong pull, worked out once."""
        return full_scale_of(self.data)

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
        before, held = self.held, Held(path)
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
    """What the load page shows of a session: its curves and what it proposes."""

    lines: tuple[Line, ...]
    duration_s: float
    unit: str
    zeros: tuple[Zero, ...]
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
    lines = load_lines(data)
    try:
        zero, why = standing_in(data), ""
    except InputError as error:
        zero, why = None, line_without(error, data.path)
    levels = [level.start_s for level in levels_in(data, HUNG_S)][:MOST_WEIGHTS]
    shunt = shunt_in(data, SHUNT_S)
    return LoadLook(lines, data.duration_s, data.load_unit, data.zeros, zero, why, shunt, tuple(levels))


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
