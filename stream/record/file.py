"""SessionFile: rows and table rows into an HDF5 file that may be cut off at any moment.

Below SessionWriter and `recover`, above HDF5. Four habits make it last, each measured: the oldest file format
and `file.flush()` (never `dataset.flush()`) keep the file readable after a kill; no metadata leaves the cache
between flushes, so what is on the disk is what the last flush left; room is set aside before HDF5 needs it,
so a full disk is met before the file is touched; whole chunks go in directly, past HDF5's own machinery for
slices.
"""

import os
from contextlib import suppress
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import numpy.typing as npt

from stream.block import Samples, StreamInfo
from stream.errors import InputError
from stream.record import disk, layout
from stream.record.tables import append_rows

_MARGIN = 1 << 20  # for indexes and tables; far above what half a second needs
_LAST_MARGIN = 1 << 16
_STRIDE = 4 << 20  # room is set aside in steps, for asking costs a call to the system


class SessionFile:
    """A session being written. Not thread-safe. Raises StorageError where the disk fails."""

    def __init__(
        self, path: Path, info: StreamInfo, root: dict[str, Any], live: dict[str, Any], live_rate_hz: float
    ) -> None:
        layout.check_stream(info)
        self.path = path
        self.rows = 0  # rows put in, those still in the buffer included
        self._chunk = layout.chunk_rows(info.rate_hz)
        self._buffer = np.zeros((self._chunk, len(info.channels)), layout.SAMPLE_DTYPE)
        self._margin = _MARGIN + 2 * self._buffer.nbytes
        self._dirty = False
        self._file: Any = None
        self._create(info, root, live, live_rate_hz)

    def _create(self, info: StreamInfo, root: dict[str, Any], live: dict[str, Any], live_rate_hz: float) -> None:
        with disk.storage_words(self.path, "nothing was recorded"):
            try:
                disk.claim(self.path, self._margin + _MARGIN)
            except FileExistsError:
                raise InputError(f"{self.path}: is already there and is never overwritten; give another name") from None
            try:
                self._file = h5py.File(self.path, "w", libver="earliest")
                self._fd: int = self._file.id.get_vfd_handle()
                self._reserve(0)
                _keep_metadata_in_cache(self._file)
                layout.create_layout(self._file, info, root, live, live_rate_hz)
                self._samples = self._file[layout.SAMPLES].id
                self._file.flush()
                os.fsync(self._fd)
            except BaseException:
                self.discard()  # ours, empty, and of no use to anyone
                raise
        disk.sync_folder(self.path.parent)

    def append_samples(self, samples: Samples) -> None:
        """Add rows of contiguous float32; whole chunks are written, the rest waits for the next call or
        flush.
        """
        filled, count = self.rows % self._chunk, len(samples)
        if filled + count < self._chunk:  # the usual small block
            self._buffer[filled : filled + count] = samples
            self._dirty = True
            self.rows += count
            return
        taken = 0
        while taken < len(samples):
            filled = self.rows % self._chunk
            whole = (len(samples) - taken) // self._chunk * self._chunk if filled == 0 else 0
            if whole:
                self._write_chunks(self.rows, samples[taken : taken + whole])
            else:
                whole = min(self._chunk - filled, len(samples) - taken)
                self._buffer[filled : filled + whole] = samples[taken : taken + whole]
                if filled + whole == self._chunk:
                    self._write_chunks(self.rows - filled, self._buffer)
                self._dirty = filled + whole < self._chunk
            taken += whole
            self.rows += whole

    def append_table(self, name: str, rows: npt.NDArray[Any]) -> None:
        """Add rows to a table or a /live dataset."""
        with disk.storage_words(self.path):
            self._reserve(2 * rows.nbytes)
            append_rows(self._file, name, rows)

    def flush(self) -> None:
        """Write the part-filled chunk, and wait until everything is on the disk."""
        if self._dirty:
            filled = self.rows % self._chunk
            self._write_chunks(self.rows - filled, self._buffer, self.rows)
            self._dirty = False
        self.sync()

    def sync(self) -> None:
        """Flush what HDF5 has been given, without the part-filled chunk, and wait for the disk."""
        with disk.storage_words(self.path):
            self._reserve(0)
            self._file.flush()
            os.fsync(self._fd)

    def whereabouts(self) -> Path | None:
        """Where the file stands now; None where somebody removed it."""
        return disk.whereabouts(self._fd, self.path)

    def begin_again_at(self, new: Path) -> None:
        """Go on in a new file that holds all that this one, which has no name any more, does. Raises StorageError."""
        self.flush()
        with disk.storage_words(new):
            disk.copy_open(self._fd, new, self._file.id.get_filesize())
            old, self._file = self._file, h5py.File(new, "r+", libver="earliest")
            old.close()
            self.path = new
            self._fd = self._file.id.get_vfd_handle()
            _keep_metadata_in_cache(self._file)
            self._samples = self._file[layout.SAMPLES].id
        self.sync()
        disk.sync_folder(new.parent)

    @property
    def h5(self) -> Any:
        """The open h5py.File, for what is written once (attributes, copied groups)."""
        return self._file

    def close(self) -> None:
        """Close the file, give back the room that was set aside. What was flushed is safe."""
        if not self._file.id.valid:
            return
        with disk.storage_words(self.path):
            end = self._file.id.get_filesize()
            self._file.close()
            if self.path.stat().st_size > end:
                os.truncate(self.path, end)

    def finish(self, attributes: dict[str, Any] | None = None) -> None:
        """Set last root attributes, mark the session finished, wait for the disk, and close."""
        with disk.storage_words(self.path):
            self._reserve(0)
            for name, value in (attributes or {}).items():
                self._file.attrs[name] = layout.clean_text(value) if isinstance(value, str) else value
            self._file.attrs["finished"] = 1
        self.sync()
        self.close()

    def discard(self) -> None:
        """Close the file as it is and remove it: for a new session that could not be begun or joined."""
        with suppress(OSError, RuntimeError):
            if self._file is not None:
                self._file.close()
        with suppress(OSError):
            self.path.unlink()

    def spend_margin(self) -> None:
        """After the disk refused more: use the room kept back for getting the last rows in."""
        self._margin = _LAST_MARGIN

    def _write_chunks(self, row: int, samples: Samples, end: int | None = None) -> None:
        """Write whole chunks from `row` on; the dataset then ends at `end` (behind the last chunk where
        None).
        """
        with disk.storage_words(self.path):
            self._reserve(samples.nbytes)
            self._samples.set_extent((row + len(samples) if end is None else end, samples.shape[1]))
            for start in range(0, len(samples), self._chunk):
                self._samples.write_direct_chunk((row + start, 0), samples[start : start + self._chunk])

    def _reserve(self, size: int) -> None:
        end: int = self._file.id.get_filesize()
        need = end + size + self._margin
        if os.fstat(self._fd).st_size >= need:
            return
        try:
            disk.reserve(self._fd, end, need + _STRIDE, self.path.parent)
        except OSError:  # a disk that is nearly full still takes what is needed now
            disk.reserve(self._fd, end, need, self.path.parent)


def _keep_metadata_in_cache(file: Any) -> None:
    """Forbid HDF5 to write indexes between flushes: an index ahead of the rest of the file would not survive
    a kill.

    Costs about 60 bytes of memory a chunk, 10 MB in a day.
    """
    config = file.id.get_mdc_config()
    config.evictions_enabled = False
    config.incr_mode = config.decr_mode = config.flash_incr_mode = 0
    file.id.set_mdc_config(config)
