"""A session as a source."""

import threading
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from stream.block import Block, ChannelInfo, StreamInfo
from stream.errors import InputError
from stream.events import Event
from stream.live.records import LiveHead
from stream.record.writer import SessionWriter
from stream.sources.replay import ReplaySource
from stream.sources.source import Source

INFO = StreamInfo(100.0, (ChannelInfo("speed_v", "V"),), "box")


@pytest.fixture
def session(tmp_path: Path) -> Path:
    """Three seconds at 100 Hz, 50 samples lost after the first 120, the device begun anew after 200."""
    writer = SessionWriter(
        tmp_path / "s.h5",
        INFO,
        "",
        LiveHead(),
        tune="heron",
        started_utc=datetime(2026, 6, 1, tzinfo=UTC),
    )
    for first, rows, lost, restarted in ((0, 120, 0, False), (170, 80, 50, False), (250, 100, 0, True)):
        samples = np.arange(first, first + rows, dtype=np.float32).reshape(-1, 1)
        writer.append(Block(samples, first, 100.0, lost=lost, restarted=restarted))
    writer.add_events([Event(1, 1.8, "mark", "gate"), Event(2, 2.0, "hold-done", "found again, not copied")])
    writer.finish()
    return tmp_path / "s.h5"


def drain(source: ReplaySource) -> list[Block]:
    blocks: list[Block] = []
    while not source.finished:
        blocks += source.read(0.1)
    return blocks


def test_as_fast_as_possible(session: Path) -> None:
    """The same samples, indices, losses and restarts; notes come with the block they belong to."""
    source = ReplaySource(session)
    as_source: Source = source
    assert not as_source.realtime
    assert source.open() == INFO
    blocks = drain(source)
    notes = source.take_notes()
    source.close()
    source.close()

    index = np.concatenate([np.arange(0, 120), np.arange(170, 350)])
    np.testing.assert_array_equal(np.concatenate([block.samples[:, 0] for block in blocks]), index)
    np.testing.assert_array_equal(np.concatenate([np.arange(b.first, b.end) for b in blocks]), index)
    assert [(b.first, b.lost) for b in blocks if b.lost] == [(170, 50)]
    assert [b.first for b in blocks if b.restarted] == [250]
    assert [(n.kind, n.index) for n in notes] == [("gap", 170), ("mark", 180), ("device-back", 250)]
    assert source.take_notes() == []
    assert source.counters() == {"rows": 300, "lost_samples": 50, "restarts": 1}


class Clock:
    """Time that passes only while someone waits for it."""

    def __init__(self) -> None:
        self.now = 500.0

    def __call__(self) -> float:
        return self.now

    def wait(self, seconds: float) -> bool:
        self.now += seconds
        return False


@pytest.mark.parametrize("pace", [1.0, 4.0])
def test_paced(session: Path, pace: float) -> None:
    """No block comes before its last sample is due, nor later than that; lost time passes too."""
    clock = Clock()
    source = ReplaySource(session, pace, clock=clock, wait=clock.wait)
    source.open()
    came: list[tuple[float, Block]] = []
    while not source.finished:
        came += [(clock.now - 500.0, block) for block in source.read(0.007)]
    source.close()

    np.testing.assert_allclose([t for t, _ in came], [b.end / 100.0 / pace for _, b in came], atol=1e-9)
    assert came[-1][1].end == 350
    assert max(len(block) for _, block in came) == 2  # 20 ms


def test_stop_ends_a_wait(session: Path) -> None:
    """Another thread may end a replay that waits: here one that would take an hour and more."""
    source = ReplaySource(session, 1e-3)
    source.open()
    threading.Timer(0.02, source.stop).start()

    assert source.read(3600.0) == []
    assert source.finished
    source.close()


def test_not_a_session(tmp_path: Path) -> None:
    """What is no session is refused before anything is written."""
    with pytest.raises(InputError, match="no such session"):
        ReplaySource(tmp_path / "gone.h5").open()
