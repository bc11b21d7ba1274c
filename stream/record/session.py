"""Session: a recorded session, read only. Opening one never changes the file.

A replay through `Session.blocks` equals the live run: blocks end where samples were lost, and `first`, `lost`
and `restarted` are those of the recording, counted from the session's first sample.
"""

import math
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path
from types import TracebackType
from typing import Any

import h5py
import numpy as np
import numpy.typing as npt

from stream.block import Block, ChannelInfo, Samples, StreamInfo
from stream.errors import InputError, reason_of
from stream.events import Event
from stream.live.records import Hold, LiveRows, Pinned, Pull
from stream.record import layout, tables
from stream.record.also import Also, read_also
from stream.record.disk import in_time
from stream.record.guard import check_file, is_cut_short, read_rows
from stream.record.history import read_history
from stream.record.names import journal_path
from stream.record.tables import Command, Heard, HoldMark, PullMark, Weather, Zero, text_of

_SLAB_BYTES = 1 << 20  # read at once; big enough that HDF5's cost a read does not show
_LOWEST_HZ, _HIGHEST_HZ = 1e-17, 1e7  # of the slowest log and the quickest wire
_MOST_LOST = 1 << 53  # samples: beyond it time would no longer be counted exactly
# What reading a damaged file raises: a spoilt size asks for more memory than there is, a spoilt name for a group.
_DAMAGE = (OSError, RuntimeError, KeyError, ValueError, TypeError, AttributeError, OverflowError, MemoryError)


class BusyError(InputError):
    """Another program holds the session, most likely because it records it."""


@contextmanager
def reading_words(path: Path) -> Iterator[None]:
    """Turn what HDF5 raises for a damaged file into an InputError that names the file and the cure."""
    try:
        yield
    except _DAMAGE as error:
        reason = reason_of(error)
        raise damaged(path, f"is damaged ({reason})") from error


def damaged(path: Path, what: str) -> InputError:
    """What is said of a file that cannot be read, with the cure that there is."""
    if journal_path(path).exists():
        text = f"{path}: {what}; recover it from the journal beside it"
        return InputError(text, code="damaged-with-journal", path=path, what=what)
    return InputError(f"{path}: {what}; use a copy of it, if there is one", code="damaged")


class Session:
    """A session file, open for reading. Use it as a context manager, or call `close`.

    Every reading method raises InputError, one line, where the file turns out to be damaged. `path` is the
    file; `info` the stream (rate, channels, device's name); `car_text` the car file as written; `gear` None
    where it is not known; `dated` False where the log said no date and `started_utc` is when it was imported;
    `finished` False where the recording was cut off; `rows` the samples of each
    channel that are there.
    """

    def __init__(self, path: Path, file: Any) -> None:
        self.path = path
        self._file = file
        self._tables: dict[str, npt.NDArray[Any]] = {}
        with reading_words(path):
            root = file.attrs
            self.tune: str = text_of(root.get("tune", ""))
            self.note: str = text_of(root.get("note", ""))
            self.car_text: str = text_of(root["car"])
            self.started_utc: datetime = _utc(text_of(root["started_utc"]))
            self.software_version: str = text_of(root.get("software_version", ""))
            self.finished: bool = bool(root["finished"])
            self.dated: bool = bool(root.get("dated", 1))
            self.gear: int | None = int(root.get("gear", 0)) or None
            self._samples: Any = file[layout.SAMPLES]
            self.rows: int = int(self._samples.shape[0])
            self.info: StreamInfo = _stream_info(self._samples)

    def __enter__(self) -> "Session":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Give the file back. Safe to call twice."""
        self._file.close()

    @property
    def h5(self) -> Any:
        """The open h5py.File, for what this class does not know of (calibrations, later tables)."""
        return self._file

    @property
    def rate_hz(self) -> float:
        """Samples per second of each channel."""
        return self.info.rate_hz

    @cached_property
    def gaps(self) -> npt.NDArray[Any]:
        """Rows of /raw/gaps (index, lost, device_us, host_ns), in order; `lost` 0 marks a device that began
        anew.

        Those at the very beginning or behind the last row belong to no sample and are left out.
        """
        gaps = self._table(layout.GAPS, layout.GAP_DTYPE)
        with reading_words(self.path):
            if gaps["lost"].sum(dtype=np.float64) > _MOST_LOST:
                raise ValueError(f"/{layout.GAPS} counts more than {_MOST_LOST} samples")
        gaps = gaps[(gaps["index"] > 0) & (gaps["index"] < self.rows)]
        return gaps[np.argsort(gaps["index"], kind="stable")]

    @cached_property
    def clock(self) -> npt.NDArray[Any]:
        """Rows of /raw/clock (index, device_us, host_ns), in order."""
        clock = self._table(layout.CLOCK, layout.CLOCK_DTYPE)
        return clock[np.argsort(clock["index"], kind="stable")]

    @property
    def lost_samples(self) -> int:
        """Samples missing between the first row and the last."""
        return int(self.gaps["lost"].sum())

    @property
    def duration_s(self) -> float:
        """Seconds from the first sample to just behind the last, lost time included."""
        return (self.rows + self.lost_samples) / self.rate_hz

    def sample_index(self) -> npt.NDArray[np.int64]:
        """Each row's index on the session's count, int64 (rows,): row plus what was lost before it."""
        return layout.sample_index(self.rows, self.gaps)

    def blocks(self, rows_per_block: int | None = None) -> Iterator[Block]:
        """The session as received, at most `rows_per_block` rows a Block (half a second where None)."""
        step = layout.chunk_rows(self.rate_hz) if rows_per_block is None else rows_per_block
        if step < 1:
            raise ValueError(f"rows_per_block is {rows_per_block}; at least 1")
        clock = _Anchors(self.clock, self.gaps, self.rate_hz)
        starts, lost, restarted = self._segments()
        total = 0
        for number, start in enumerate(starts):
            end = starts[number + 1] if number + 1 < len(starts) else self.rows
            total += lost[number]
            for base, slab in self.slabs(start, end, step):
                for offset in range(0, len(slab), step):
                    row = base + offset
                    device_us, host_ns = clock.at(row)
                    yield Block(
                        slab[offset : offset + step],
                        row + total,
                        self.rate_hz,
                        device_us,
                        host_ns,
                        lost[number] if row == start else 0,
                        restarted[number] and row == start,
                    )

    def row_at(self, time_s: float) -> int:
        """The row of the first sample at or behind a time, or the next one where that sample was lost; at most
        `rows`.
        """
        index = max(math.ceil(time_s * self.rate_hz - 1e-6), 0)
        lost = np.cumsum(self.gaps["lost"].astype(np.int64))
        row_of_gap = self.gaps["index"].astype(np.int64)
        gap = int(np.searchsorted(row_of_gap + lost, index, side="right"))
        row = index - (int(lost[gap - 1]) if gap else 0)
        return min(row, int(row_of_gap[gap]) if gap < len(row_of_gap) else self.rows)

    def raw(self, name: str, start: int = 0, end: int | None = None) -> npt.NDArray[np.float32]:
        """One channel as recorded, float32, from row `start` to `end`, in its unit. InputError for a name it lacks."""
        if name not in self.info.names:
            raise InputError(f"{self.path}: has no channel {name!r}; it has {', '.join(self.info.names)}")
        column = self.info.names.index(name)
        with reading_words(self.path):
            return np.asarray(self._samples[start:end, column], np.float32)

    def live(self) -> LiveRows:
        """What the live stage made of it while recording; `signal` all NaN in a session that lacks /live/signal."""
        names = (layout.LIVE_TIME, layout.LIVE_SPEED, layout.LIVE_LOAD)
        time, speed, load = (self._table(name, layout.LIVE[name]) for name in names)
        signal = self._table(layout.LIVE_SIGNAL, np.dtype("<f4"))
        rows = min(len(time), len(speed), len(load))
        if not (np.isfinite(time).all() and (np.diff(time) >= 0).all()):
            raise damaged(self.path, f"is damaged (the clock of /{layout.LIVE_TIME} does not run)")
        if len(signal) < rows:
            signal = np.full(rows, np.nan, np.float32)
        return LiveRows(time[:rows], speed[:rows], load[:rows], signal[:rows])

    def live_attributes(self) -> dict[str, Any]:
        """How /live was made: filter, delay_s, calibration, load_unit and signal_unit."""
        with reading_words(self.path):
            attributes = self._file[layout.LIVE_SPEED].attrs
            return {
                "filter": text_of(attributes["filter"]),
                "delay_s": float(attributes["delay_s"]),
                "calibration": text_of(attributes["calibration"]),
                "load_unit": text_of(self._file[layout.LIVE_LOAD].attrs["unit"]),
                "signal_unit": text_of(self._file[layout.LIVE_SIGNAL].attrs["unit"])
                if layout.LIVE_SIGNAL in self._file
                else "",
            }

    @property
    def has_findings(self) -> bool:
        """Whether a live stage has written what it found: a recording that was finished."""
        return self.finished and all(name in self._file for name in (layout.HOLDS, layout.PULLS, layout.LIVE_TIME))

    @property
    def holds(self) -> tuple[Hold, ...]:
        """Holds found while recording."""
        return tables.from_rows(Hold, self._table(layout.HOLDS, layout.HOLD_DTYPE))

    @property
    def hold_marks(self) -> tuple[HoldMark, ...]:
        """For each hold whether it is accepted, and its target."""
        return tables.from_rows(HoldMark, self._table(layout.HOLDS, layout.HOLD_DTYPE))

    @property
    def pinned(self) -> tuple[Pinned, ...]:
        """Stretches in which the speed signal was stuck."""
        return tables.from_rows(Pinned, self._table(layout.PINNED, layout.PINNED_DTYPE))

    @property
    def pulls(self) -> tuple[Pull, ...]:
        """Pulls found while recording."""
        return tables.from_rows(Pull, self._table(layout.PULLS, layout.PULL_DTYPE))

    @property
    def pull_marks(self) -> tuple[PullMark, ...]:
        """For each pull what a person said of it."""
        return tables.from_rows(PullMark, self._table(layout.PULLS, layout.PULL_DTYPE))

    @property
    def zeros(self) -> tuple[Zero, ...]:
        """Stretches declared as zero load."""
        return tables.from_rows(Zero, self._table(layout.ZEROS, layout.ZERO_DTYPE))

    @property
    def commands(self) -> tuple[Command, ...]:
        """What a person did while it was recorded, in order."""
        return tables.from_rows(Command, self._table(layout.COMMANDS, layout.COMMAND_DTYPE))

    @property
    def heard(self) -> tuple[Heard, ...]:
        """What a person heard while listening for knock; empty where nobody said."""
        return tables.from_rows(Heard, self._table(layout.HEARD, layout.HEARD_DTYPE))

    @property
    def conditions(self) -> Weather | None:
        """The air of the day where the car stands; None where nobody said."""
        with reading_words(self.path):
            if layout.CONDITIONS not in self._file:
                return None
            said = self._file[layout.CONDITIONS].attrs
            numbers = {name: float(said[name]) for name in ("temperature_c", "pressure_hpa", "humidity_pct")}
            return Weather(said_utc=text_of(said.get("said_utc", "")), **numbers)

    @cached_property
    def also(self) -> tuple[Also, ...]:
        """Devices that were recorded beside the first."""
        with reading_words(self.path):
            return read_also(self._file, _stream_info)

    @property
    def events(self) -> tuple[Event, ...]:
        """What happened, in the order it was written."""
        return tables.read_events(self._table(layout.EVENTS, layout.EVENT_DTYPE))

    def calibrations(self) -> dict[str, dict[str, Any]]:
        """Attached calibrations: name to attributes."""
        with reading_words(self.path):
            group = self._file.get(layout.CALIBRATIONS, {})
            return {name: dict(item.attrs) for name, item in group.items()}

    def read_all(self, *, samples: bool = True) -> None:
        """Read all that any method here reads; without `samples` those are left out. Raises InputError where some of it
        is damaged."""
        for name, dtype in layout.TABLES.items():
            self._table(name, dtype)
        self.live()
        self.live_attributes() if layout.LIVE_SPEED in self._file else None
        self.calibrations()
        for _ in (self.holds, self.pinned, self.pulls, self.zeros, self.commands, self.heard, self.conditions):
            pass
        for _ in self.slabs():
            pass
        with reading_words(self.path):
            read_history(self._file)

    def _table(self, name: str, dtype: np.dtype[Any]) -> npt.NDArray[Any]:
        """The rows of a table; those of a short one are kept, so nobody may change them."""
        if dtype.names is None:
            return self._read(name, dtype)
        if name not in self._tables:
            rows = self._read(name, dtype)
            if not _possible(rows):
                raise damaged(self.path, f"is damaged (/{name} has times or marks that no session has)")
            self._tables[name] = rows
        return self._tables[name]

    def _read(self, name: str, dtype: np.dtype[Any]) -> npt.NDArray[Any]:
        with reading_words(self.path):
            if name not in self._file and name not in (layout.GAPS, layout.CLOCK):
                return np.empty(0, dtype)  # written by a tool that knows the raw part alone
            rows = read_rows(self._file[name])
            if dtype.names is None:
                return np.asarray(rows, dtype)
            missing = set(dtype.names) - set(rows.dtype.names or ()) - layout.OPTIONAL
            if missing:
                raise KeyError(f"/{name} lacks {', '.join(sorted(missing))}")
            whole = np.empty(len(rows), dtype)
            for column in layout.OPTIONAL & set(dtype.names):
                whole[column] = np.nan if dtype[column].kind == "f" else 0
            for column in rows.dtype.names or ():
                if column in dtype.names:
                    whole[column] = rows[column]
            return whole

    def _segments(self) -> tuple[list[int], list[int], list[bool]]:
        """Start row of every stretch without a gap, the samples lost before it, and whether the device began
        anew.
        """
        starts, lost, restarted = ([0], [0], [False]) if self.rows else ([], [], [])
        for gap in self.gaps:
            if int(gap["index"]) != starts[-1]:
                starts.append(int(gap["index"]))
                lost.append(0)
                restarted.append(False)
            lost[-1] += int(gap["lost"])
            restarted[-1] |= int(gap["lost"]) == 0
        return starts, lost, restarted

    def slabs(self, start: int = 0, end: int | None = None, step: int = 1) -> Iterator[tuple[int, Samples]]:
        """(row, samples) from row `start` to `end`, float32 (rows, channels), as many rows as are quick to
        read, each but the last a whole number of `step`; gaps do not show.
        """
        end = self.rows if end is None else end
        row_bytes = layout.SAMPLE_DTYPE.itemsize * len(self.info.channels)
        slab = max(1, _SLAB_BYTES // (row_bytes * step)) * step
        for row in range(start, end, slab):
            with reading_words(self.path):
                samples = np.asarray(self._samples[row : min(row + slab, end)], np.float32)
            yield row, samples


class _Anchors:
    """Device and host clock at any row: exact where the file has them, counted on from the last of those
    elsewhere.
    """

    def __init__(self, clock: npt.NDArray[Any], gaps: npt.NDArray[Any], rate_hz: float) -> None:
        index = np.concatenate([clock["index"], gaps["index"]])
        order = np.argsort(index, kind="stable")
        self._index = index[order]
        self._device = np.concatenate([clock["device_us"], gaps["device_us"]])[order]
        self._host = np.concatenate([clock["host_ns"], gaps["host_ns"]])[order]
        self._device_step = 1e6 / rate_hz if self._device.any() else 0.0  # all 0: there was no such clock
        self._host_step = 1e9 / rate_hz if self._host.any() else 0.0

    def at(self, row: int) -> tuple[int, int]:
        place = int(np.searchsorted(self._index, row, side="right")) - 1
        if place < 0:
            return 0, 0
        rows = row - int(self._index[place])
        return (
            int(self._device[place]) + round(rows * self._device_step),
            int(self._host[place]) + round(rows * self._host_step),
        )


def open_session(path: str | Path) -> Session:
    """Open a session for reading; neither its bytes nor its times change. Raises InputError, one line with
    the cure.
    """
    path = Path(path)
    with in_time():
        file = _open_h5(path)
        try:
            _check_format(path, file)
            with reading_words(path):
                check_file(path, file)
            return Session(path, file)
        except BaseException:
            file.close()
            raise


def _open_h5(path: Path) -> Any:
    if path.is_dir():
        raise InputError(f"{path}: is a folder; give a session file in it")
    try:
        if path.exists() and not path.is_file():  # a pipe would be waited for without end
            raise InputError(f"{path}: is not a plain file; give a session file")
        with path.open("rb") as plain:
            empty = not plain.read(1)
    except FileNotFoundError:
        raise _lost(path, "no such session; check the name") from None
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}); check its permissions") from None
    if empty or not h5py.is_hdf5(path):
        what = "is empty" if empty else "is not a session file (not HDF5)"
        raise _lost(path, f"{what}; give a file that Steadypull recorded or imported")
    try:
        return h5py.File(path, "r")
    except BlockingIOError:
        raise BusyError(
            f"{path}: is being recorded or changed by another program; wait until that has finished"
        ) from None
    except OSError as error:
        if is_cut_short(path):
            raise damaged(path, "was cut short (the end is missing)") from None
        raise damaged(path, f"is damaged ({reason_of(error)})") from None


def _lost(path: Path, what: str) -> InputError:
    """What is said where there is no session to read, but perhaps its journal."""
    if journal_path(path).exists():
        text = f"{path}: {what}, or recover it from the journal beside it"
        return InputError(text, code="lost-with-journal", path=path, what=what)
    return InputError(f"{path}: {what}", code="no-session")


def _check_format(path: Path, file: Any) -> None:
    foreign = f"{path}: is HDF5 but not a Steadypull session; give a file that Steadypull recorded or imported"
    try:
        name = file.attrs.get("format")
        version = file.attrs.get("format_version")
    except _DAMAGE:
        raise InputError(foreign) from None
    if not isinstance(name, (str, bytes)) or text_of(name) != layout.FORMAT:
        raise InputError(foreign)
    if not isinstance(version, (int, np.integer)):
        raise damaged(path, "is damaged (format_version is missing)")
    if version > layout.FORMAT_VERSION:
        raise InputError(
            f"{path}: was written by a newer Steadypull (format version {version}; this one reads up to "
            f"{layout.FORMAT_VERSION}); update Steadypull"
        )


def _possible(rows: npt.NDArray[Any]) -> bool:
    """Whether stretches of a table end where they begin or later, at times that are some, and marks are of those there
    are."""
    names = rows.dtype.names or ()
    if "start_s" in names and "end_s" in names:
        start, end = np.asarray(rows["start_s"], np.float64), np.asarray(rows["end_s"], np.float64)
        if not (np.isfinite(start) & np.isfinite(end) & (start <= end) & (np.abs(start) < 1e10) & (end < 1e10)).all():
            return False
    return "kept" not in names or bool(np.isin(rows["kept"], (-1, 0, 1)).all())


def _utc(text: str) -> datetime:
    """A moment; one without a time zone, as another tool may write it, is UTC as the attribute's name says."""
    moment = datetime.fromisoformat(text)
    if not 1971 <= moment.year <= 2500:  # what no clock says, and what time zones cannot be reckoned from
        raise ValueError(f"a start in the year {moment.year}")
    return moment if moment.tzinfo is not None else moment.replace(tzinfo=UTC)


def _stream_info(samples: Any) -> StreamInfo:
    if samples.ndim != 2 or samples.dtype.kind != "f":
        raise ValueError(f"/{layout.SAMPLES} has shape {samples.shape} of {samples.dtype}")
    names, units = (list(samples.attrs[key]) for key in ("names", "units"))
    if not len(names) == len(units) == samples.shape[1]:
        raise ValueError(f"{samples.shape[1]} columns, {len(names)} names, {len(units)} units")
    channels = tuple(ChannelInfo(text_of(name), text_of(unit)) for name, unit in zip(names, units, strict=True))
    rate_hz = float(samples.attrs["rate_hz"])
    if not _LOWEST_HZ <= rate_hz <= _HIGHEST_HZ:
        raise ValueError(f"rate_hz is {rate_hz}")
    return StreamInfo(rate_hz, channels, text_of(samples.attrs.get("device", "")))
