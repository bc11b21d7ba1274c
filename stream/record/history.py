"""What a person changed in a session, step by step: kept in the session itself, to be taken back and done again.

A step holds what the session said before it, as little of it as was changed: attributes, cells, a few rows; never a
sample. Taking it back swaps that with what stands there now, so that it can be done again. The whole is one array of
bytes under /history, a packed record, in place of tables and links that a stranger could make much of. It is written
with the change itself, by the same copy and rename, so a kill leaves both or neither.

Every step names, by a digest, the state it leads to. A session that was changed by something that keeps no history has
another state than its history says; then there is nothing to take back.
"""

import hashlib
import math
import re
import zlib
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import h5py
import msgspec
import numpy as np
import numpy.typing as npt

from stream.errors import InputError
from stream.record import layout, tables
from stream.record.guard import read_rows

MOST_STEPS: Final = 50  # chosen: more than a day at the desk
MOST_BYTES: Final = 256 << 10  # packed; the oldest steps go first
_UNPACKED_BYTES: Final = 4 << 20  # a few bytes may stand for many
_ROWS_BYTES: Final = 64 << 20  # and a few cells for wide rows
_FIRST_BYTES: Final = 1 << 10
_MOST_ACTS = 100
_ROOT: Final = ("note", "tune", "gear")
_TABLES: Final = (layout.HOLDS, layout.PINNED, layout.PULLS, layout.ZEROS, layout.EVENTS, layout.HEARD)
_PLAIN = re.compile(r"[<>|=]?[fiub][1248]|[|]?S[1-9]\d{0,4}")
_TEXT = "text"

Cell = float | int | bytes
Columns = dict[str, list[Cell]]


class Act(msgspec.Struct, frozen=True, omit_defaults=True):
    """One thing of a step: what was done, by a code, and the numbers and words that tell it."""

    code: str
    values: dict[str, float | str] = {}


class Plain(msgspec.Struct, frozen=True, tag=True):
    """Numbers of an attribute, as they lie in memory."""

    dtype: str
    shape: tuple[int, ...]
    data: bytes


Value = str | list[str] | Plain


class Attributes(msgspec.Struct, frozen=True, tag=True):
    """All attributes of a group; of the root one alone."""

    values: dict[str, Value]


class Cells(msgspec.Struct, frozen=True, tag=True):
    """Cells of a table that keeps its length: of each column, rows and what stood in them."""

    columns: dict[str, tuple[list[int], list[Cell]]]


class Rows(msgspec.Struct, frozen=True, tag=True):
    """Rows that stood in place of the `count` rows from row `at` on."""

    at: int
    count: int
    columns: Columns


class Whole(msgspec.Struct, frozen=True, tag=True):
    """A table that had other columns, or was taken away."""

    types: dict[str, str]
    columns: Columns


class Gone(msgspec.Struct, frozen=True, tag=True):
    """There was no such thing."""


Side = Attributes | Cells | Rows | Whole | Gone


class Step(msgspec.Struct, frozen=True):
    """One change. `when` ISO 8601; `together` is the same for steps of several sessions that were one deed ('': alone);
    `places` is what stands on its other side, `other` the digest of that side.
    """

    acts: tuple[Act, ...]
    when: str
    together: str
    other: bytes
    places: dict[str, Side]


class History(msgspec.Struct, frozen=True):
    """The steps in order: `done` of them stand, the others were taken back; `state` is the digest of what stands."""

    steps: tuple[Step, ...] = ()
    done: int = 0
    state: bytes = b""

    @property
    def back(self) -> Step | None:
        """The step that would be taken back."""
        return self.steps[self.done - 1] if self.done else None

    @property
    def forth(self) -> Step | None:
        """The step that would be done again."""
        return self.steps[self.done] if self.done < len(self.steps) else None


# -- for `change.py`: an open file ------------------------------------------------------------------------------------

State = dict[str, Any]  # place -> rows of a table, or attributes


def read_state(file: Any) -> State:
    """All of an open session that a person's steps change, as it stands."""
    state: State = {f"@{name}": {name: file.attrs[name]} for name in _ROOT if name in file.attrs}
    state |= {name: read_rows(file[name]) for name in _TABLES if name in file}
    if layout.CONDITIONS in file:
        state[layout.CONDITIONS] = dict(file[layout.CONDITIONS].attrs)
    group = file.get(layout.CALIBRATIONS, {})
    return state | {f"{layout.CALIBRATIONS}/{name}": dict(group[name].attrs) for name in group}


def remember(file: Any, before: State, acts: Sequence[Act], together: str = "") -> None:
    """Keep what an edit has just changed as a step; what was taken back can be done again no more. An edit that changed
    nothing is none."""
    after = read_state(file)
    places = _differences(before, after)
    if places is not None and not places:
        return
    history = read_history(file)
    was = _digest(before)
    steps = history.steps[: history.done] if history.state == was else ()
    if places is None:  # something that no step can hold: what lies before it cannot be reached any more
        steps = ()
    else:
        when = datetime.now(UTC).isoformat(timespec="seconds")
        steps = (*steps, Step(tuple(acts)[:_MOST_ACTS], when, together, was, places))
    _write(file, History(steps, len(steps), _digest(after)))


def turn(file: Any, path: str | Path, *, back: bool) -> Step:
    """Take the last step back, or do the next again, in an open session that is told as `path`.

    Raises InputError: there is none, or it does not fit.
    """
    history, before = read_history(file), read_state(file)
    fits = history.state == _digest(before)
    step = history.back if back else history.forth
    if step is None or not fits:
        raise InputError(
            f"{path}: holds no change that could be {'taken back' if back else 'done again'}",
            "no-step-back" if back else "no-step-forth",
        )
    try:
        for place, side in step.places.items():
            _restore(file, place, side)
        after = read_state(file)
    except (KeyError, ValueError, TypeError, OverflowError) as error:
        raise _unfit(path) from error
    swapped = _differences(before, after)
    if swapped is None or _digest(after) != step.other:
        raise _unfit(path)
    other = msgspec.structs.replace(step, other=history.state, places=swapped)
    at = history.done - 1 if back else history.done
    steps = (*history.steps[:at], other, *history.steps[at + 1 :])
    _write(file, History(steps, history.done + (-1 if back else 1), step.other))
    return step


def current(file: Any) -> History:
    """The history as far as it fits what the session says now; an empty one where something else changed it since."""
    history = read_history(file)
    return history if not history.steps or history.state == _digest(read_state(file)) else History()


def _unfit(path: str | Path) -> InputError:
    return InputError(f"{path}: its history does not fit what is in it; the session is unchanged")


def read_history(file: Any) -> History:
    """What is kept, or an empty history where none is, or what stands there is none that was written here."""
    if not _ours(file):
        return History()
    packed = file[layout.HISTORY][:].tobytes()
    try:
        unpack = zlib.decompressobj()
        data = unpack.decompress(packed, _UNPACKED_BYTES)
        if not unpack.eof:
            return History()
        history = msgspec.msgpack.decode(data, type=History)
    except (zlib.error, msgspec.DecodeError, RecursionError):
        return History()
    sound = 0 <= history.done <= len(history.steps) <= MOST_STEPS
    return history if sound else History()


def _ours(file: Any) -> bool:
    """Whether /history is an array of bytes of its own, and no longer than any that is written here."""
    if not isinstance(file.get(layout.HISTORY, getlink=True), h5py.HardLink):
        return False
    item = file[layout.HISTORY]
    own = isinstance(item, h5py.Dataset) and item.dtype == np.uint8 and item.ndim == 1 and item.chunks is None
    return bool(own and item.size <= MOST_BYTES and h5py.h5o.get_info(item.id).rc == 1)


def _write(file: Any, history: History) -> None:
    """Write it where it stood. The array grows by doubling and never shrinks: HDF5 gives no room back."""
    packed = _packed(history)
    while len(packed) > MOST_BYTES and history.steps:
        gone = 1 if history.done else 0  # of what was taken back, the farthest goes
        steps = history.steps[1:] if gone else history.steps[:-1]
        history = History(steps, history.done - gone, history.state)
        packed = _packed(history)
    there = _ours(file)
    if there and file[layout.HISTORY].size >= len(packed):
        whole = np.zeros(file[layout.HISTORY].size, np.uint8)
        whole[: len(packed)] = np.frombuffer(packed, np.uint8)
        file[layout.HISTORY][:] = whole
        return
    if layout.HISTORY in file or file.get(layout.HISTORY, getlink=True) is not None:
        del file[layout.HISTORY]
    whole = np.zeros(max(_FIRST_BYTES, 1 << math.ceil(math.log2(len(packed)))), np.uint8)
    whole[: len(packed)] = np.frombuffer(packed, np.uint8)
    file.create_dataset(layout.HISTORY, data=whole)


def _packed(history: History) -> bytes:
    over = len(history.steps) - MOST_STEPS
    if over > 0:
        history = History(history.steps[over:], history.done - over, history.state)
    return zlib.compress(msgspec.msgpack.encode(history), 6)


# -- what differs -----------------------------------------------------------------------------------------------------


def _differences(before: State, after: State) -> dict[str, Side] | None:
    """What must be put back to come from `after` to `before`; None where something cannot be kept."""
    sides: dict[str, Side] = {}
    for place in {**before, **after}:
        old, new = before.get(place), after.get(place)
        if old is None:
            sides[place] = Gone()
        elif isinstance(old, dict):
            values = _values(old)
            if values is None:
                if not isinstance(new, dict) or _told(old) != _told(new):
                    return None
            elif not isinstance(new, dict) or _told(old) != _told(new):
                sides[place] = Attributes(values)
        elif new is None or old.dtype != new.dtype:
            types = _types(old.dtype)
            if types is None:
                return None
            sides[place] = Whole(types, _columns(old))
        elif (side := _of_table(old, new)) is not None:
            sides[place] = side
    return sides


def _of_table(old: npt.NDArray[Any], new: npt.NDArray[Any]) -> Side | None:
    names = old.dtype.names or ()
    if len(old) == len(new):
        columns = {}
        for name in names:
            rows = np.flatnonzero(~_same(old[name], new[name]))
            if len(rows):
                columns[name] = (rows.tolist(), _cells(old[name][rows]))
        return Cells(columns) if columns else None
    short = min(len(old), len(new))
    ahead = np.logical_and.reduce([_same(old[name][:short], new[name][:short]) for name in names])
    first = int(np.argmin(np.append(ahead, False)))
    behind = np.logical_and.reduce(
        [_same(old[name][len(old) - short :], new[name][len(new) - short :]) for name in names]
    )[::-1]
    last = min(short - first, int(np.argmin(np.append(behind, False))))
    return Rows(first, len(new) - last - first, _columns(old[first : len(old) - last]))


def _same(one: npt.NDArray[Any], other: npt.NDArray[Any]) -> npt.NDArray[np.bool_]:
    """(rows,) whether cells are equal to the bit."""
    if one.dtype.hasobject:
        pairs = zip(one.tolist(), other.tolist(), strict=True)
        return np.array([_bytes_of(a) == _bytes_of(b) for a, b in pairs], np.bool_)
    size = one.dtype.itemsize
    bits = [np.ascontiguousarray(part).view(np.uint8).reshape(len(part), size) for part in (one, other)]
    return np.asarray((bits[0] == bits[1]).all(axis=1), np.bool_)


def _bytes_of(value: Any) -> bytes:
    return value if isinstance(value, bytes) else str(value).encode("utf-8", "surrogateescape")


def _cells(column: npt.NDArray[Any]) -> list[Cell]:
    values: list[Any] = (column.astype(np.uint8) if column.dtype.kind == "b" else column).tolist()
    return [_bytes_of(value) for value in values] if column.dtype.hasobject else values


def _columns(rows: npt.NDArray[Any]) -> Columns:
    return {name: _cells(rows[name]) for name in rows.dtype.names or ()}


def _types(dtype: np.dtype[Any]) -> dict[str, str] | None:
    """Column to its type; None where one is of no kind that a table here has."""
    types = {}
    for name in dtype.names or ():
        kind = dtype[name]
        text = h5py.check_string_dtype(kind)
        types[name] = _TEXT if text is not None and text.length is None else str(kind.str)
        if types[name] != _TEXT and not _PLAIN.fullmatch(types[name]):
            return None
    return types or None


def _values(attributes: dict[str, Any]) -> dict[str, Value] | None:
    """Attributes to be packed; None where one is of a kind that cannot be."""
    packed: dict[str, Value] = {}
    for name, value in attributes.items():
        one = _value(value)
        if one is None:
            return None
        packed[name] = one
    return packed


def _value(value: Any) -> Value | None:
    if isinstance(value, str):
        return value
    if not isinstance(value, np.generic | np.ndarray | int | float):
        return None
    array = np.asarray(value)
    if array.dtype.hasobject:
        listed = array.tolist()
        return listed if array.ndim == 1 and all(isinstance(one, str) for one in listed) else None
    if not _PLAIN.fullmatch(array.dtype.str):
        return None
    return Plain(array.dtype.str, array.shape, array.tobytes())


def _told(attributes: dict[str, Any]) -> bytes:
    """Attributes as bytes to compare."""
    parts = []
    for name in sorted(attributes):
        value = attributes[name]
        array = np.asarray(value)
        plain = repr(array.tolist()) if array.dtype.hasobject or array.dtype.kind == "U" else array.tobytes().hex()
        parts.append(repr((name, str(array.dtype), array.shape, plain)))
    return "\n".join(parts).encode("utf-8", "surrogateescape")


def _digest(state: State) -> bytes:
    """A digest of a state, the same wherever and whenever it is read. A table's columns count, not their order."""
    digest = hashlib.blake2b(digest_size=16)
    for place in sorted(state):
        value = state[place]
        digest.update(f"\n{place}\n".encode("utf-8", "surrogateescape"))
        if isinstance(value, dict):
            digest.update(_told(value))
            continue
        for name in sorted(value.dtype.names or ()):
            column = value[name]
            digest.update(repr((name, value.dtype[name].str, len(column))).encode())
            if column.dtype.hasobject:
                texts = [_bytes_of(one) for one in column.tolist()]
                digest.update(repr([len(one) for one in texts]).encode() + b"".join(texts))
            else:
                digest.update(np.ascontiguousarray(column).tobytes())
    return digest.digest()


# -- putting back -----------------------------------------------------------------------------------------------------


def _restore(file: Any, place: str, side: Side) -> None:
    """Put a place back; only the places that a step may hold are touched. Raises KeyError, ValueError, TypeError."""
    if place in _TABLES:
        _restore_table(file, place, side)
    elif place.startswith("@") and place[1:] in _ROOT:
        name = place[1:]
        if isinstance(side, Attributes):
            file.attrs[name] = _unpacked(side.values[name])
        elif isinstance(side, Gone):
            file.attrs.pop(name, None)
        else:
            raise ValueError(place)
    elif place == layout.CONDITIONS:
        _restore_group(file, place, side)
    elif place.startswith(f"{layout.CALIBRATIONS}/"):
        name = place.removeprefix(f"{layout.CALIBRATIONS}/")
        if not name or "/" in name or name in (".", ".."):
            raise ValueError(place)
        _restore_group(file.require_group(layout.CALIBRATIONS), name, side)
    else:
        raise ValueError(place)


def _restore_group(parent: Any, name: str, side: Side) -> None:
    if not isinstance(side, Attributes | Gone):
        raise ValueError(name)
    if name in parent:
        del parent[name]
    if isinstance(side, Attributes):
        group = parent.create_group(name)
        for key, value in side.values.items():
            group.attrs[key] = _unpacked(value)


def _unpacked(value: Value) -> Any:
    if isinstance(value, str):
        return value
    if isinstance(value, list):
        return np.array(value, dtype=h5py.string_dtype("utf-8"))
    if not _PLAIN.fullmatch(value.dtype):
        raise ValueError(value.dtype)
    return np.frombuffer(value.data, np.dtype(value.dtype)).reshape(value.shape)[()]


def _restore_table(file: Any, name: str, side: Side) -> None:
    if isinstance(side, Gone):
        if name in file:
            del file[name]
        return
    if isinstance(side, Whole):
        if name in file:
            del file[name]
        tables.replace_rows(file, name, _rows(_dtype(side.types), side.columns))
        return
    rows = read_rows(file[name])
    if isinstance(side, Cells):
        for column, (places, cells) in side.columns.items():
            if len(places) != len(cells) or not all(0 <= place < len(rows) for place in places):
                raise ValueError(name)
            rows[column][places] = cells if not rows.dtype[column].hasobject else _objects(cells)
    elif isinstance(side, Rows) and 0 <= side.at <= side.at + side.count <= len(rows):
        put = _rows(rows.dtype, side.columns)
        rows = np.concatenate([rows[: side.at], put, rows[side.at + side.count :]]).astype(rows.dtype)
    else:
        raise ValueError(name)
    tables.replace_rows(file, name, rows)


def _dtype(types: dict[str, str]) -> np.dtype[Any]:
    for kind in types.values():
        if kind != _TEXT and not _PLAIN.fullmatch(kind):
            raise ValueError(kind)
    text = h5py.string_dtype("utf-8")
    return np.dtype([(name, text if kind == _TEXT else kind) for name, kind in types.items()])


def _rows(dtype: np.dtype[Any], columns: Columns) -> npt.NDArray[Any]:
    """Rows of these columns. Raises ValueError where columns lack, are too many, or differ in length."""
    lengths = {len(cells) for cells in columns.values()}
    if set(columns) != set(dtype.names or ()) or len(lengths) != 1:
        raise ValueError("columns")
    length = lengths.pop()
    if length * dtype.itemsize > _ROWS_BYTES:
        raise ValueError("rows")
    rows = np.empty(length, dtype)
    for name, cells in columns.items():
        rows[name] = _objects(cells) if dtype[name].hasobject else cells
    return rows


def _objects(cells: list[Cell]) -> npt.NDArray[Any]:
    made = np.empty(len(cells), object)
    made[:] = cells
    return made
