"""SessionWriter: Blocks and what was found in them, into a session file that survives a crash."""

import tempfile
import zlib
from collections.abc import Iterable, Sequence
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from stream.block import Block, StreamInfo
from stream.errors import InputError, StorageError, reason_of
from stream.events import Event
from stream.findings import Finding, warning
from stream.live.records import Hold, LiveHead, LiveRows, Pinned, Pull
from stream.record import disk, layout, tables
from stream.record.change import set_conditions
from stream.record.file import SessionFile
from stream.record.journal import JournalHeader, JournalWriter
from stream.record.layout import ClockRow, GapRow, SampleCount
from stream.record.names import free_path, journal_path
from stream.record.tables import Command, Heard, HoldMark, Weather, Zero

_CHECKED_ROWS = 1 << 18  # read back at once after a recording; chosen: a few megabytes
_PENDING = 4096  # table rows that may wait for a flush, so that memory stays flat where the owner never flushes


class SessionWriter:
    """Records one session. Belongs to one thread, which calls `flush` about twice a second.

    A block is in the journal when `append` returns, and on the disk in the session when the next `flush`
    does. StorageError (disk full, folder gone) leaves a file that opens and holds all that the last flush
    saw: call `abandon` then. InputError: the file is already there, or the stream cannot be held by a
    session.

    path           the new session; never one that is there
    car_text       the car file as written
    gear           None: not known
    started_utc    when the first sample came, with a time zone
    dated          False where that is not known, and `started_utc` is when a log was imported
    live           how the rows that `append_live` gets are made
    conditions     the air of the day, where somebody said it
    journal        False where the source can be read again (import of a log)
    """

    def __init__(
        self,
        path: str | Path,
        info: StreamInfo,
        car_text: str,
        live: LiveHead = LiveHead(),  # noqa: B008 - a frozen record
        *,
        tune: str,
        note: str = "",
        gear: int | None = None,
        started_utc: datetime,
        dated: bool = True,
        conditions: Weather | None = None,
        journal: bool = True,
    ) -> None:
        if started_utc.tzinfo is None:
            raise ValueError("started_utc needs a time zone")
        self.path = Path(path)
        self.info = info
        self._journal_path = journal_path(self.path)
        root: dict[str, str | int | float] = {
            "format": layout.FORMAT,
            "format_version": layout.FORMAT_VERSION,
            "started_utc": started_utc.isoformat(),
            "tune": tune,
            "note": note,
            "car": car_text,
            "gear": gear or 0,
            "dated": int(dated),
            "software_version": layout.software_version(),
            "finished": 0,
        }
        beside_live: dict[str, str | float] = {
            "filter": live.filter,
            "delay_s": live.delay_s,
            "calibration": live.calibration,
            "load_unit": live.load_unit,
            "signal_unit": live.signal_unit,
        }
        with disk.storage_words(self.path, "nothing was recorded"):  # a name that is too long, a folder shut off
            left_over = self._journal_path.exists()
        if left_over:
            raise InputError(
                f"{self._journal_path}: a recording that was cut off left it; recover that one, or give another name",
                code="journal-left",
                journal=self._journal_path,
                path=self.path,
            )
        self._file = SessionFile(self.path, info, root, beside_live, live.rate_hz)
        set_conditions(self._file.h5, conditions)
        self._journal = self._open_journal(root, beside_live, live.rate_hz, conditions) if journal else None
        self._count = SampleCount(info.rate_hz)
        self._gaps: list[GapRow] = []
        self._clock: list[ClockRow] = []
        self._live: list[LiveRows] = []
        self._events: list[Event] = []
        self._zeros: list[Zero] = []
        self._commands: list[Command] = []
        self._failure: StorageError | None = None
        self._closed = False
        self._crc = 0  # of all samples, as they must stand in the file

    @property
    def rows(self) -> int:
        """Rows recorded so far."""
        return self._count.rows

    @property
    def lost_samples(self) -> int:
        """Samples lost so far, since the session's first one."""
        return self._count.lost

    def append(self, block: Block) -> None:
        """Record a block: shape (rows, channels of `info`), in order. Empty ones are passed over."""
        if not len(block.samples):
            return
        if block.samples.shape[1:] != (len(self.info.channels),):
            raise ValueError(f"a block of shape {block.samples.shape} for {len(self.info.channels)} channels")
        if self._failure is not None:  # a session with a hole that nobody knows of would be worse than none
            raise self._failure
        try:
            self._append(block)
        except StorageError as error:
            self._failure = error
            raise

    def _append(self, block: Block) -> None:
        samples = np.ascontiguousarray(block.samples, layout.SAMPLE_DTYPE)
        place = self._count.take(block)
        if self._journal is not None:
            try:
                self._journal.block(place, block, samples)
            except OSError as error:
                raise disk.storage_error(self._journal_path, error) from error
            self._crc = zlib.crc32(samples.data, self._crc)
        if place.lost or place.restarted:
            self._gaps += self._count.gap_rows(place, block)
        clock = self._count.clock_row(place, block)
        if clock is not None:
            self._clock.append(clock)
        self._file.append_samples(samples)
        if len(self._gaps) + len(self._clock) > _PENDING:
            self._write_tables()

    def append_live(self, rows: LiveRows) -> None:
        """Record rows at the live rate."""
        if len(rows):
            self._live.append(rows)
        if len(self._live) > _PENDING:
            self._write_tables()

    def add_events(self, events: Iterable[Event]) -> None:
        """Record events, in order."""
        new = list(events)
        self._events += new
        if self._journal is not None:
            with disk.storage_words(self._journal_path):
                for event in new:
                    self._journal.event(event)

    def add_zero(self, zero: Zero) -> None:
        """Record a zero taken while driving."""
        self._zeros.append(zero)
        if self._journal is not None:
            with disk.storage_words(self._journal_path):
                self._journal.zero(zero)

    def set_weather(self, weather: Weather) -> None:
        """Keep the air of the day that was said after the recording began."""
        with disk.storage_words(self.path):
            set_conditions(self._file.h5, weather)

    def add_commands(self, commands: Iterable[Command]) -> None:
        """Record what a person did, in order."""
        new = list(commands)
        self._commands += new
        if self._journal is not None:
            with disk.storage_words(self._journal_path):
                for command in new:
                    self._journal.command(command)

    def flush(self) -> None:
        """Put everything on the disk; when this returns it survives a power cut.

        The journal goes first, so that it is whole if the power goes while HDF5 is half way; gaps go before
        the rows they belong to, for a row without its gap would stand at the wrong time.
        """
        if self._journal is not None:
            with disk.storage_words(self._journal_path):
                self._journal.sync()
        had_gaps = bool(self._gaps)
        self._write_tables()
        if had_gaps:
            self._file.sync()
        self._file.flush()

    def keep_place(self) -> Finding | None:
        """Look after the session's name: what to tell where somebody moved or removed the file while it is recorded.

        What was moved is followed. What was removed is still open, so nothing of it is lost: all of it is written
        again, under the same name where that can be, else where a file can be made. Raises StorageError.
        """
        before, now = self.path, self._file.whereabouts()
        if now is None:
            self._begin_again()
            return warning("session-removed", path=str(before), new=str(self.path))
        if now != self.path:
            self.path = self._file.path = now
        if self._journal is not None:
            journal = self._journal.whereabouts(self._journal_path)
            if journal is None or journal_path(self.path) != journal:
                self._place_journal(journal)
            else:
                self._journal_path = journal
        return None if now == before else warning("session-moved", path=str(before), new=str(now))

    def _begin_again(self) -> None:
        reason = ""
        for folder in (self.path.parent, Path.home(), Path(tempfile.gettempdir())):
            try:
                if folder == self.path.parent:
                    folder.mkdir(parents=True, exist_ok=True)
                new = free_path(folder, self.path.name)
                self._file.begin_again_at(new)
            except (OSError, StorageError) as error:
                reason = reason or reason_of(error)
                continue
            self.path = new
            self._place_journal(None if self._journal is None else self._journal.whereabouts(self._journal_path))
            return
        raise StorageError(
            f"{self.path}: was removed while it is recorded, and no other place takes it ({reason}); "
            "record to another disk"
        )

    def _place_journal(self, journal: Path | None) -> None:
        """The journal belongs beside its session."""
        new = journal_path(self.path)
        if self._journal is not None and not new.exists():
            with disk.storage_words(new):
                self._journal.begin_again_at(new)
                if journal is not None:
                    journal.unlink(missing_ok=True)
            self._journal_path = new
        elif journal is not None:
            self._journal_path = journal

    def finish(
        self,
        holds: Sequence[Hold] = (),
        pinned: Iterable[Pinned] = (),
        pulls: Iterable[Pull] = (),
        *,
        marks: Sequence[HoldMark] | None = None,
        heard: Sequence[Heard] = (),
        note: str | None = None,
    ) -> None:
        """Write what was found, mark the session finished, close it, and let the journal go.

        `marks` (accepted, target_rpm) belong to `holds` one to one; without them all are accepted and
        unmatched. `heard` is knock that a person heard while it was recorded.
        """
        if self._failure is not None:
            raise self._failure
        self.flush()
        self._file.append_table(layout.HOLDS, tables.hold_rows(holds, marks))
        self._file.append_table(layout.PINNED, tables.pinned_rows(pinned))
        self._file.append_table(layout.PULLS, tables.pull_rows(pulls))
        self._file.append_table(layout.HEARD, tables.heard_rows(heard))
        self._file.finish({} if note is None else {"note": note})
        self._close_journal()
        if self._journal is not None:
            self._check_whole()
        with disk.storage_words(self._journal_path):
            self._journal_path.unlink(missing_ok=True)
        disk.sync_folder(self.path.parent)

    def _check_whole(self) -> None:
        """The journal goes only where the finished session holds every sample: another program may have cut it short
        meanwhile, and no write since then told so. Raises StorageError."""
        crc = rows = 0
        with suppress(OSError, KeyError, RuntimeError), h5py.File(self.path, "r") as file:
            samples = file[layout.SAMPLES]
            for start in range(0, len(samples), _CHECKED_ROWS):
                piece = np.ascontiguousarray(samples[start : start + _CHECKED_ROWS], layout.SAMPLE_DTYPE)
                crc, rows = zlib.crc32(piece.data, crc), rows + len(piece)
        if (rows, crc) != (self.rows, self._crc):
            raise StorageError(
                f"{self.path}: another program changed it while it was recorded; {self._journal_path} has all of it: "
                "make a new session of that"
            )

    def abandon(self) -> None:
        """Close without finishing, after an error: keep what can still be kept. Never raises; safe to call
        twice.

        The session stays unfinished and the journal stays beside it, for `recover`.
        """
        if self._closed:
            return
        self._file.spend_margin()
        with suppress(StorageError):
            self.flush()
        with suppress(StorageError):
            self._file.close()
        self._close_journal()

    def _open_journal(
        self,
        root: dict[str, str | int | float],
        live: dict[str, str | float],
        live_rate_hz: float,
        conditions: Weather | None,
    ) -> JournalWriter:
        header = JournalHeader(
            format_version=layout.FORMAT_VERSION,
            name=layout.clean_text(self.info.name),
            rate_hz=float(self.info.rate_hz),
            channels=[(layout.clean_text(c.name), layout.clean_text(c.unit)) for c in self.info.channels],
            root={k: layout.clean_text(v) if isinstance(v, str) else v for k, v in root.items()},
            live={k: layout.clean_text(v) if isinstance(v, str) else v for k, v in live.items()},
            live_rate_hz=live_rate_hz,
            conditions=conditions,
        )
        try:
            return JournalWriter(self._journal_path, header)
        except OSError as error:
            self._file.discard()
            with suppress(OSError):
                self._journal_path.unlink()
            raise disk.storage_error(self._journal_path, error, "nothing was recorded") from error

    def _write_tables(self) -> None:
        pending: list[tuple[str, Any]] = [
            (layout.GAPS, np.array(self._gaps, layout.GAP_DTYPE)),
            (layout.CLOCK, np.array(self._clock, layout.CLOCK_DTYPE)),
            (layout.ZEROS, tables.zero_rows(self._zeros)),
            (layout.EVENTS, tables.event_rows(self._events)),
            (layout.COMMANDS, tables.command_rows(self._commands)),
        ]
        if self._live:
            pending += [
                (layout.LIVE_TIME, np.concatenate([rows.time_s for rows in self._live])),
                (layout.LIVE_SPEED, np.concatenate([rows.speed_rpm for rows in self._live])),
                (layout.LIVE_LOAD, np.concatenate([rows.load for rows in self._live])),
                (layout.LIVE_SIGNAL, np.concatenate([rows.signal for rows in self._live])),
            ]
        for name, rows in pending:
            if len(rows):
                self._file.append_table(name, rows)
        for waiting in (self._gaps, self._clock, self._zeros, self._events, self._commands, self._live):
            waiting.clear()

    def _close_journal(self) -> None:
        self._closed = True
        if self._journal is not None:
            self._journal.close()
