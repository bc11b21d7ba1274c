"""Blocks into a session and back, and what the writer refuses."""

import tempfile
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import h5py
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stream.block import Block, ChannelInfo, StreamInfo
from stream.errors import InputError, StorageError
from stream.events import Event
from stream.live.records import Hold, LiveHead, LiveRows, Pinned, Pull
from stream.record.session import open_session
from stream.record.tables import HoldMark, Zero
from stream.record.writer import SessionWriter

MakeWriter = Callable[..., SessionWriter]
CountedBlock = Callable[..., Block]

Cuts = list[tuple[int, int, bool]]


@given(
    origin=st.integers(0, 2**40),
    cuts=st.lists(st.tuples(st.integers(1, 90), st.integers(0, 2**33), st.booleans()), min_size=1, max_size=25),
    rows_per_block=st.integers(1, 200),
    flush_every=st.integers(1, 9),
)
def test_any_split_with_any_gaps_comes_back(
    make_writer_once: MakeWriter, origin: int, cuts: Cuts, rows_per_block: int, flush_every: int
) -> None:
    """Rows, gaps, restarts and first indices are those that were sent, whatever the blocks on either side."""
    info = StreamInfo(50.0, (ChannelInfo("a"), ChannelInfo("b")))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "s.h5"
        writer = make_writer_once(path, info, journal=False)
        sent: list[Block] = []
        first = origin
        rng = np.random.default_rng(len(cuts))
        for number, (rows, lost, restarted) in enumerate(cuts):
            first += lost
            block = Block(
                rng.random((rows, 2), dtype=np.float32),
                first,
                50.0,
                device_us=1 + number * 997,
                host_ns=number * 13,
                lost=lost,
                restarted=restarted,
            )
            writer.append(block)
            sent.append(block)
            first = block.end
            if number % flush_every == 0:
                writer.flush()
        writer.finish()
        with open_session(path) as session:
            back = list(session.blocks(rows_per_block))
            index = session.sample_index()
            lost_samples = session.lost_samples

    shift = sent[0].first
    expected_index = np.concatenate([np.arange(b.first, b.end) - shift for b in sent])
    np.testing.assert_array_equal(index, expected_index)
    np.testing.assert_array_equal(np.concatenate([b.samples for b in back]), np.concatenate([b.samples for b in sent]))
    np.testing.assert_array_equal(np.concatenate([np.arange(b.first, b.end) for b in back]), expected_index)
    told = {b.first - shift: (b.lost, b.restarted, b.device_us, b.host_ns) for b in sent[1:] if b.lost or b.restarted}
    assert {b.first: (b.lost, b.restarted, b.device_us, b.host_ns) for b in back if b.lost or b.restarted} == told
    assert lost_samples == sum(b.lost for b in sent[1:])
    assert all(len(b) <= rows_per_block for b in back)


@pytest.fixture(scope="module")
def make_writer_once() -> MakeWriter:
    from datetime import UTC

    def make(path: Path, info: StreamInfo, *, journal: bool) -> SessionWriter:
        return SessionWriter(
            path,
            info,
            "",
            LiveHead(rate_hz=50.0),
            tune="heron",
            started_utc=datetime(2026, 6, 1, tzinfo=UTC),
            journal=journal,
        )

    return make


def test_special_values_are_kept_to_the_bit(tmp_path: Path, make_writer: MakeWriter) -> None:
    """NaN with any payload, infinities and minus zero are what came off the wire."""
    bits = np.array([0x7FC00001, 0xFF800000, 0x80000000, 0x00000001], np.uint32)
    writer = make_writer(tmp_path / "s.h5")
    writer.append(Block(bits.view(np.float32).reshape(2, 2), 0, 1000.0))
    writer.finish()
    with open_session(tmp_path / "s.h5") as session:
        (block,) = session.blocks()

    np.testing.assert_array_equal(block.samples.view(np.uint32).ravel(), bits)


HOLD = Hold(
    start_s=1.0,
    end_s=4.5,
    signal_mean=2.5,
    signal_sem=0.01,
    speed_rpm=3870.0,
    speed_sd_rpm=21.0,
    drift_rpm_per_s=-3.0,
    load_mean=None,
    n_effective=17.0,
)
PULL = Pull(
    start_s=10.0,
    end_s=16.0,
    start_rpm=2100.0,
    end_rpm=6900.0,
    tune="heron",
    gear=None,
    verdict="flawed",
    faults=("lift", "lost-samples"),
)


def test_what_was_found_comes_back(tmp_path: Path, make_writer: MakeWriter, counted_block: CountedBlock) -> None:
    """Records, marks, zeros, events and live rows: None stays None, order and text stay."""
    holds = [HOLD, Hold(**{**{f: getattr(HOLD, f) for f in HOLD.__struct_fields__}, "load_mean": 0.5})]
    marks = [HoldMark(accepted=False), HoldMark(target_rpm=4000.0)]
    pinned = [Pinned(start_s=0.0, end_s=2.0, signal=0.31, at="bottom")]
    pulls = [PULL, Pull(**{**{f: getattr(PULL, f) for f in PULL.__struct_fields__}, "gear": 3, "faults": ()})]
    zeros = [Zero(start_s=5.0, end_s=7.0, mean=0.02, doubt=0.003, how="neutral, level, key")]
    events = [Event(1, 0.5, "mark", "gate · ½"), Event(2, 0.75, "note", "a\0b", 3.5)]
    speed, load = np.array([1.0, np.nan], np.float32), np.array([np.nan, 2], np.float32)
    live = LiveRows(np.array([0.0, 0.01]), speed, load, speed)
    writer = make_writer(tmp_path / "s.h5")
    writer.append(counted_block(0, 10))
    writer.append_live(live)
    writer.add_events(events[:1])
    writer.flush()
    writer.append_live(LiveRows(live.time_s + 0.02, speed, load, speed))
    writer.add_events(events[1:])
    writer.add_zero(zeros[0])
    writer.finish(holds, pinned, pulls, marks=marks, note="wet")

    with open_session(tmp_path / "s.h5") as session:
        assert list(session.holds) == holds
        assert list(session.hold_marks) == marks
        assert list(session.pinned) == pinned
        assert list(session.pulls) == pulls
        assert list(session.zeros) == zeros
        assert list(session.events) == [events[0], Event(2, 0.75, "note", "a�b", 3.5)]
        assert (session.tune, session.note, session.gear, session.finished) == ("heron", "wet", 3, True)
        rows = session.live()
        assert session.live_attributes()["delay_s"] == 0.042
    np.testing.assert_array_equal(rows.time_s, [0.0, 0.01, 0.02, 0.03])
    np.testing.assert_array_equal(rows.speed_rpm, [1.0, np.nan] * 2)
    np.testing.assert_array_equal(rows.load, [np.nan, 2.0] * 2)


def test_documented_layout_for_any_tool(recorded: Path) -> None:
    """Names, types and attributes as the format promises them to a reader that has only h5py."""
    with h5py.File(recorded) as file:
        root = dict(file.attrs)
        assert root["format"] == "steadypull-session"
        assert root["format_version"] == 1
        assert datetime.fromisoformat(root["started_utc"]).utcoffset() is not None
        assert (root["tune"], root["note"], root["finished"]) == ("heron", "dry, 18 °C", 1)
        assert root["car"].startswith("[car]")
        assert isinstance(root["software_version"], str)
        samples = file["raw/samples"]
        assert (samples.dtype, samples.shape, samples.maxshape) == (np.float32, (2500, 2), (None, 2))
        assert samples.chunks == (500, 2)  # half a second at 1000 Hz
        assert samples.attrs["rate_hz"] == 1000.0
        assert list(samples.attrs["names"]) == ["speed_v", "link"]
        assert list(samples.attrs["units"]) == ["V", "mV/V"]
        gaps = file["raw/gaps"]
        assert gaps.dtype == np.dtype([("index", "u8"), ("lost", "u8"), ("device_us", "u8"), ("host_ns", "i8")])
        assert gaps[:].tolist() == [(1200, 40, 6_240_000, 99)]
        clock = file["raw/clock"]
        assert clock.dtype == np.dtype([("index", "u8"), ("device_us", "u8"), ("host_ns", "i8")])
        assert clock[0].tolist() == (0, 5_000_000, 77)
        live = {name: file[f"live/{name}"] for name in ("speed", "load", "time")}
        assert [live[name].dtype for name in live] == [np.float32, np.float32, np.float64]
        assert [live[name].attrs["unit"] for name in live] == ["rpm", "mV/V", "s"]
        assert all({"filter", "delay_s", "calibration"} <= set(dataset.attrs) for dataset in live.values())
        columns = {name: set(file[name].dtype.names) for name in ("holds", "pinned", "pulls", "zeros", "events")}
        assert isinstance(file["calibrations"], h5py.Group)
    assert columns["holds"] >= {
        "start_s",
        "end_s",
        "signal_mean",
        "signal_sem",
        "speed_rpm",
        "speed_sd_rpm",
        "drift_rpm_per_s",
        "load_mean",
        "accepted",
        "target_rpm",
    }
    assert columns["pinned"] == {"start_s", "end_s", "signal", "at"}
    assert columns["pulls"] == {
        "start_s",
        "end_s",
        "start_rpm",
        "end_rpm",
        "tune",
        "gear",
        "verdict",
        "faults",
        "kept",
    }
    assert columns["zeros"] == {"start_s", "end_s", "mean", "doubt", "how"}
    assert columns["events"] >= {"time", "kind", "text"}


def test_clock_rows_come_at_most_four_a_second(tmp_path: Path, make_writer: MakeWriter) -> None:
    """Ten seconds in blocks of 20 ms."""
    writer = make_writer(tmp_path / "s.h5")
    for first in range(0, 10_000, 20):
        writer.append(Block(np.zeros((20, 2), np.float32), first, 1000.0, device_us=first * 1000 + 5))
    writer.finish()
    with open_session(tmp_path / "s.h5") as session:
        index = session.clock["index"].astype(int)
        blocks = list(session.blocks(20))

    assert 30 <= len(index) <= 40
    assert np.diff(index).min() >= 250
    assert [block.device_us for block in blocks] == [block.first * 1000 + 5 for block in blocks]


def test_loss_before_the_first_sample_does_not_count(
    tmp_path: Path, make_writer: MakeWriter, counted_block: CountedBlock
) -> None:
    """A session begins at its first sample, wherever the stream's own count stands."""
    writer = make_writer(tmp_path / "s.h5")
    writer.append(counted_block(500, 100, lost=500))
    writer.append(counted_block(610, 100, lost=10))
    writer.finish()
    with open_session(tmp_path / "s.h5") as session:
        assert session.lost_samples == 10
        assert session.duration_s == 0.21
        assert [(block.first, block.lost) for block in session.blocks()] == [(0, 0), (110, 10)]


def test_device_that_begins_anew_from_zero(
    tmp_path: Path, make_writer: MakeWriter, counted_block: CountedBlock
) -> None:
    """An index that runs backwards is a restart; the session's count goes on."""
    writer = make_writer(tmp_path / "s.h5")
    writer.append(counted_block(900, 100))
    writer.append(counted_block(0, 100, lost=30))
    writer.finish()
    with open_session(tmp_path / "s.h5") as session:
        blocks = list(session.blocks())

    assert [(b.first, b.lost, b.restarted) for b in blocks] == [(0, 0, False), (130, 30, True)]


def test_the_journal_stays_while_recording_and_goes_when_finished(
    tmp_path: Path, make_writer: MakeWriter, counted_block: CountedBlock
) -> None:
    """And the finished file has given back the room that was set aside."""
    path = tmp_path / "s.h5"
    writer = make_writer(path)
    writer.append(counted_block(0, 100))
    assert path.with_name("s.h5.journal").exists()
    writer.finish()

    assert [item.name for item in tmp_path.iterdir()] == ["s.h5"]
    assert path.stat().st_size < 100_000


def test_never_over_a_file_that_is_there(tmp_path: Path, make_writer: MakeWriter, recorded: Path) -> None:
    """Neither a session nor a journal that a cut-off recording left."""
    before = recorded.read_bytes()
    with pytest.raises(InputError, match="already there"):
        make_writer(recorded)
    lonely = tmp_path / "lonely.h5.journal"
    lonely.write_bytes(b"precious")
    with pytest.raises(InputError, match="recover"):
        make_writer(tmp_path / "lonely.h5")

    assert recorded.read_bytes() == before
    assert lonely.read_bytes() == b"precious"
    assert not (tmp_path / "lonely.h5").exists()


def test_folder_that_is_not_there(tmp_path: Path, make_writer: MakeWriter) -> None:
    """Recording to a missing folder is one line with the cure."""
    with pytest.raises(StorageError, match=r"gone/s\.h5: the folder does not exist; make it first"):
        make_writer(tmp_path / "gone" / "s.h5")


@pytest.mark.parametrize("length", [245, 300])
def test_a_name_that_is_too_long(tmp_path: Path, make_writer: MakeWriter, length: int) -> None:
    """For the session, or for the journal beside it alone: POSIX systems end names at 255 bytes."""
    with pytest.raises(StorageError, match="the name is too long; give a shorter one; nothing was recorded"):
        make_writer(tmp_path / ("x" * length + ".h5"))
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("channels", [0, 10_000])
def test_stream_that_no_session_can_hold(tmp_path: Path, make_writer: MakeWriter, channels: int) -> None:
    """Too many or no channels are refused before a file is made."""
    info = StreamInfo(1000.0, tuple(ChannelInfo(f"c{n}") for n in range(channels)))
    with pytest.raises(InputError, match=f"{channels} channels cannot be recorded"):
        make_writer(tmp_path / "s.h5", info)
    assert list(tmp_path.iterdir()) == []


def test_names_from_the_wire_with_odd_characters(tmp_path: Path, make_writer: MakeWriter) -> None:
    """Up to the largest count of channels; what HDF5 cannot hold is replaced, not a traceback."""
    names = ["a\0b", "\ud800", "\x07", "", *(f"channel number {n} ½" for n in range(1020))]
    writer = make_writer(tmp_path / "s.h5", StreamInfo(1000.0, tuple(ChannelInfo(name, "°\0") for name in names)))
    writer.append(Block(np.zeros((3, len(names)), np.float32), 0, 1000.0))
    writer.finish()
    with open_session(tmp_path / "s.h5") as session:
        assert session.info.names[:4] == ("a�b", "?", "\x07", "")
        assert session.info.names[-1] == "channel number 1019 ½"
        assert session.rows == 3


def test_disk_that_fails_once_is_not_trusted_again(
    tmp_path: Path, make_writer: MakeWriter, counted_block: CountedBlock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After a failed write every later one fails too, for it would leave a hole that nobody knows of."""
    import errno
    import os

    writer = make_writer(tmp_path / "s.h5")
    writer.append(counted_block(0, 100))

    def full(*_: object) -> int:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patch:
        patch.setattr(os, "write", full)
        with pytest.raises(StorageError, match="the disk is full"):
            writer.append(counted_block(100, 100))
    with pytest.raises(StorageError, match="the disk is full"):
        writer.append(counted_block(200, 100))
    with pytest.raises(StorageError, match="the disk is full"):
        writer.finish()
    writer.abandon()
    writer.abandon()

    with open_session(tmp_path / "s.h5") as session:
        assert not session.finished
        np.testing.assert_array_equal(session.raw("speed_v"), np.arange(100))
