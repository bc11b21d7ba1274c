"""Sources and log readers of other packages, found by entry points.

    [project.entry-points."steadypull.sources"]
    myscheme = "my_package:MySource"       # called as MySource(url, car, rate_hz); for ports myscheme://…

    [project.entry-points."steadypull.readers"]
    ext = "my_package:read"                # called as read(path, columns) -> LogFile; for logs *.ext

`template_source.py` and `template_reader.py` beside this file are there to be copied.
"""

import importlib
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path
from typing import Any, Final

import numpy as np

from stream.block import Block, StreamInfo
from stream.car import Car
from stream.errors import InputError, PortError, SteadypullError, reason_of
from stream.sources.csvlog import CsvSource
from stream.sources.log_file import Reader, ReaderSource
from stream.sources.serialport import SerialSource
from stream.sources.source import Source, SourceNote

SOURCES: Final = "steadypull.sources"
READERS: Final = "steadypull.readers"
# pyserial's own kinds of port (its documentation, 'URL Handlers', 3.5): no package may take these over
_PYSERIAL: Final = frozenset({"rfc2217", "socket", "loop", "hwgrep", "spy", "alt", "cp2110"})
_OWN_READERS: Final = {"mf4": "stream.sources.log_file:read", "mdf": "stream.sources.log_file:read"}
_METHODS: Final = ("open", "read", "take_notes", "counters", "stop", "close")


def source_for(url: str, car: Car, rate_hz: float | None = None) -> Source:
    """The source of a port: of another package where one claims the URL's scheme, else a serial port.

    Raises InputError where that package cannot be used.
    """
    scheme, mark, _ = url.partition("://")
    scheme = scheme.lower()
    if mark and scheme == "can":
        from stream.sources.can_bus import CanSource

        return CanSource(url, car, rate_hz)
    found = _point(SOURCES, scheme) if mark and scheme not in _PYSERIAL else None
    if found is None:
        return SerialSource(url, car, rate_hz)
    make = _loaded(found)
    try:
        inner = make(url, car, rate_hz)
    except SteadypullError:
        raise
    except Exception as error:
        raise InputError(f"port {url}: {_whose(found)} failed ({_reason(error)}); mend or remove it") from error
    missing = [name for name in (*_METHODS, "finished", "realtime") if not hasattr(inner, name)]
    if missing:
        raise InputError(f"port {url}: {_whose(found)} is no source, for it lacks {', '.join(missing)}; mend it")
    return _Guarded(inner, url, car, _whose(found))


def log_source(path: str | Path, car: Car, rate_hz: float | None = None) -> CsvSource:
    """The source of a log: by the reader for the file name's ending where there is one, else as CSV.

    Raises InputError where that reader's package cannot be used.
    """
    reader = reader_for(path)
    if reader is None:
        return CsvSource(path, car, rate_hz)
    return ReaderSource(path, car, rate_hz, reader)


def reader_for(path: str | Path) -> Reader | None:
    """The reader for a file name's ending; None: it is read as CSV. Raises InputError as `log_source` does."""
    ending = Path(path).suffix.lower().removeprefix(".")
    if not ending or ending in ("csv", "gz", "txt"):
        return None
    if ending in _OWN_READERS:
        module, _, name = _OWN_READERS[ending].partition(":")
        own: Reader = getattr(importlib.import_module(module), name)
        return own
    found = _point(READERS, ending)
    return None if found is None else _loaded(found)


def _point(group: str, name: str) -> EntryPoint | None:
    """The entry point of a name. Raises InputError where two packages claim it."""
    found = {point.value: point for point in entry_points(group=group, name=name)}
    if len(found) > 1:
        raise InputError(f"{name!r} in {group} is claimed by {' and '.join(sorted(found))}; remove one of the packages")
    return next(iter(found.values()), None)


def _loaded(point: EntryPoint) -> Any:
    try:
        made = point.load()
    except Exception as error:
        raise InputError(f"{_whose(point)} cannot be loaded ({_reason(error)}); mend or remove it") from error
    if not callable(made):
        raise InputError(f"{_whose(point)} is not callable; mend or remove it")
    return made


def _whose(point: EntryPoint) -> str:
    package = "" if point.dist is None else f" of package {point.dist.name}"
    return f"{point.group}: {point.name} ({point.value}){package}"


def _reason(error: Exception) -> str:
    text = reason_of(error)
    return f"{type(error).__name__}: {text}" if text else type(error).__name__


class _Guarded:
    """Another package's source: what it raises ends the drive in one line, what it hands out is looked at first."""

    def __init__(self, inner: Any, url: str, car: Car, whose: str) -> None:
        self._inner, self._url, self._car, self._whose = inner, url, car, whose
        self._channels = 0
        self._next = 0
        self.realtime = bool(inner.realtime)

    def open(self) -> StreamInfo:
        info: StreamInfo = self._call("open")
        if not isinstance(info, StreamInfo):
            raise InputError(f"port {self._url}: {self._whose}: open() gave no StreamInfo; mend it")
        missing = [channel.name for channel in self._car.signal_channels if channel.name not in info.names]
        if missing:
            raise InputError(
                f"port {self._url}: the source does not send {', '.join(missing)}; it sends {', '.join(info.names)}; "
                "make the names match"
            )
        self._channels = len(info.channels)
        return info

    def read(self, timeout_s: float) -> list[Block]:
        blocks: list[Block] = list(self._call("read", timeout_s))
        return [self._checked(block) for block in blocks if len(block)]

    def _checked(self, block: Block) -> Block:
        samples = np.asarray(block.samples)
        if samples.ndim != 2 or samples.shape[1] != self._channels or block.first < self._next:
            raise PortError(
                f"{self._url}: {self._whose}: a block of shape {samples.shape} from sample {block.first} on does not "
                f"go on from {self._next} with {self._channels} channels; what was recorded is safe"
            )
        self._next = block.end
        if samples.dtype == np.float32:
            return block
        return Block(
            samples.astype(np.float32),
            block.first,
            block.rate_hz,
            block.device_us,
            block.host_ns,
            block.lost,
            block.restarted,
        )

    @property
    def finished(self) -> bool:
        return bool(self._inner.finished)

    def take_notes(self) -> list[SourceNote]:
        return list(self._call("take_notes"))

    def counters(self) -> dict[str, int]:
        return dict(self._call("counters"))

    def stop(self) -> None:
        self._call("stop")

    def close(self) -> None:
        self._call("close")

    def _call(self, name: str, *words: Any) -> Any:
        try:
            return getattr(self._inner, name)(*words)
        except SteadypullError:
            raise
        except Exception as error:
            raise PortError(
                f"{self._url}: {self._whose} failed in {name} ({_reason(error)}); what was recorded is safe"
            ) from error
