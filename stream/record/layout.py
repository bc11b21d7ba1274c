"""The session file's layout: names, types, chunk sizes and versions. What stands in a file is decided here
only.

The format is plain HDF5 of the oldest kind (`libver="earliest"`): measured, it is the one that opens with any
tool after the writing process was killed. Text is variable-length UTF-8; a number that cannot be known is
NaN, a gear that is not known is 0.

A session has a count of its own: which row a block becomes, and what was lost before it. It begins at its first
sample, so what was lost before that one does not count.
"""

import importlib.metadata
import math
from typing import Any, Final, NamedTuple

import h5py
import numpy as np
import numpy.typing as npt

from stream.block import Block, StreamInfo
from stream.errors import InputError

FORMAT: Final = "steadypull-session"
FORMAT_VERSION: Final = 1

SAMPLES: Final = "raw/samples"
GAPS: Final = "raw/gaps"
CLOCK: Final = "raw/clock"
LIVE_TIME: Final = "live/time"
LIVE_SPEED: Final = "live/speed"
LIVE_LOAD: Final = "live/load"
LIVE_SIGNAL: Final = "live/signal"
HOLDS: Final = "holds"
PINNED: Final = "pinned"
PULLS: Final = "pulls"
ZEROS: Final = "zeros"
EVENTS: Final = "events"
HEARD: Final = "heard"
COMMANDS: Final = "commands"
CONDITIONS: Final = "conditions"
ALSO: Final = "also"  # further devices, each as /raw is
CALIBRATIONS: Final = "calibrations"
HISTORY: Final = "history"  # what a person changed, to be taken back: `history.py`

MAX_CHANNELS: Final = 1024  # names and units are attributes, and HDF5 holds 64 KiB of those in one header
CHUNK_S: Final = 0.5
LIVE_CHUNK_S: Final = 5.0  # live rows are few: bigger chunks keep an hour's index small
MIN_CHUNK_ROWS: Final = 32
TABLE_CHUNK_ROWS: Final = 64
CLOCK_EVERY_S: Final = 0.25

SAMPLE_DTYPE: Final = np.dtype("<f4")
_TEXT: Final = h5py.string_dtype("utf-8")

GAP_DTYPE: Final = np.dtype([("index", "<u8"), ("lost", "<u8"), ("device_us", "<u8"), ("host_ns", "<i8")])
CLOCK_DTYPE: Final = np.dtype([("index", "<u8"), ("device_us", "<u8"), ("host_ns", "<i8")])
HOLD_DTYPE: Final = np.dtype(
    [
        *(
            (name, "<f8")
            for name in (
                "start_s",
                "end_s",
                "signal_mean",
                "signal_sem",
                "speed_rpm",
                "speed_sd_rpm",
                "drift_rpm_per_s",
                "load_mean",
                "n_effective",
            )
        ),
        ("accepted", "u1"),
        ("target_rpm", "<f8"),
        ("by_hand", "u1"),
    ]
)
PINNED_DTYPE: Final = np.dtype([("start_s", "<f8"), ("end_s", "<f8"), ("signal", "<f8"), ("at", _TEXT)])
PULL_DTYPE: Final = np.dtype(
    [
        ("start_s", "<f8"),
        ("end_s", "<f8"),
        ("start_rpm", "<f8"),
        ("end_rpm", "<f8"),
        ("tune", _TEXT),
        ("gear", "<i2"),
        ("verdict", _TEXT),
        ("faults", _TEXT),
        ("kept", "<i1"),
    ]
)
ZERO_DTYPE: Final = np.dtype([("start_s", "<f8"), ("end_s", "<f8"), ("mean", "<f8"), ("doubt", "<f8"), ("how", _TEXT)])
EVENT_DTYPE: Final = np.dtype([("time", "<f8"), ("kind", _TEXT), ("text", _TEXT), ("value", "<f8")])
HEARD_DTYPE: Final = np.dtype(
    [("pull", "<i4"), ("rpm_from", "<f8"), ("rpm_to", "<f8"), ("heard", "u1"), ("said_utc", _TEXT)]
)
COMMAND_DTYPE: Final = np.dtype([("index", "<u8"), ("kind", _TEXT), ("value", _TEXT)])

TABLES: Final[dict[str, np.dtype[Any]]] = {
    GAPS: GAP_DTYPE,
    CLOCK: CLOCK_DTYPE,
    HOLDS: HOLD_DTYPE,
    PINNED: PINNED_DTYPE,
    PULLS: PULL_DTYPE,
    ZEROS: ZERO_DTYPE,
    EVENTS: EVENT_DTYPE,
    HEARD: HEARD_DTYPE,
    COMMANDS: COMMAND_DTYPE,
}
OPTIONAL: Final = frozenset({"n_effective", "value", "kept", "by_hand"})  # a session of another tool may lack them
LIVE: Final[dict[str, np.dtype[Any]]] = {
    LIVE_TIME: np.dtype("<f8"),
    LIVE_SPEED: np.dtype("<f4"),
    LIVE_LOAD: np.dtype("<f4"),
    LIVE_SIGNAL: np.dtype("<f4"),
}

LONG_NAMES: Final = {
    LIVE_TIME: "time from the first sample",
    LIVE_SPEED: "engine speed",
    LIVE_LOAD: "driveline load",
    LIVE_SIGNAL: "engine speed signal, filtered",
}


def chunk_rows(rate_hz: float, seconds: float = CHUNK_S) -> int:
    """Rows of a chunk: `seconds` of them, and never so few that their index outweighs them."""
    return max(MIN_CHUNK_ROWS, round(rate_hz * seconds))


def clean_text(text: str) -> str:
    """Text that HDF5 can hold: no NUL, no half of a surrogate pair (names and notes come from the wire)."""
    return text.encode("utf-8", "replace").decode("utf-8").replace("\0", "�")


def software_version() -> str:
    """The installed version, or '0' where Steadypull runs from a folder that was never installed."""
    try:
        return importlib.metadata.version("steadypull")
    except importlib.metadata.PackageNotFoundError:
        return "0"


def check_stream(info: StreamInfo) -> None:
    """Refuse a stream that no session can hold. Raises InputError."""
    if not (math.isfinite(info.rate_hz) and info.rate_hz > 0):
        raise InputError(f"stream {info.name!r}: a rate of {info.rate_hz} Hz cannot be recorded; give a positive rate")
    if not 0 < len(info.channels) <= MAX_CHANNELS:
        raise InputError(
            f"stream {info.name!r}: {len(info.channels)} channels cannot be recorded; send 1 to {MAX_CHANNELS}"
        )


def create_layout(file: Any, info: StreamInfo, root: dict[str, Any], live: dict[str, Any], live_rate_hz: float) -> None:
    """Make every table of a new session, empty and extendable, so that nothing new is born while recording.

    `root` are the root attributes, `live` those of the /live datasets (filter, delay_s, calibration,
    load_unit, signal_unit).
    """
    for name, value in root.items():
        file.attrs[name] = clean_text(value) if isinstance(value, str) else value
    channels = len(info.channels)
    samples = file.create_dataset(
        SAMPLES,
        (0, channels),
        SAMPLE_DTYPE,
        maxshape=(None, channels),
        chunks=(chunk_rows(info.rate_hz), channels),
    )
    samples.attrs["rate_hz"] = float(info.rate_hz)
    samples.attrs["names"] = np.array([clean_text(channel.name) for channel in info.channels], dtype=_TEXT)
    samples.attrs["units"] = np.array([clean_text(channel.unit) for channel in info.channels], dtype=_TEXT)
    samples.attrs["device"] = clean_text(info.name)
    for name, dtype in TABLES.items():
        file.create_dataset(name, (0,), dtype, maxshape=(None,), chunks=(TABLE_CHUNK_ROWS,))
    units = {
        LIVE_TIME: "s",
        LIVE_SPEED: "rpm",
        LIVE_LOAD: clean_text(live["load_unit"]),
        LIVE_SIGNAL: clean_text(live["signal_unit"]),
    }
    for name, dtype in LIVE.items():
        rows = chunk_rows(live_rate_hz, LIVE_CHUNK_S)
        dataset = file.create_dataset(name, (0,), dtype, maxshape=(None,), chunks=(rows,))
        dataset.attrs["unit"] = dataset.attrs["units"] = units[name]
        dataset.attrs["long_name"] = LONG_NAMES[name]
        dataset.attrs["filter"] = clean_text(live["filter"])
        dataset.attrs["delay_s"] = float(live["delay_s"])
        dataset.attrs["calibration"] = clean_text(live["calibration"])
    # Names of the NeXus standard (NXroot, NXdata): any tool that knows it draws load and speed against time.
    file[LIVE_TIME].make_scale("time")
    for name in (LIVE_SPEED, LIVE_LOAD, LIVE_SIGNAL):
        file[name].dims[0].attach_scale(file[LIVE_TIME])
    file.attrs["NX_class"], file.attrs["default"] = "NXroot", "live"
    group = file["live"]
    group.attrs["NX_class"], group.attrs["signal"] = "NXdata", "load"
    group.attrs["auxiliary_signals"] = np.array(["speed"], dtype=_TEXT)
    group.attrs["axes"] = np.array(["time"], dtype=_TEXT)
    file.create_group(CALIBRATIONS)


GapRow = tuple[int, int, int, int]  # index, lost, device_us, host_ns
ClockRow = tuple[int, int, int]  # index, device_us, host_ns


def sample_index(rows: int, gaps: npt.NDArray[Any]) -> npt.NDArray[np.int64]:
    """Each row's index on its recording's own count, int64 (rows,): row plus what was lost before it. What was lost
    before the first row, or behind the last, belongs to none."""
    inside = gaps[(gaps["index"] > 0) & (gaps["index"] < rows)]
    lost = np.zeros(rows, np.int64)
    np.add.at(lost, inside["index"].astype(np.int64), inside["lost"].astype(np.int64))
    return np.arange(rows, dtype=np.int64) + np.cumsum(lost)


class Place(NamedTuple):
    """Where a block stands in the session.

    row        row of its first sample in /raw/samples
    first      the same on the session's own count: lost samples included, 0 for the first
    lost       samples missing just before it
    restarted  the device began anew just before it
    """

    row: int
    first: int
    lost: int
    restarted: bool


class SampleCount:
    """Follows blocks in order. Not thread-safe: it belongs to the one thread that writes."""

    def __init__(self, rate_hz: float) -> None:
        self.rows = 0
        self.lost = 0
        self._next: int | None = None
        self._clock_step = max(1, round(rate_hz * CLOCK_EVERY_S))
        self._clock_due = 0

    def take(self, block: Block) -> Place:
        """Count a block in. `block.first` is believed over `block.lost`, for time is counted from it; where
        it runs backwards the device began anew and `lost` is what there is.
        """
        lost, restarted = 0, False
        if self._next is not None:
            missing = block.first - self._next
            lost = missing if missing >= 0 else block.lost
            restarted = block.restarted or missing < 0
        self.lost += lost
        place = Place(self.rows, self.rows + self.lost, lost, restarted)
        rows = len(block.samples)
        self._next = block.first + rows
        self.rows += rows
        return place

    def gap_rows(self, place: Place, block: Block) -> list[GapRow]:
        """The rows of /raw/gaps for a block: none, the loss, and a second of loss 0 where the device began
        anew.
        """
        device_us, host_ns = max(0, block.device_us), block.host_ns
        rows = [(place.row, place.lost, device_us, host_ns)] if place.lost else []
        if place.restarted:
            rows.append((place.row, 0, device_us, host_ns))
        return rows

    def clock_row(self, place: Place, block: Block) -> ClockRow | None:
        """The row of /raw/clock for a block; None where the last is under a quarter of a second old."""
        if place.row < self._clock_due:
            return None
        self._clock_due = place.row + self._clock_step
        return place.row, max(0, block.device_us), block.host_ns
