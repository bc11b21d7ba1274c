"""Records to table rows and back by one map, and the few ways in which a table of an open session file is written.

A column has the name of the record's field (`COLUMN_OF` names the exceptions). In the table, a number that is None is
NaN in a float column and 0 in an integer one, a tuple of words is one text joined by blanks.
"""

import math
import types
from collections.abc import Iterable, Sequence
from typing import Any, Final, Literal, TypeVar, Union, get_args, get_origin, get_type_hints

import h5py
import msgspec
import numpy as np
import numpy.typing as npt

from stream.events import Event
from stream.live.records import Hold, Pinned, Pull
from stream.record import layout

Rows = npt.NDArray[Any]
_Record = TypeVar("_Record")
MAX_EVENT_TEXT = 4096  # a device may send notes of 64 KiB, again and again
COLUMN_OF: Final = {"time_s": "time"}  # record's field -> the column it stands in, where the names differ


class Zero(msgspec.Struct, frozen=True, kw_only=True):
    """A stretch declared to be zero load, seconds of the session's clock.

    mean    load in the unit it was recorded in
    uncertainty   standard uncertainty of the mean from the stretch's own noise, same unit
    how     how it was taken, in words
    """

    start_s: float
    end_s: float
    mean: float
    doubt: float
    how: str

    @property
    def middle_s(self) -> float:
        """Middle of the stretch, s."""
        return (self.start_s + self.end_s) / 2


class HoldMark(msgspec.Struct, frozen=True, kw_only=True):
    """What is said of a hold: whether it counts, and the speed it was meant to be, rpm (None: not matched).

    by_hand  a person said the speed; otherwise a guided drive took the hold to it, and the evidence may say otherwise
    """

    accepted: bool = True
    target_rpm: float | None = None
    by_hand: bool = False


class PullMark(msgspec.Struct, frozen=True, kw_only=True):
    """What a person said of a pull: kept 1 use it though flawed, -1 leave it out, 0 nothing (the verdict decides)."""

    kept: Literal[-1, 0, 1] = 0


class Command(msgspec.Struct, frozen=True, kw_only=True):
    """What a person did while a session ran: it took effect before the sample with this index, counted from the
    session's first one, lost samples included.

    kind   tune, zero, mark, here, skip or back
    value  the tune's label, the mark's text; '' where the kind says it all
    """

    index: int
    kind: str
    value: str = ""


class Heard(msgspec.Struct, frozen=True, kw_only=True):
    """What a person heard while listening for knock.

    pull             number of the pull, from 1; 0: every pull of the session
    rpm_from, rpm_to the range it is said of, rpm; None: the whole pull
    heard            True: knock was heard there; False: listened, and heard none
    said_utc         when it was said, ISO 8601
    """

    pull: int
    rpm_from: float | None = None
    rpm_to: float | None = None
    heard: bool
    said_utc: str


class Weather(msgspec.Struct, frozen=True, kw_only=True):
    """The air where the car stands, as a person said it: °C, station pressure in hPa, relative humidity in %."""

    temperature_c: float
    pressure_hpa: float
    humidity_pct: float
    said_utc: str


def text_of(value: Any) -> str:
    """Text of a table cell or an attribute, which HDF5 tools give as bytes or as text."""
    data = value if isinstance(value, bytes) else str(value).encode("utf-8", "surrogateescape")
    return data.decode("utf-8", "replace")  # h5py makes halves of surrogate pairs of bytes that are no text


def to_rows(dtype: np.dtype[Any], *groups: Sequence[Any]) -> Rows:
    """Rows of a table from records: one group, or several whose records belong together one to one."""
    rows = np.empty(len(groups[0]), dtype)
    if not len(rows):
        return rows
    for group in groups:
        if len(group) != len(rows):
            raise ValueError(f"{len(group)} records beside {len(rows)}")
        for field in _fields(type(group[0])):
            column = COLUMN_OF.get(field, field)
            if column in (dtype.names or ()):
                rows[column] = [_cell(getattr(record, field), dtype[column].kind) for record in group]
    return rows


def from_rows(kind: type[_Record], rows: Rows) -> tuple[_Record, ...]:
    """The records that rows stand for; columns that `kind` has no field for are passed over."""
    fields = _fields(kind)
    columns = {field: rows[COLUMN_OF.get(field, field)] for field in fields}
    return tuple(
        kind(**{field: _value(columns[field][row], hint) for field, hint in fields.items()}) for row in range(len(rows))
    )


_HINTS: dict[Any, dict[str, Any]] = {}


def _fields(kind: Any) -> dict[str, Any]:
    """Field to its type; kept, for working it out takes longer than a table does."""
    if kind not in _HINTS:
        _HINTS[kind] = get_type_hints(kind)
    return _HINTS[kind]


def _cell(value: Any, kind: str) -> Any:
    if value is None:
        return math.nan if kind == "f" else 0
    if isinstance(value, tuple):
        return " ".join(value)
    return layout.clean_text(value) if isinstance(value, str) else value


def _value(cell: Any, hint: Any) -> Any:
    """A cell as the type of its field."""
    if get_origin(hint) in (Union, types.UnionType):
        inner = next(part for part in get_args(hint) if part is not type(None))
        missing = math.isnan(cell) if inner is float else not cell
        return None if missing else _value(cell, inner)
    if get_origin(hint) is tuple:
        return tuple(text_of(cell).split())
    if get_origin(hint) is Literal:
        return int(cell) if isinstance(get_args(hint)[0], int) else text_of(cell)
    return text_of(cell) if hint is str else hint(cell)


def hold_rows(holds: Iterable[Hold], marks: Sequence[HoldMark] | None = None) -> Rows:
    """Rows of /holds. Without `marks` every hold is accepted and none is matched."""
    holds = list(holds)
    return to_rows(layout.HOLD_DTYPE, holds, [HoldMark()] * len(holds) if marks is None else marks)


def pinned_rows(pinned: Iterable[Pinned]) -> Rows:
    """Rows of /pinned."""
    return to_rows(layout.PINNED_DTYPE, list(pinned))


def pull_rows(pulls: Iterable[Pull], marks: Sequence[PullMark] | None = None) -> Rows:
    """Rows of /pulls. Without `marks` nothing was said of any."""
    pulls = list(pulls)
    return to_rows(layout.PULL_DTYPE, pulls, [PullMark()] * len(pulls) if marks is None else marks)


def zero_rows(zeros: Iterable[Zero]) -> Rows:
    """Rows of /zeros."""
    return to_rows(layout.ZERO_DTYPE, list(zeros))


def heard_rows(heard: Iterable[Heard]) -> Rows:
    """Rows of /heard."""
    return to_rows(layout.HEARD_DTYPE, list(heard))


def command_rows(commands: Iterable[Command]) -> Rows:
    """Rows of /commands."""
    return to_rows(layout.COMMAND_DTYPE, list(commands))


def event_rows(events: Iterable[Event]) -> Rows:
    """Rows of /events; a text is cut at MAX_EVENT_TEXT characters."""
    rows = to_rows(layout.EVENT_DTYPE, list(events))
    rows["text"] = [text[:MAX_EVENT_TEXT] for text in rows["text"]]
    return rows


def read_events(rows: Rows) -> tuple[Event, ...]:
    """The records of /events, numbered from 1 in the order they were written."""
    return tuple(
        Event(
            number, float(row["time"]), text_of(row["kind"]), text_of(row["text"]), _value(row["value"], float | None)
        )
        for number, row in enumerate(rows, 1)
    )


def append_rows(file: Any, name: str, rows: Rows) -> None:
    """Add rows to the end of a table of an open session file."""
    if not len(rows):
        return
    if rows.dtype.hasobject:  # words: h5py knows how to store them
        dataset = file[name]
        before = len(dataset)
        dataset.resize(before + len(rows), axis=0)
        dataset[before:] = rows
        return
    # Numbers go in past h5py's slicing, which takes several times as long as HDF5 does with a few rows.
    table = h5py.h5d.open(file.id, name.encode())
    before = table.shape[0]
    table.set_extent((before + len(rows),))
    space = table.get_space()
    space.select_hyperslab((before,), (len(rows),))
    table.write(h5py.h5s.create_simple((len(rows),)), space, np.ascontiguousarray(rows))


def replace_rows(file: Any, name: str, rows: Rows) -> None:
    """Make a table of an open session file hold just these rows; one that lacks a column is made anew, and so is one
    that is not there, as in a session with its raw part alone."""
    if name in file and file[name].dtype.names != rows.dtype.names:
        del file[name]
    if name in file:
        dataset = file[name]
    else:
        dataset = file.create_dataset(name, (0,), rows.dtype, maxshape=(None,), chunks=(layout.TABLE_CHUNK_ROWS,))
    dataset.resize(len(rows), axis=0)
    if len(rows):
        dataset[:] = rows
