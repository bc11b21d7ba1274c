"""A source that does not run in real time, through the live stage and into a session, in one thread.

The session that holds a recording and a controller's log both is written here too.
"""

from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import msgspec

from stream.car import Car
from stream.drive.zero_key import ZeroKey, refused, zero_taken
from stream.errors import InputError, StorageError
from stream.events import EventFile, EventList
from stream.findings import Finding, plain
from stream.live.records import LiveHead
from stream.live.stage import LiveStage
from stream.record.change import change_session, set_calibration
from stream.record.session import open_session
from stream.record.tables import Command, append_rows, zero_rows
from stream.record.writer import SessionWriter
from stream.sources.csvlog import CsvSource
from stream.sources.log_columns import ControllerLog
from stream.sources.source import Source
from stream.study.clock import Merger
from stream.study.dataset import Dataset


def run_offline(
    source: Source,
    car: Car,
    *,
    tune: str,
    gear: int | None,
    started_utc: datetime | Callable[[], datetime],
    dated: Callable[[], bool] = lambda: True,
    note: str = "",
    path: Path | None = None,
    progress: Callable[[int], None] | None = None,
    event_file: EventFile | None = None,
    say: Callable[[Finding], str] = plain,
) -> LiveStage:
    """Pass a whole source through a live stage; with `path`, write the session too.

    A `started_utc` that must be asked, and whether it is a date (`dated`), is asked once the source is open. `progress`
    is told the index behind each block; `event_file` gets every event; `say` makes the text of what is told as a
    finding. The source is opened here and closed at the end. Raises what the source raises, and StorageError: the
    session is then left as the last flush had it. Stopped for another reason (the source is damaged, Ctrl-C) it leaves
    none.
    """
    try:
        info = source.open()
        events = EventList(1 << 20, say)
        if event_file is not None:
            events.watch(event_file)
        stage = LiveStage(car, info, events, tune, gear)
        writer = None
        if path is not None:
            began = started_utc() if callable(started_utc) else started_utc
            writer = SessionWriter(
                path,
                info,
                car.text,
                stage.head,
                tune=tune,
                gear=gear,
                note=note,
                started_utc=began,
                dated=dated(),
                journal=False,
            )
        try:
            _pump(source, stage, writer, progress)
            rows = stage.finish()
            if writer is not None:
                writer.append_live(rows)
                writer.add_events(events.since(0)[0])
                writer.finish(stage.holds, stage.pinned, stage.pulls)
        except BaseException as error:
            if writer is not None:
                writer.abandon()
                if path is not None and not isinstance(error, StorageError):
                    path.unlink(missing_ok=True)  # half of it is of no use to anyone: the source is still there
            raise
    finally:
        source.close()
        if event_file is not None:
            event_file.close()
    return stage


def import_log(
    source: CsvSource,
    car: Car,
    *,
    tune: str,
    gear: int | None,
    note: str,
    path: Path,
    progress: Callable[[int], None],
    say: Callable[[Finding], str] = plain,
) -> LiveStage | None:
    """A log into a session, through a live stage; None where the car file has no engine speed: then its samples are
    written and nothing is looked for in them. Raises as `run_offline`; a source that fails leaves no session.
    """
    if car.by_role("engine_speed") is None:
        _record_only(source, car, tune, gear, note, path, progress)
        return None
    car.speed_line("an import")
    return run_offline(
        source,
        car,
        tune=tune,
        gear=gear,
        started_utc=lambda: source.started_utc,
        dated=lambda: source.dated,
        note=note,
        path=path,
        progress=progress,
        say=say,
    )


def _record_only(
    source: CsvSource,
    car: Car,
    tune: str,
    gear: int | None,
    note: str,
    path: Path,
    progress: Callable[[int], None],
) -> None:
    try:
        info = source.open()
        writer = SessionWriter(
            path,
            info,
            car.text,
            LiveHead(rate_hz=car.live.rate_hz),
            tune=tune,
            gear=gear,
            note=note,
            started_utc=source.started_utc,
            dated=source.dated,
            journal=False,
        )
        origin: int | None = None
        try:
            while not source.finished:
                for block in source.read(0.1):
                    origin = block.first if origin is None else origin
                    writer.append(block)
                    progress(block.end - origin)
            writer.finish()
        except BaseException as error:
            writer.abandon()
            if not isinstance(error, StorageError):
                path.unlink(missing_ok=True)
            raise
    finally:
        source.close()


def _pump(
    source: Source, stage: LiveStage, writer: SessionWriter | None, progress: Callable[[int], None] | None
) -> None:
    origin: int | None = None
    zero_key = ZeroKey(stage.car, stage.info)
    while not source.finished:
        for block in source.read(0.1):
            origin = block.first if origin is None else origin
            rows = stage.push(block)
            zero_key.hear(block.first - origin, block, rows)
            if writer is not None:
                writer.append(block)
                writer.append_live(rows)
            if progress is not None:
                progress(block.end - origin)
        for note in source.take_notes():
            index = max(0, note.index - (origin or 0))
            command = Command(index=index, kind=note.kind, value=str(note.what))
            if note.command and note.kind == "zero":
                _zero_again(zero_key, command, stage, writer)
                continue
            if note.command and writer is not None:
                writer.add_commands([command])
            if note.kind != "gap" and (not note.command or note.kind == "mark"):
                at = index / stage.info.rate_hz
                stage.events.add(at, note.kind, note.what)


def _zero_again(key: ZeroKey, command: Command, stage: LiveStage, writer: SessionWriter | None) -> None:
    """The zero that a person declared in the recording, measured again."""
    try:
        zero = key.again(command)
    except InputError as error:
        stage.events.add(stage.time_s, "zero", refused(error), details={"refused": True})
        return
    what = zero_taken(zero, stage.car, kept=True)
    stage.events.add(zero.end_s, "zero", what, zero.mean, details={"zero": msgspec.to_builtins(zero)})
    if writer is not None:
        writer.add_commands([command])
        writer.add_zero(zero)


def write_merged(
    merger: Merger,
    session: Dataset,
    log: ControllerLog,
    target: Path,
    progress: Callable[[int], None],
    say: Callable[[Finding], str],
) -> None:
    """The new session; zeros and calibrations go with it, holds and pulls are found again.

    progress   is given the row that is reached
    say        makes the text of what is told as a finding

    Raises StorageError, InputError.
    """
    with open_session(session.path) as file:
        note, calibrations = file.note, file.calibrations()
    note = f"{note}; " if note else ""
    run_offline(
        merger.source,
        merger.car,
        tune=session.tune,
        gear=session.gear,
        started_utc=session.started_utc,
        dated=lambda: session.session.dated,
        note=f"{note}{session.path.name} with {log.path.name}",
        path=target,
        progress=progress,
        say=say,
    )
    if not session.zeros and not calibrations:
        return

    def carry_over(file: object) -> None:
        append_rows(file, "zeros", zero_rows(session.zeros))
        for name, attributes in calibrations.items():
            set_calibration(file, name, attributes)

    change_session(target, carry_over)
