"""A session that was cut off while recording, joined with its journal into a new, finished file."""

import shutil
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import numpy as np

from stream.errors import InputError
from stream.events import Event
from stream.record import disk, layout, tables
from stream.record.also import companions, copy_also
from stream.record.change import set_conditions
from stream.record.file import SessionFile
from stream.record.guard import read_rows
from stream.record.journal import JournalBlock, JournalReader
from stream.record.layout import SampleCount
from stream.record.names import is_taken, journal_path, need_name, session_of
from stream.record.session import BusyError, Session, open_session, reading_words
from stream.record.tables import Command, Zero


class _DamagedError(Exception):
    """The HDF5 part cannot be read to its end, though it opened."""

    def __init__(self, error: InputError) -> None:
        super().__init__(str(error))
        self.error = error


def recover(path: str | Path, out: str | Path | None = None) -> Path:
    """Make a finished session of a cut-off one: what the file holds, then what its journal holds beyond that.

    Brings back all but the block that was being written. Neither the session nor its journal is changed; the
    new file is `out`, or '<name>-recovered.h5' beside the session, and never one that is there. A missing or
    damaged journal costs what came after the last flush; a damaged session costs only the live rows, for the
    journal holds every sample. Returns the new file, without further devices: `study/take_in.py` brings these.
    Raises InputError (finished already, still being recorded, nothing left to join, the new name is taken) or
    StorageError.
    """
    path = need_name(session_of(Path(path)))
    new = path.with_name(f"{path.stem}-recovered.h5") if out is None else Path(out)
    if is_taken(new):
        raise InputError(
            f"{new}: is already there and is never overwritten; give another name", code="already-there", path=new
        )
    if companions(path) and is_finished(path):  # cut off between its own end and taking them in
        with disk.storage_words(new):
            shutil.copy2(path, new)
        return new
    with ExitStack() as stack:
        session, trouble = _open_cut_off(path)
        if session is not None:
            stack.enter_context(session)
        journal = _open_journal(path, trouble)
        if journal is not None:
            stack.enter_context(journal)
        _check_pair(path, session, journal)
        try:
            _join(new, session, journal)
        except _DamagedError as damaged:
            if journal is None:
                raise damaged.error from None
            _join(new, None, journal)
    return new


def is_finished(path: Path) -> bool:
    """Whether a session can be read and was finished. Raises BusyError."""
    try:
        with open_session(path) as session:
            return session.finished
    except BusyError:
        raise
    except InputError:
        return False


def _open_cut_off(path: Path) -> tuple[Session | None, InputError | None]:
    """The session, or why it cannot be read though a journal may make up for it."""
    try:
        session = open_session(path)
    except BusyError:
        raise
    except InputError as error:
        return None, error
    if session.finished:
        session.close()
        raise InputError(f"{path}: was finished properly; there is nothing to recover")
    return session, None


def _open_journal(path: Path, trouble: InputError | None) -> JournalReader | None:
    """The journal, or None where there is none that is fit; raises `trouble` where then nothing is left."""
    beside = journal_path(path)
    if not beside.exists():
        if trouble is not None:
            raise trouble
        return None
    try:
        return JournalReader(beside)
    except InputError:
        if trouble is not None:
            raise
        return None


def _check_pair(path: Path, session: Session | None, journal: JournalReader | None) -> None:
    if session is None or journal is None:
        return
    header = journal.header
    same_start = header.root.get("started_utc") == session.started_utc.isoformat()
    if not same_start or header.info != session.info:
        raise InputError(f"{journal.path}: belongs to another recording than {path}; move it away and try again")


def _join(new: Path, session: Session | None, journal: JournalReader | None) -> None:
    file = _begin(new, session, journal)
    try:
        if session is not None:
            _copy_session(file, session)
        if journal is not None:
            _add_journal(file, journal)
        _check_rows(file)
        file.flush()
        file.finish()
    except BaseException:
        file.discard()
        raise


def _check_rows(file: SessionFile) -> None:
    if not file.rows:
        raise InputError(f"{file.path}: not made, for no sample had been recorded; there is nothing to recover")


def _begin(new: Path, session: Session | None, journal: JournalReader | None) -> SessionFile:
    if session is not None:
        root = dict(session.h5.attrs)
        root["recovered_from"] = session.path.name
        live_rate_hz = session.h5[layout.LIVE_SPEED].chunks[0] / layout.LIVE_CHUNK_S
        return SessionFile(new, session.info, root, session.live_attributes(), live_rate_hz)
    if journal is None:
        raise ValueError("neither a session nor a journal to begin from")
    header = journal.header
    root = {**header.root, "recovered_from": journal.path.name}
    file = SessionFile(new, header.info, root, dict(header.live), header.live_rate_hz)
    set_conditions(file.h5, header.conditions)
    return file


def _copy_session(file: SessionFile, session: Session) -> None:
    """Samples, tables and calibrations as they stand; damage on the way is told apart from a full disk."""
    try:
        for _, samples in session.slabs():
            file.append_samples(samples)
        found: dict[str, Any] = {layout.GAPS: session.gaps, layout.CLOCK: session.clock}
        with reading_words(session.path):
            for name in (
                layout.HOLDS,
                layout.PINNED,
                layout.PULLS,
                layout.ZEROS,
                layout.EVENTS,
                layout.HEARD,
                layout.COMMANDS,
                *layout.LIVE,
            ):
                if name in session.h5:
                    found[name] = read_rows(session.h5[name])
            conditions = session.conditions
    except InputError as error:
        raise _DamagedError(error) from error
    for name, rows in found.items():
        file.append_table(name, rows)
    set_conditions(file.h5, conditions)
    copy_also(session.h5, file.h5)
    for name in session.h5[layout.CALIBRATIONS]:
        session.h5.copy(f"{layout.CALIBRATIONS}/{name}", file.h5[layout.CALIBRATIONS])


def _add_journal(file: SessionFile, journal: JournalReader) -> None:
    """What the journal holds beyond the rows, events and zeros that are already there."""
    tables_of = {Event: layout.EVENTS, Zero: layout.ZEROS, Command: layout.COMMANDS}
    known: dict[type, int] = {kind: len(file.h5[name]) for kind, name in tables_of.items()}
    events: list[Event] = []
    zeros: list[Zero] = []
    commands: list[Command] = []
    count = SampleCount(journal.header.rate_hz)
    gaps, clock = [], []
    for item in journal.items():
        if isinstance(item, JournalBlock):
            if item.place.row > file.rows:
                break  # a hole: what follows has no place
            if item.place.row == file.rows:
                gaps += count.gap_rows(item.place, item.block)
                row = count.clock_row(item.place, item.block)
                clock += [] if row is None else [row]
            beyond = item.block.samples[file.rows - item.place.row :]
            file.append_samples(beyond)
        elif known[type(item)] > 0:
            known[type(item)] -= 1
        elif isinstance(item, Event):
            events.append(item)
        elif isinstance(item, Command):
            commands.append(item)
        else:
            zeros.append(item)
    file.append_table(layout.GAPS, np.array(gaps, layout.GAP_DTYPE))
    file.append_table(layout.CLOCK, np.array(clock, layout.CLOCK_DTYPE))
    file.append_table(layout.EVENTS, tables.event_rows(events))
    file.append_table(layout.ZEROS, tables.zero_rows(zeros))
    file.append_table(layout.COMMANDS, tables.command_rows(commands))
