"""Records to table rows and back, and the few ways in which a table of an open session file is written.

None is NaN in a float column and 0 in `gear`; a pull's faults stand in one text, joined by blanks.
"""

import math
from collections.abc import Iterable, Sequence
from typing import Any, Final, Literal, cast

import h5py
import msgspec
import numpy as np
import numpy.typing as npt

from stream.events import Event
from stream.live.records import Hold, Pinned, Pull, PullFault
from stream.record import layout

Rows = npt.NDArray[Any]
MAX_EVENT_TEXT = 4096  # a device may send notes of 64 KiB, again and again


class Zero(msgspec.Struct, frozen=True, kw_only=True):
    """A stretch declared to be zero load: its mean and doubt (standard) in the link's unit, and how it was
    taken.
    """

    start_s: float
    end_s: float
    mean: float
    doubt: float
    how: str


class HoldMark(msgspec.Struct, frozen=True, kw_only=True):
    """What a person said of a hold: whether it counts, and which speed it was meant to be (None: not
    matched).
    """

    accepted: bool = True
    target_rpm: float | None = None


PullMark = Literal["", "keep", "drop"]  # what a person said of a pull: nothing, use it though flawed, leave it out
NOT_MARKED: Final[PullMark] = ""


def _nan(value: float | None) -> float:
    return math.nan if value is None else value


def _none(value: float) -> float | None:
    return None if math.isnan(value) else float(value)


def text_of(value: Any) -> str:
    """Text of a table cell or an attribute, which HDF5 tools give as bytes or as text."""
    return value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value)


def _rows(values: Sequence[tuple[Any, ...]], dtype: np.dtype[Any]) -> Rows:
    return np.array(values, dtype=dtype) if values else np.empty(0, dtype)


def hold_rows(holds: Iterable[Hold], marks: Sequence[HoldMark] | None = None) -> Rows:
    """Rows of /holds. Without `marks` every hold is accepted and none is matched."""
    holds = list(holds)
    marks = [HoldMark()] * len(holds) if marks is None else marks
    return _rows(
        [
            (
                hold.start_s, hold.end_s, hold.signal_mean, hold.signal_sem, hold.speed_rpm,
                hold.speed_sd_rpm, hold.drift_rpm_per_s, _nan(hold.load_mean), hold.n_effective,
                mark.accepted, _nan(mark.target_rpm),
            )
            for hold, mark in zip(holds, marks, strict=True)
        ],
        layout.HOLD_DTYPE,
    )  # fmt: skip


def read_holds(rows: Rows) -> tuple[Hold, ...]:
    """The holds of /holds."""
    floats = [name for name in Hold.__struct_fields__ if name != "load_mean"]
    return tuple(Hold(load_mean=_none(row["load_mean"]), **{name: float(row[name]) for name in floats}) for row in rows)


def read_hold_marks(rows: Rows) -> tuple[HoldMark, ...]:
    """What was said of each hold, in the order of `read_holds`."""
    return tuple(HoldMark(accepted=bool(row["accepted"]), target_rpm=_none(row["target_rpm"])) for row in rows)


def pinned_rows(pinned: Iterable[Pinned]) -> Rows:
    """Rows of /pinned."""
    return _rows([(item.start_s, item.end_s, item.signal, item.at) for item in pinned], layout.PINNED_DTYPE)


def read_pinned(rows: Rows) -> tuple[Pinned, ...]:
    """The records of /pinned."""
    return tuple(
        Pinned(
            start_s=float(row["start_s"]),
            end_s=float(row["end_s"]),
            signal=float(row["signal"]),
            at=cast(Literal["bottom", "top"], text_of(row["at"])),
        )
        for row in rows
    )


def pull_rows(pulls: Iterable[Pull], marks: Sequence[PullMark] | None = None) -> Rows:
    """Rows of /pulls. Without `marks` nothing was said of any."""
    pulls = list(pulls)
    said = [NOT_MARKED] * len(pulls) if marks is None else marks
    return _rows(
        [
            (
                pull.start_s, pull.end_s, pull.start_rpm, pull.end_rpm, layout.clean_text(pull.tune),
                pull.gear or 0, pull.verdict, " ".join(pull.faults), mark,
            )
            for pull, mark in zip(pulls, said, strict=True)
        ],
        layout.PULL_DTYPE,
    )  # fmt: skip


def read_pulls(rows: Rows) -> tuple[Pull, ...]:
    """The records of /pulls."""
    return tuple(
        Pull(
            start_s=float(row["start_s"]),
            end_s=float(row["end_s"]),
            start_rpm=float(row["start_rpm"]),
            end_rpm=float(row["end_rpm"]),
            tune=text_of(row["tune"]),
            gear=int(row["gear"]) or None,
            verdict=cast(Literal["clean", "flawed"], text_of(row["verdict"])),
            faults=cast(tuple[PullFault, ...], tuple(text_of(row["faults"]).split())),
        )
        for row in rows
    )


def read_pull_marks(rows: Rows) -> tuple[PullMark, ...]:
    """What was said of each pull, in the order of `read_pulls`."""
    return tuple(cast(PullMark, text_of(row["mark"])) for row in rows)


def zero_rows(zeros: Iterable[Zero]) -> Rows:
    """Rows of /zeros."""
    return _rows([(z.start_s, z.end_s, z.mean, z.doubt, layout.clean_text(z.how)) for z in zeros], layout.ZERO_DTYPE)


def read_zeros(rows: Rows) -> tuple[Zero, ...]:
    """The records of /zeros."""
    return tuple(
        Zero(
            start_s=float(row["start_s"]),
            end_s=float(row["end_s"]),
            mean=float(row["mean"]),
            doubt=float(row["doubt"]),
            how=text_of(row["how"]),
        )
        for row in rows
    )


def event_rows(events: Iterable[Event]) -> Rows:
    """Rows of /events; a text is cut at MAX_EVENT_TEXT characters."""
    return _rows(
        [
            (event.time_s, event.kind, layout.clean_text(event.text)[:MAX_EVENT_TEXT], _nan(event.value))
            for event in events
        ],
        layout.EVENT_DTYPE,
    )


def read_events(rows: Rows) -> tuple[Event, ...]:
    """The records of /events, numbered from 1 in the order they were written."""
    return tuple(
        Event(number, float(row["time"]), text_of(row["kind"]), text_of(row["text"]), _none(row["value"]))
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
