"""Which state is shown when several things are wrong, and for how long."""

import dataclasses

import pytest

from stream.block import ChannelInfo, StreamInfo
from stream.drive.status import DriveStatus
from stream.events import Event
from stream.live.records import Health
from ui.window.watch import QUIET_S, SHOWN_S, State, Watch

FINE = Health(1000.0, 100, 0, {"link": 0}, {})
RUNNING = DriveStatus("running", health=FINE, disk_free_bytes=40_000_000_000)


class Drive:
    """A watch with a clock of its own, fed a running drive."""

    def __init__(self) -> None:
        self.now = 0.0
        self.status = RUNNING
        self.watch = Watch(lambda: self.now)
        self.look()

    def look(self, *events: Event, after_s: float = 0.02, info: StreamInfo | None = None, **changes: object) -> State:
        self.now += after_s
        still = "time_s" in changes
        self.status = dataclasses.replace(self.status, **changes)
        if not still:
            self.status = dataclasses.replace(self.status, time_s=self.now)
        return self.watch.look(self.status, events, info)


@pytest.fixture
def drive() -> Drive:
    return Drive()


def test_clipping_is_shown_when_it_grows_then_leaves(drive: Drive) -> None:
    """Clipping is shown while it grows."""
    clipped = dataclasses.replace(FINE, clipped_samples={"link": 7})
    assert drive.look(health=clipped) == State("caution", "Signal clipped", "link: outside its range, 7 samples so far")
    assert drive.look(after_s=SHOWN_S - 0.1).title == "Signal clipped"
    assert drive.look(after_s=0.2).title == "Not recording"


def test_lost_samples_are_shown_when_they_grow(drive: Drive) -> None:
    """Losses are shown while they grow."""
    state = drive.look(health=dataclasses.replace(FINE, lost_samples=1200))

    assert (state.level, state.title) == ("caution", "Samples lost")
    assert state.detail.startswith("1\u202f200 so far")


def test_a_running_stream_that_brings_nothing(drive: Drive) -> None:
    """A stream that brings nothing is said after a while."""
    at = drive.status.time_s
    assert drive.look(after_s=QUIET_S - 0.1, time_s=at).title == "Not recording"
    state = drive.look(after_s=0.2, time_s=at)
    assert (state.level, state.title) == ("fault", "No data")
    assert drive.look().title == "Not recording"


def test_the_gravest_first(drive: Drive) -> None:
    """Of several states the gravest is shown."""
    worse = dataclasses.replace(FINE, clipped_samples={"link": 7}, lost_samples=9)
    drive.look(health=worse, disk_free_bytes=50_000_000)
    assert drive.look().title == "Disk full soon"
    assert drive.look(state="away").title == "Device away"
    assert drive.look(Event(1, 0.0, "limit", "egt 912, above 900")).title == "LIFT"
    assert drive.look(state="failed", failure="gone for good") == State("fault", "Stopped by a fault", "gone for good")


def test_little_disk_counts_minutes_of_this_stream(drive: Drive) -> None:
    # 16 channels × 20 kHz × 4 bytes, written twice: 2.56 MB/s, so 1.2 GB is under 8 minutes
    """Room on the disk is told in minutes of this stream."""
    info = StreamInfo(20_000.0, tuple(ChannelInfo(str(n)) for n in range(16)))
    assert drive.look(disk_free_bytes=1_200_000_000).title == "Not recording"
    state = drive.look(info=info)

    assert state == State("caution", "Disk nearly full", "1.2 GB left, about 8 min of recording")


def test_recording_time_counts_from_its_start(drive: Drive) -> None:
    """Recording time counts from the recording's start."""
    drive.look(after_s=10.0)
    drive.look(Event(1, drive.now, "recording-began", ""), recording=True)
    assert drive.look(after_s=125.0).title == "Recording 02:05"
    assert drive.look(recording=False).title == "Not recording"


def test_a_device_that_comes_back_starts_the_wait_anew(drive: Drive) -> None:
    """The wait for a device begins anew each time."""
    drive.look(state="away")
    assert "00:30" in drive.look(after_s=30.0).detail
    drive.look(state="running")
    drive.look(state="away")
    assert "00:02" in drive.look(after_s=2.0).detail


def test_opening_and_finished_are_calm(drive: Drive) -> None:
    """Opening and finished are no alarms."""
    assert drive.look(state="opening", health=None).level == "wait"
    assert drive.look(state="finished", health=None).title == "Finished"
