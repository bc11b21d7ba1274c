"""A cut-off session and its journal, joined."""

import hashlib
import os
from collections.abc import Callable
from pathlib import Path

import h5py
import numpy as np
import pytest

from stream.block import Block
from stream.errors import InputError, StorageError
from stream.events import Event
from stream.record.journal import JournalBlock, JournalReader
from stream.record.names import journal_path
from stream.record.recover import recover
from stream.record.session import open_session
from stream.record.tables import Zero
from stream.record.writer import SessionWriter

WHOLE = np.concatenate([np.arange(1200), np.arange(1240, 2740), np.arange(2745, 2845)])


def digests(*paths: Path) -> list[str]:
    return [hashlib.sha256(path.read_bytes()).hexdigest() for path in paths]


def check_whole(path: Path, index: np.ndarray = WHOLE) -> None:
    with open_session(path) as session:
        assert session.finished
        np.testing.assert_array_equal(session.raw("speed_v"), index)
        np.testing.assert_array_equal(session.raw("link"), -index)
        np.testing.assert_array_equal(session.sample_index(), index)
        assert (session.tune, session.note, session.gear) == ("heron", "dry, 18 °C", 3)
        assert session.live_attributes()["filter"] == "4th-order low-pass, 10 Hz"


def test_joins_without_hole_or_double_rows(cut_off: Path) -> None:
    """And leaves what it joins as it was."""
    before = digests(cut_off, journal_path(cut_off))
    new = recover(cut_off)

    assert new == cut_off.with_name("cut-off-recovered.h5")
    check_whole(new)
    assert digests(cut_off, journal_path(cut_off)) == before
    with h5py.File(new) as file:
        assert file["raw/gaps"]["index"].tolist() == [1200, 2700]
        assert file.attrs["recovered_from"] == "cut-off.h5"


def test_journal_named_instead_of_the_session(cut_off: Path) -> None:
    """The journal's own name leads to the session beside it."""
    check_whole(recover(journal_path(cut_off)))


def test_without_journal_what_was_flushed_is_finished(cut_off: Path) -> None:
    """Without a journal, recovery keeps what was flushed."""
    journal_path(cut_off).unlink()
    check_whole(recover(cut_off), WHOLE[:2500])


@pytest.mark.parametrize("spoil", ["missing", "not HDF5", "truncated"])
def test_from_the_journal_alone(cut_off: Path, spoil: str) -> None:
    """A session that a power cut spoilt altogether is made again."""
    if spoil == "missing":
        cut_off.unlink()
    else:
        cut_off.write_bytes(b"\0" * 4096 if spoil == "not HDF5" else cut_off.read_bytes()[:3000])
    check_whole(recover(cut_off))


def test_session_that_opens_but_cannot_be_read_to_its_end(cut_off: Path) -> None:
    """Damage that shows only on the way: the journal makes up for it."""
    with h5py.File(cut_off, "r+") as file:
        del file["raw/gaps"]
    check_whole(recover(cut_off))


def test_torn_last_block_is_left_out(cut_off: Path) -> None:
    """A journal cut at any byte of its last record gives all but that block."""
    journal = journal_path(cut_off)
    whole = journal.read_bytes()
    for number, cut in enumerate((1, 4, 400, 850)):
        journal.write_bytes(whole[:-cut])
        new = recover(cut_off, cut_off.with_name(f"{number}.h5"))
        check_whole(new, WHOLE[:2700])


def test_reading_stops_at_the_first_bad_record(cut_off: Path) -> None:
    """One flipped bit, anywhere: what is before it is right, and nothing after it is believed."""
    journal = journal_path(cut_off)
    whole = bytearray(journal.read_bytes())
    with JournalReader(journal) as reader:
        ends = np.cumsum([len(item.block) for item in reader.items() if isinstance(item, JournalBlock)])
        assert not reader.torn
    header = whole.index(b"SJ1\n", 1)
    for place in range(header, len(whole), 991):
        spoilt = bytearray(whole)
        spoilt[place] ^= 16
        journal.write_bytes(spoilt)
        with JournalReader(journal) as reader:
            index = [item.block.samples[:, 0] for item in reader.items() if isinstance(item, JournalBlock)]
            assert reader.torn
        rows = sum(len(part) for part in index)
        assert rows in (0, *ends[:-1])
        np.testing.assert_array_equal(np.concatenate([*index, []]), WHOLE[:rows])


def test_length_that_lies_allocates_nothing(cut_off: Path) -> None:
    """A spoilt length in the journal allocates no memory."""
    journal = journal_path(cut_off)
    journal.write_bytes(journal.read_bytes() + b"SJ1\n\x02\xff\xff\xff\xff" + b"x" * 50)
    check_whole(recover(cut_off))


def test_damaged_beginning_of_the_journal(cut_off: Path) -> None:
    """Costs what was not flushed; with the session gone too there is a word."""
    journal_path(cut_off).write_bytes(b"rubbish")
    check_whole(recover(cut_off), WHOLE[:2500])
    cut_off.unlink()
    with pytest.raises(InputError, match="its beginning is damaged"):
        recover(cut_off, cut_off.with_name("again.h5"))


def test_journal_of_another_recording(cut_off: Path, tmp_path: Path, make_writer: Callable[..., SessionWriter]) -> None:
    """A journal that belongs to another recording is refused."""
    from datetime import UTC, datetime

    make_writer(tmp_path / "other.h5", started_utc=datetime(2026, 6, 2, tzinfo=UTC)).abandon()
    journal_path(cut_off).write_bytes((tmp_path / "other.h5.journal").read_bytes())
    with pytest.raises(InputError, match="belongs to another recording"):
        recover(cut_off)


def test_nothing_to_recover(recorded: Path, tmp_path: Path, make_writer: Callable[..., SessionWriter]) -> None:
    """A finished session, a name that is not there, a recording without a sample."""
    with pytest.raises(InputError, match="was finished properly; there is nothing to recover"):
        recover(recorded)
    with pytest.raises(InputError, match="no such session"):
        recover(tmp_path / "gone.h5")
    make_writer(tmp_path / "none.h5").abandon()
    with pytest.raises(InputError, match="no sample had been recorded"):
        recover(tmp_path / "none.h5")

    assert not list(tmp_path.glob("*-recovered.h5"))


def test_never_over_a_file_that_is_there(cut_off: Path) -> None:
    """Recovery never writes over a file."""
    new = recover(cut_off)
    before = digests(new)
    with pytest.raises(InputError, match="is already there and is never overwritten; give another name"):
        recover(cut_off)

    assert digests(new) == before


def test_marks_and_zeros_come_back_once(tmp_path: Path, make_writer: Callable[..., SessionWriter]) -> None:
    """Those in the session are not doubled by the journal, those after its last flush are not lost."""
    from stream.block import Block

    path = tmp_path / "s.h5"
    writer = make_writer(path)
    writer.append(Block(np.ones((50, 2), np.float32), 0, 1000.0))
    writer.add_events([Event(1, 0.01, "mark", "first")])
    writer.add_zero(Zero(start_s=0.0, end_s=0.02, mean=0.1, doubt=0.01, how="key"))
    writer.flush()
    flushed = path.read_bytes()
    writer.add_events([Event(2, 0.02, "mark", "second")])
    writer.add_zero(Zero(start_s=0.02, end_s=0.04, mean=0.2, doubt=0.01, how="free roll"))
    writer.abandon()
    path.write_bytes(flushed)

    with open_session(recover(path)) as session:
        assert [event.text for event in session.events] == ["first", "second"]
        assert [zero.how for zero in session.zeros] == ["key", "free roll"]


@pytest.mark.parametrize("left", [0, 1000, 5000, 12_000])
def test_a_session_that_another_program_cut_short_keeps_its_journal(
    tmp_path: Path, make_writer: Callable[..., SessionWriter], counted_block: Callable[..., Block], left: int
) -> None:
    """Cut to some bytes while it is recorded, the session is not called finished, and every row comes back."""
    path = tmp_path / "s.h5"
    writer = make_writer(path)
    writer.append(counted_block(0, 1200))
    writer.flush()
    assert path.stat().st_size > left
    os.truncate(path, left)
    writer.append(counted_block(1240, 1500, lost=40))
    writer.append(counted_block(2745, 100, lost=5))
    with pytest.raises(StorageError, match="another program"):
        writer.finish()
    writer.abandon()

    check_whole(recover(path))
