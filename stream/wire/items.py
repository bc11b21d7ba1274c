"""What a decoder of the wire hands out, and the totals it keeps.

The description frame, JSON that says what the samples are, is checked here before it is believed.
"""

from dataclasses import asdict, dataclass
from functools import cached_property
from typing import Literal

import msgspec
import numpy as np
import numpy.typing as npt

from stream.block import Block, ChannelInfo, Samples, StreamInfo
from stream.findings import Finding

MAX_HELD = 64 * 1024  # bytes of an unfinished frame or line that are kept between two calls
SET_ANEW_S = 3600.0  # a device's count that leaps by this much more than the host's was set anew: nothing was lost
MAX_LOST = 1 << 40  # samples: a jump beyond this is a counter that was set anew, not a gap (34 years at 1 kHz)


@dataclass(frozen=True, slots=True)
class WireNote:
    """Something to tell: `kind` is one of stream.events.KINDS, `index` our own count of samples then, `what` a finding,
    or the device's own words."""

    kind: str
    index: int
    what: Finding | str


#: A description of the stream, samples, or something to tell; in the order in which they came.
Item = StreamInfo | Block | WireNote


@dataclass(slots=True)
class Counts:
    """Running totals of one decoder. Frames and lines are those used, bad ones are dropped.

    early_frames  samples that came before a description, so that nobody could know what they are
    misfit_frames samples in a layout that does not fit the description with which the stream began
    cells_not_finite  NaN and infinity, in what was used; each is NaN in the Block
    """

    bytes: int = 0
    frames: int = 0
    bad_frames: int = 0
    lines: int = 0
    bad_lines: int = 0
    repeated: int = 0
    lost_samples: int = 0
    restarts: int = 0
    notes: int = 0
    early_frames: int = 0
    misfit_frames: int = 0
    cells_not_finite: int = 0

    def as_dict(self) -> dict[str, int]:
        """The totals by name."""
        return asdict(self)

    @property
    def dropped(self) -> int:
        """Frames and lines that were not used because something is wrong with them."""
        return self.bad_frames + self.bad_lines + self.misfit_frames


def clean_text(text: str, longest: int) -> str:
    """`text` without control characters and line breaks, blanks single, cut to `longest` characters."""
    printable = "".join(character if character.isprintable() else " " for character in text[: 4 * longest])
    return " ".join(printable.split())[:longest].rstrip()


def clean_names(names: list[str]) -> list[str]:
    """The names made printable, not empty, and unique: a second 'link' becomes 'link 2'."""
    used: set[str] = set()
    result: list[str] = []
    for number, raw in enumerate(names, start=1):
        wanted = clean_text(raw, 80) or f"channel {number}"
        name, copy = wanted, 1
        while name in used:
            copy += 1
            name = f"{wanted} {copy}"
        used.add(name)
        result.append(name)
    return result


MAX_DEPTH = 500  # chosen: a description has three levels, and names may hold brackets
_OPEN, _CLOSE = (np.frombuffer(marks, np.uint8) for marks in (b"[{", b"]}"))
MAX_CHANNELS = 255  # a samples frame counts its channels in one byte
MIN_RATE_HZ, MAX_RATE_HZ = 1e-3, 1e7
FLOAT32_MAX = float(np.finfo(np.float32).max)
_TILED_ROWS = 2048
SampleFormat = Literal["i16", "f32"]
DTYPES: dict[str, np.dtype[np.generic]] = {"i16": np.dtype("<i2"), "f32": np.dtype("<f4")}


class WireChannel(msgspec.Struct, frozen=True):
    """One channel of a description: value = scale * count + offset, in `unit`."""

    name: str
    unit: str = ""
    scale: float = 1.0
    offset: float = 0.0


class _WireDescription(msgspec.Struct, frozen=True):
    rate_hz: float
    channels: list[WireChannel]
    format: SampleFormat
    name: str = ""


@dataclass(frozen=True)
class Description:
    """A description that can be used. `cleaned` are names and units that had to be mended."""

    info: StreamInfo
    scale: npt.NDArray[np.float64]
    offset: npt.NDArray[np.float64]
    format: SampleFormat
    cleaned: tuple[str, ...] = ()

    @property
    def row_bytes(self) -> int:
        """Bytes of one sample of all channels."""
        return len(self.info.channels) * DTYPES[self.format].itemsize

    def same_stream(self, other: "Description") -> bool:
        """Whether samples of both can stand in one recording: same rate, names and units, in one order."""
        mine, theirs = self.info, other.info
        return mine.channels == theirs.channels and abs(mine.rate_hz - theirs.rate_hz) <= 1e-9 * mine.rate_hz

    def same_scaling(self, other: "Description") -> bool:
        """Whether both turn counts into values in the same way."""
        return bool(np.array_equal(self.scale, other.scale) and np.array_equal(self.offset, other.offset))

    def to_units(self, body: bytes | memoryview) -> tuple[Samples, int]:
        """Sample-major counts as float32 in units, shape (rows, channels), and how many cells are not finite.

        Infinity, and what float32 cannot hold, become NaN. The arithmetic is float64, rounded once.
        """
        counts = np.frombuffer(body, DTYPES[self.format])
        channels = len(self.info.channels)
        if self.format == "i16":  # finite for sure: parse_description has looked at the extremes
            return self._scaled(counts).reshape(-1, channels), 0
        with np.errstate(over="ignore", invalid="ignore"):
            values = counts.astype(np.float32) if self._plain else self._scaled(counts)
            finite = np.isfinite(values.sum(dtype=np.float64))  # quicker than asking each cell
        wrong = 0
        if not finite:
            cells = ~np.isfinite(values)
            wrong = int(np.count_nonzero(cells))
            values[cells] = np.nan
        return values.reshape(-1, channels), wrong

    @cached_property
    def _plain(self) -> bool:
        return bool((self.scale == 1.0).all() and not self.offset.any())

    @cached_property
    def _tiled(self) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
        # Scale and offset written out for many rows: broadcasting over rows of a few channels costs several
        # times as much as the arithmetic.
        return np.tile(self.scale, _TILED_ROWS), np.tile(self.offset, _TILED_ROWS)

    def _scaled(self, counts: npt.NDArray[np.generic]) -> npt.NDArray[np.float32]:
        scale, offset = self._tiled
        values = np.empty(len(counts), np.float32)
        for start in range(0, len(counts), len(scale)):
            piece = counts[start : start + len(scale)]
            in_units = np.multiply(piece, scale[: len(piece)], dtype=np.float64)
            in_units += offset[: len(piece)]
            values[start : start + len(piece)] = in_units
        return values


def _depth(body: bytes) -> int:
    """The deepest nesting of brackets, at most; those inside texts are counted as well, which does no harm."""
    marks = np.frombuffer(body, np.uint8)
    steps = np.isin(marks, _OPEN).astype(np.int64) - np.isin(marks, _CLOSE)
    return int(np.cumsum(steps).max(initial=0))


def parse_description(body: bytes) -> Description:
    """Check the JSON of a description frame. Raises ValueError with words for what cannot be used."""
    if _depth(body) > MAX_DEPTH:  # said before the parser meets it: what that does is another thing in each Python
        raise ValueError("its JSON is nested too deeply")
    try:
        wire = msgspec.json.decode(body, type=_WireDescription)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise ValueError(clean_text(str(error), 200)) from None
    except RecursionError:
        raise ValueError("its JSON is nested too deeply") from None
    if not MIN_RATE_HZ <= wire.rate_hz <= MAX_RATE_HZ:
        raise ValueError(f"rate_hz is {wire.rate_hz:g}; it must be above 0: {MIN_RATE_HZ:g} to {MAX_RATE_HZ:g}")
    if not 1 <= len(wire.channels) <= MAX_CHANNELS:
        raise ValueError(f"{len(wire.channels)} channels announced; 1 to {MAX_CHANNELS} can be sent")
    scale = np.array([channel.scale for channel in wire.channels])
    offset = np.array([channel.offset for channel in wire.channels])
    if not (np.isfinite(scale).all() and np.isfinite(offset).all() and (scale != 0).all()):
        raise ValueError("a scale or an offset is zero or not finite")
    if (np.abs(scale) > (FLOAT32_MAX - np.abs(offset)) / 32768.0).any():
        raise ValueError("a scale or an offset is too large for 32-bit values")
    raw_names = [channel.name for channel in wire.channels]
    raw_units = [channel.unit for channel in wire.channels]
    names, units = clean_names(raw_names), [clean_text(unit, 24) for unit in raw_units]
    mended = [f"{new!r}" for new, old in zip(names + units, raw_names + raw_units, strict=True) if new != old]
    channels = tuple(ChannelInfo(name, unit) for name, unit in zip(names, units, strict=True))
    info = StreamInfo(wire.rate_hz, channels, clean_text(wire.name, 80))
    return Description(info, scale, offset, wire.format, tuple(mended[:8]))
