"""Steps that were written already: from which drives, on which table. Leaner steps do not chain without a new drive.

A written table has a companion that names the drives it came from, by what was recorded in them and not by file name.
A table in the car that is what such a step wrote was not in the car when those drives were made.
"""

import csv
import hashlib
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from stream.errors import InputError
from stream.study.dataset import Dataset
from stream.study.tables.user_table import UserTable, companion
from stream.typed import read_bounded
from stream.units import Floats

_SESSION = re.compile(r"# session .* data ([0-9a-f]{16})$")
_ROWS_READ = 1 << 20
_SAME = 1e-6  # relative: what a table keeps of ten digits


@dataclass(frozen=True, slots=True)
class Step:
    """What was written once: (cells,) axes, values before and after; `drives` it came from."""

    path: Path
    drives: frozenset[str]
    rpm: Floats
    second: Floats
    now: Floats
    written: Floats

    @property
    def leaner(self) -> int:
        """How many cells it made leaner."""
        return int((self.written < self.now).sum())


def drive_mark(data: Dataset) -> str:
    """16 hex digits of what was recorded: a copy under another name has the same."""
    digest = hashlib.sha256(f"{data.rate_hz:.6g}".encode())
    for channel in data.recorded("engine_speed", "lambda", "manifold_pressure", "throttle"):
        digest.update(channel.name.encode())
        for start in range(0, data.rows, _ROWS_READ):
            digest.update(data.session.raw(channel.name, start, start + _ROWS_READ).tobytes())
    return digest.hexdigest()[:16]


def each_drive_once(drives: Sequence[Dataset]) -> tuple[str, ...]:
    """The marks. Raises InputError where two files hold the same drive: its hits would count twice."""
    marks: dict[str, Path] = {}
    for data in drives:
        mark = drive_mark(data)
        if mark in marks:
            raise InputError(f"{data.path}: is the same drive as {marks[mark]}; give each drive once")
        marks[mark] = data.path
    return tuple(marks)


def drive_notes(drives: Sequence[tuple[str, str]]) -> list[str]:
    """Lines for the companion that `read_steps` finds again; name and mark of each drive."""
    return [f"session {name} data {mark}" for name, mark in drives]


def read_steps(folders: Iterable[Path]) -> list[Step]:
    """Every step that the companions in these folders tell of; files that are none are passed over."""
    paths = {path.resolve() for folder in folders for path in sorted(folder.glob("*-why.csv")) if path.is_file()}
    return [step for path in sorted(paths) if (step := _read(path)) is not None]


def _read(path: Path) -> Step | None:
    try:
        lines = read_bounded(path, "table").decode("utf-8").splitlines()
    except (OSError, InputError, UnicodeDecodeError):
        return None
    drives = frozenset(found.group(1) for line in lines if (found := _SESSION.match(line)))
    body = [line for line in lines if not line.startswith("#")]
    if not drives or len(body) < 2:
        return None
    separator = next((mark for mark in ";\t" if mark in body[0]), ",")
    try:
        rows = [[float(cell) for cell in row[:4]] for row in csv.reader(body[1:], delimiter=separator)]
        rpm, second, now, written = np.array(rows).T
    except ValueError:
        return None
    return Step(path, drives, rpm, second, now, written)


def refuse_chained(fuel: UserTable, marks: Iterable[str], steps: Iterable[Step]) -> None:
    """Raises InputError where the table in the car is what these very drives led to: it was not in the car then."""
    own = set(marks)
    for step in steps:
        if not own & step.drives or (step.written == step.now).all():
            continue
        if step.path == companion(fuel.path).resolve() or _is_written(fuel, step):
            raise InputError(
                f"{fuel.path}: was made from these drives ({step.path.name} says so) and was not in the car when they "
                "were made: steps do not chain; drive a new session on it first",
                "step-chained",
            )


def _is_written(fuel: UserTable, step: Step) -> bool:
    """Whether most of what the step changed stands in this table as the step wrote it."""
    rpm, second = (values.ravel() for values in np.meshgrid(fuel.rpm, fuel.second, indexing="ij"))
    if len(rpm) != len(step.rpm) or not (_same(rpm, step.rpm).all() and _same(second, step.second).all()):
        return False
    changed = step.written != step.now
    return bool(_same(fuel.cells.ravel(), step.written)[changed].mean() >= 0.5)


def _same(one: Floats, other: Floats) -> np.typing.NDArray[np.bool_]:
    return np.isclose(one, other, rtol=_SAME, atol=1e-9)
