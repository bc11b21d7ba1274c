"""A session writer with everything but the interesting part filled in."""

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from stream.block import Block, ChannelInfo, StreamInfo
from stream.live.records import LiveHead
from stream.record.writer import SessionWriter

INFO = StreamInfo(1000.0, (ChannelInfo("speed_v", "V"), ChannelInfo("link", "mV/V")), "hill-climb box")
CAR = '[car]\nname = "hill-climb special"\n[[channel]]\nname = "speed_v"\nrole = "other"\n'


def make_writer(path: Path, info: StreamInfo = INFO, **changes: Any) -> SessionWriter:
    settings: dict[str, Any] = {
        "tune": "heron",
        "note": "dry, 18 °C",
        "gear": 3,
        "started_utc": datetime(2026, 6, 1, 9, 30, tzinfo=UTC),
        **changes,
    }
    return SessionWriter(path, info, CAR, LiveHead(100.0, "4th-order low-pass, 10 Hz", 0.042, "mV/V"), **settings)


def counted_block(first: int, rows: int, lost: int = 0, **fields: Any) -> Block:
    """Samples that carry their own index, so that a lost or doubled one is a wrong number."""
    index = np.arange(first, first + rows, dtype=np.float32)
    return Block(np.stack([index, -index], axis=1), first, INFO.rate_hz, lost=lost, **fields)


@pytest.fixture(name="make_writer")
def make_writer_fixture() -> Callable[..., SessionWriter]:
    return make_writer


@pytest.fixture(name="counted_block")
def counted_block_fixture() -> Callable[..., Block]:
    return counted_block


@pytest.fixture
def recorded(tmp_path: Path) -> Path:
    """A finished session of 2500 rows with 40 lost before row 1200."""
    path = tmp_path / "recorded.h5"
    writer = make_writer(path)
    writer.append(counted_block(0, 1200, device_us=5_000_000, host_ns=77))
    writer.append(counted_block(1240, 1300, lost=40, device_us=6_240_000, host_ns=99))
    writer.finish()
    return path


@pytest.fixture
def cut_off(tmp_path: Path) -> Path:
    """A session whose recorder died: 2500 rows flushed, 300 more (and a gap) in the journal only."""
    path = tmp_path / "cut-off.h5"
    writer = make_writer(path)
    writer.append(counted_block(0, 1200))
    writer.append(counted_block(1240, 1300, lost=40))
    writer.flush()
    _forget(writer, path)
    return path


def _forget(writer: SessionWriter, path: Path) -> None:
    """Add what only the journal gets to know, then close without a flush as a dying process would."""
    before = path.read_bytes()
    writer.append(counted_block(2540, 200))
    writer.append(counted_block(2745, 100, lost=5))
    writer.abandon()
    path.write_bytes(before)
