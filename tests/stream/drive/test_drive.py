"""A running drive: recordings begun and ended on the way, a disk that fails, and looks from other threads."""

import queue
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from stream.block import Block, StreamInfo
from stream.car import Car
from stream.drive.drive import Drive
from stream.drive.offline import run_offline
from stream.errors import InputError, PortError, StorageError
from stream.findings import note, warning
from stream.live.stage import LiveStage
from stream.record.session import open_session
from stream.record.writer import SessionWriter
from stream.sources.replay import ReplaySource
from stream.sources.source import SourceNote
from tests.drives import Plan, car, info

RATE = 200.0
PATIENCE_S = 30.0


class Hand:
    """A source that hands out what a test gives it. Implements Source."""

    realtime = True

    def __init__(self) -> None:
        self._given: queue.Queue[Block | Exception | None] = queue.Queue()
        self._notes: list[SourceNote] = []
        self._finished = False
        self.closed = 0
        self.rows = 0

    def give(self, samples: np.ndarray, lost: int = 0, piece: int = 10) -> None:
        """Samples in pieces of 50 ms, as a line gives them; `lost` are missing before the first."""
        for start in range(0, len(samples), piece):
            part = samples[start : start + piece]
            self.rows += lost
            self._given.put(Block(part, self.rows, RATE, device_us=round(self.rows * 1e6 / RATE), lost=lost))
            self.rows += len(part)
            lost = 0

    def fail(self, error: Exception) -> None:
        self._given.put(error)

    def end(self) -> None:
        self._given.put(None)

    def tell(self, note: SourceNote) -> None:
        self._notes.append(note)

    def open(self) -> StreamInfo:
        return info(RATE)

    def read(self, timeout_s: float) -> list[Block]:
        try:
            item = self._given.get(timeout=timeout_s)
        except queue.Empty:
            return []
        if isinstance(item, Exception):
            raise item
        if item is None:
            self._finished = True
            return []
        return [item]

    @property
    def finished(self) -> bool:
        return self._finished

    def take_notes(self) -> list[SourceNote]:
        notes, self._notes = self._notes, []
        return notes

    def counters(self) -> dict[str, int]:
        return {"rows": self.rows}

    def stop(self) -> None:
        self._finished = True

    def close(self) -> None:
        self.closed += 1


def until(what: Callable[[], bool]) -> None:
    """Wait for something that must come."""
    deadline = time.monotonic() + PATIENCE_S
    pause = threading.Event()
    while not what():
        assert time.monotonic() < deadline, "it never came"
        pause.wait(0.002)


@contextmanager
def running(folder: Path | None, its_car: Car | None = None, **options: object) -> Iterator[tuple[Drive, Hand]]:
    """A drive on a source in the test's hand, while another thread looks at it without pause."""
    source = Hand()
    drive = Drive(source, its_car or car(), folder=folder, **options)
    looked: list[BaseException] = []
    over = threading.Event()

    def look() -> None:
        try:
            while not over.wait(0.001):
                drive.status()
                drive.events.since(0)
                if drive.info is not None:
                    drive.raw_cursor().close()
                    drive.live_cursor().read()
        except BaseException as error:  # noqa: BLE001 - raised again below
            looked.append(error)

    looker = threading.Thread(target=look, name="looker")
    looker.start()
    try:
        drive.start()
        assert drive.wait_open(PATIENCE_S)
        yield drive, source
    finally:
        drive.stop()
        drive.done.wait(PATIENCE_S)
        over.set()
        looker.join(PATIENCE_S)
    if looked:
        raise looked[0]


def taken(drive: Drive, rows: int) -> Callable[[], bool]:
    """Whether the live stage of the session that runs has had so many rows."""
    return lambda: drive.stage is not None and drive.stage.rows == rows


def replayed(path: Path) -> tuple[object, ...]:
    """What a replay finds, pinned and pulls included."""
    stage = run_offline(ReplaySource(path), car(), tune="", gear=None, started_utc=datetime.now(UTC))
    return tuple(stage.holds), tuple(stage.pinned), tuple(stage.pulls)


def test_recordings_begun_and_ended_on_the_way_are_sessions_of_their_own(tmp_path: Path) -> None:
    """Together they hold what was recorded, to the bit, and the replay of each equals what its live run found."""
    plan = Plan(11, rate_hz=RATE).hold(2000, 5).ramp(3000, 500).hold(3000, 5).ramp(1500, 500).hold(1500, 5)
    samples = plan.samples()
    a, b = 6 * int(RATE), int(9.5 * RATE)  # the rest of the second hold is too short for one
    with running(tmp_path) as (drive, source):
        source.give(samples[:a])
        until(taken(drive, a))
        drive.stop_recording()
        until(lambda: not drive.status().recording)
        source.give(samples[a:b], lost=3)
        until(taken(drive, b - a))
        drive.start_recording()
        until(lambda: drive.status().recording)
        source.give(samples[b:], lost=5)
        source.end()
        drive.join(PATIENCE_S)
        assert drive.status().state == "finished"
        first, second = drive.recorded

    assert source.closed >= 1
    for path, expected in ((first, samples[:a]), (second, samples[b:])):
        with open_session(path) as session:
            assert session.finished
            raw = np.column_stack([session.raw(name) for name in session.info.names])
            np.testing.assert_array_equal(raw, expected)
            assert session.lost_samples == 0, "what was lost before a session's first sample is not its loss"
            assert (session.holds, session.pinned, session.pulls) == replayed(path)
            assert len(session.holds) == 1
            live = session.live()
            assert len(live) == len(expected) // 2
            assert live.time_s[0] <= 0 < live.time_s[-1]
    assert list(tmp_path.glob("*.journal")) == []


def test_another_tune_is_another_file(tmp_path: Path) -> None:
    """A session has one tune; the same tune again changes nothing."""
    samples = Plan(2, rate_hz=RATE).hold(2000, 6).samples()
    half = len(samples) // 2
    with running(tmp_path, tune="heron", gear=3) as (drive, source):
        source.give(samples[:half])
        until(taken(drive, half))
        drive.set_tune("heron")
        drive.mark("before")
        until(lambda: any(event.kind == "mark" for event in drive.events.since(0)[0]))
        drive.set_tune("plover")
        until(lambda: len(drive.recorded) == 2)
        source.give(samples[half:])
        source.end()
        drive.join(PATIENCE_S)

    names = [path.name for path in drive.recorded]
    assert [name.rsplit("-", 1)[1] for name in names] == ["heron.h5", "plover.h5"]
    for path, tune, part in zip(drive.recorded, ("heron", "plover"), (samples[:half], samples[half:]), strict=True):
        with open_session(path) as session:
            assert (session.tune, session.gear, session.rows) == (tune, 3, len(part))
            marks = [event.text for event in session.events if event.kind == "mark"]
            assert marks == (["before"] if tune == "heron" else [])


def test_knock_that_was_heard_is_kept_with_its_speeds(tmp_path: Path) -> None:
    """The key at a steady 2000 rpm: an event at that moment, and a row of /heard that holds 2000 rpm, in that session
    alone. Tolerance: the car file's line and the filter's settling."""
    samples = Plan(2, rate_hz=RATE).hold(2000, 6).samples()
    half = len(samples) // 2
    with running(tmp_path, tune="heron", gear=3) as (drive, source):
        source.give(samples[:half])
        until(taken(drive, half))
        drive.knock_heard()
        until(lambda: any(event.kind == "knock-heard" for event in drive.events.since(0)[0]))
        drive.set_tune("plover")
        until(lambda: len(drive.recorded) == 2)
        source.give(samples[half:])
        source.end()
        drive.join(PATIENCE_S)

    with open_session(drive.recorded[0]) as session:
        (row,) = session.heard
        (event,) = [one for one in session.events if one.kind == "knock-heard"]
        assert (row.pull, row.heard) == (0, True)
        assert row.rpm_from is not None
        assert row.rpm_to is not None
        speeds = session.live().speed_rpm
        assert row.rpm_from >= np.nanmin(speeds) - 1
        assert row.rpm_to <= np.nanmax(speeds) + 1
        assert row.rpm_from < np.nanmedian(speeds) < row.rpm_to + 1
        assert event.time_s == pytest.approx(half / RATE, abs=0.3)
    with open_session(drive.recorded[1]) as session:
        assert session.heard == ()


def test_a_disk_that_fails_leaves_the_rest_alive(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Live numbers go on, the failure is shown and told at once, and join raises it at the very end."""
    real = SessionWriter.append
    kept = threading.Event()

    def append(writer: SessionWriter, block: Block) -> None:
        if kept.is_set():
            raise StorageError("the disk is full")
        real(writer, block)
        if writer.rows == 500:
            kept.set()

    monkeypatch.setattr(SessionWriter, "append", append)
    samples = Plan(4, rate_hz=RATE).hold(2000, 8).samples()
    with running(tmp_path) as (drive, source):
        source.give(samples[:500])
        assert kept.wait(PATIENCE_S)
        source.give(samples[500:800])
        until(lambda: drive.status().state == "failed")
        rows = drive.live_cursor()
        source.give(samples[800:])
        until(taken(drive, len(samples)))
        assert len(rows.read()) > 0
        assert drive.status().failure == "the disk is full"
        assert "the disk is full" in [event.text for event in drive.events.since(0)[0] if event.kind == "fault"]
        source.end()
        drive.done.wait(PATIENCE_S)
        assert drive.stage is not None
        assert len(drive.stage.holds) == 1
        with pytest.raises(StorageError, match="the disk is full"):
            drive.join()

    with open_session(drive.recorded[0]) as session:
        assert not session.finished
        np.testing.assert_array_equal(session.raw("speed_v"), samples[:500, 0])


def test_recording_can_be_tried_again_after_a_failure(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Off and on again begins a new file; the broken one stays as it is."""
    real = SessionWriter.append
    broken = threading.Event()
    broken.set()

    def append(writer: SessionWriter, block: Block) -> None:
        if broken.is_set():
            raise StorageError("the disk is full")
        real(writer, block)

    monkeypatch.setattr(SessionWriter, "append", append)
    samples = Plan(4, rate_hz=RATE).hold(2000, 5).samples()
    with running(tmp_path) as (drive, source):
        source.give(samples[:200])
        until(lambda: drive.status().state == "failed")
        broken.clear()
        drive.stop_recording()
        until(lambda: not drive.status().recording)
        drive.start_recording()
        until(lambda: len(drive.recorded) == 2)
        source.give(samples[200:])
        source.end()
        drive.done.wait(PATIENCE_S)

    with open_session(drive.recorded[1]) as session:
        assert session.finished
        assert session.rows == len(samples) - 200


def test_notes_and_marks_stand_at_their_place_in_the_session(tmp_path: Path) -> None:
    """Times count from the session's first sample, and a gap is told once."""
    samples = Plan(6, rate_hz=RATE).hold(2000, 4).samples()
    with running(tmp_path) as (drive, source):
        source.tell(SourceNote("note", 100, "device: hello"))
        source.give(samples[:400])
        until(taken(drive, 400))
        drive.mark("bump")
        source.give(samples[400:], lost=40)
        source.end()
        drive.join(PATIENCE_S)

    with open_session(drive.recorded[0]) as session:
        told = {event.kind: event for event in session.events}
        assert told["note"].time_s == pytest.approx(0.5)
        assert told["mark"].time_s == pytest.approx(2.0, abs=0.3)
        assert told["gap"].value == 40
        assert sum(event.kind == "gap" for event in session.events) == 1
        kinds = [event.kind for event in session.events]
        assert (kinds[0], kinds[-1]) == ("recording-began", "recording-ended")


def test_no_limit_is_watched_while_the_device_is_away() -> None:
    """One event for each watched channel when the device goes, and the status names it until it is back."""
    limits = "".join(f'[[limit]]\nchannel = "link"\n{edge}\n' for edge in ("above = 9.0", "below = -9.0"))
    with running(None, its_car=car(extra=limits)) as (drive, source):
        source.give(Plan(6, rate_hz=RATE).hold(2000, 1).samples())
        until(taken(drive, 200))
        source.tell(SourceNote("device-away", 200, warning("device-away", port="ttyX", reason="")))
        until(lambda: drive.status().state == "away")
        blind = drive.status().blind_limits
        source.tell(SourceNote("device-back", 200, note("device-back", port="ttyX", seconds=1.0)))
        until(lambda: drive.status().state == "running")
        seen = drive.status().blind_limits
        source.end()
        drive.join(PATIENCE_S)

    told = [event for event in drive.events.since(0)[0] if event.kind == "limit-blind"]
    assert [(event.details or {})["channel"] for event in told] == ["link"]
    assert (blind, seen) == (("link",), ())


def test_without_a_folder_nothing_is_recorded_and_asking_for_it_says_so() -> None:
    """The live numbers are there all the same."""
    with running(None) as (drive, source):
        source.give(Plan(1, rate_hz=RATE).hold(2000, 4).samples())
        until(taken(drive, 800))
        with pytest.raises(StorageError, match="start again with one"):
            drive.start_recording()
        source.end()
        drive.join(PATIENCE_S)
        assert drive.recorded == []
        assert not drive.status().recording


def test_a_folder_that_goes_away_is_told(tmp_path: Path) -> None:
    """Starting a recording where no file can be made ends in words, not silence."""
    folder = tmp_path / "gone"
    with running(folder) as (drive, _):
        drive.done.wait(PATIENCE_S)
        assert drive.status().state == "failed"
        with pytest.raises((StorageError, InputError), match="folder does not exist"):
            drive.join()


@pytest.mark.parametrize("error", [PortError("x: gone for good"), RuntimeError("a defect")])
def test_what_ends_the_reader_is_raised_by_join_and_the_recording_is_finished(tmp_path: Path, error: Exception) -> None:
    """Nothing dies silently, and what came before is safe."""
    samples = Plan(1, rate_hz=RATE).hold(2000, 4).samples()
    with running(tmp_path) as (drive, source):
        source.give(samples)
        source.fail(error)
        with pytest.raises(type(error), match=str(error)):
            drive.join(PATIENCE_S)
        assert drive.status().state == "failed"

    with open_session(drive.recorded[0]) as session:
        assert session.finished
        assert session.rows == len(samples)


def test_a_source_that_cannot_be_opened_is_raised_at_once(tmp_path: Path) -> None:
    """wait_open raises what open raised; no file is begun."""

    class Closed(Hand):
        def open(self) -> StreamInfo:
            raise PortError("x: no such port")

    drive = Drive(Closed(), car(), folder=tmp_path)
    drive.start()
    with pytest.raises(PortError, match="no such port"):
        drive.wait_open(PATIENCE_S)
    assert drive.done.wait(PATIENCE_S)
    assert drive.status().state == "failed"
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("where", ["push", "finish"])
def test_a_detector_that_fails_costs_no_sample_and_no_patience(tmp_path: Path, monkeypatch, where: str) -> None:
    """A defect in the live stage ends the drive with its own error; what came is recorded, and nobody waits."""
    samples = Plan(12).hold(3000, 6).samples()
    source = Hand()
    drive = Drive(source, car(), folder=tmp_path)

    def broken(*_: object) -> None:
        raise ZeroDivisionError("planted")

    monkeypatch.setattr(LiveStage, where, broken)

    source.give(samples)
    source.end()
    drive.start()

    assert drive.done.wait(PATIENCE_S)
    with pytest.raises(ZeroDivisionError, match="planted"):
        drive.join()
    with open_session(drive.recorded[0]) as session:
        assert session.finished
        recorded = session.raw("speed_v")
    assert np.array_equal(recorded, samples[: len(recorded), 0])
    assert len(recorded) == len(samples) or where == "push"
