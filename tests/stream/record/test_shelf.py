"""The shelf: every session under a folder is listed as it is, from the index as from the files."""

import os
import shutil
import sqlite3
import threading
from datetime import UTC, datetime
from pathlib import Path

import h5py
import numpy as np
import pytest

from stream.errors import InputError
from stream.record.change import write_note
from stream.record.shelf import Shelf, ShelfIndex, scan
from stream.record.summary import summarise
from tests.pull_sessions import write_pull_session
from ui.text.findings import say, say_all
from ui.text.shelf import trouble


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Three sessions in two folders, one of them cut off, and a file that is none."""
    root = tmp_path / "sessions"
    (root / "june").mkdir(parents=True)
    write_pull_session(root / "june" / "a.h5", 1, "heron", faults=("wheelspin",), note="dry, 18 °C")
    write_pull_session(root / "b.h5", 2, "plover", started=datetime(2026, 6, 2, 9, 0, tzinfo=UTC))
    shutil.copy(root / "b.h5", root / "cut.h5")
    with h5py.File(root / "cut.h5", "r+") as file:
        file.attrs["finished"] = 0
    (root / "broken.h5").write_bytes(b"no session at all")
    (root / "notes.txt").write_text("not looked at")
    return root


def listed(folder: Path, index_path: Path) -> tuple[Shelf, list[int]]:
    """The shelf through an index, and after how many files something was told: a file read is a file told."""
    told: list[int] = []
    with ShelfIndex(index_path) as index:
        return scan(folder, index, lambda done, found: told.append(done)), told


def test_a_session_is_summed_up_as_its_file_has_it(folder: Path) -> None:
    """Held against the file itself, read with h5py alone."""
    path = folder / "june" / "a.h5"
    found = summarise(path)

    with h5py.File(path, "r") as file:
        verdicts = [row["verdict"].decode() for row in file["pulls"][:]]
        rows = len(file["raw/samples"])
        low, high = (0.0, -2.0), (4.9, 2.0)  # the ranges that the scenario's car file states
        raw = file["raw/samples"][:]
        clipped = int(np.count_nonzero((raw < low) | (raw > high)))
        assert found.holds == len(file["holds"])
        assert found.zeros == len(file["zeros"])
    assert (found.pulls_clean, found.pulls_flawed) == (verdicts.count("clean"), verdicts.count("flawed"))
    assert found.faults["wheelspin"] == 1
    assert found.duration_s == pytest.approx(rows / 1000.0)
    assert (found.tunes, found.gear, found.car, found.note) == (("heron",), 3, "hill-climb special", "dry, 18 °C")
    assert (found.state, found.lost_samples, found.clipped_samples, found.trouble) == ("finished", 0, clipped, "")


def test_clipped_samples_are_counted(folder: Path) -> None:
    """Samples outside their channel's range are counted as the live stage counts them."""
    path = folder / "b.h5"
    before = summarise(path).clipped_samples
    with h5py.File(path, "r+") as file:
        file["raw/samples"][100:107, 1] = 2.5

    assert summarise(path).clipped_samples == before + 7


def test_everything_is_listed_newest_first_and_the_unreadable_last(folder: Path, tmp_path: Path) -> None:
    """The newest session stands first, the unreadable ones last."""
    shelf, told = listed(folder, tmp_path / "index.sqlite")

    assert [Path(session.path).name for session in shelf.sessions] == ["b.h5", "cut.h5", "a.h5", "broken.h5"]
    assert [session.state for session in shelf.sessions] == ["finished", "cut-off", "finished", "broken"]
    assert trouble(shelf.sessions[1]) == "cut off while recording; what it holds can be used"
    assert shelf.sessions[3].trouble.startswith("is not a session file (not HDF5); give a file")
    assert told == [1, 2, 3, 4]
    assert shelf.findings == ()


def test_only_what_changed_is_read_again(folder: Path, tmp_path: Path) -> None:
    """A second look reads nothing; then a note, a new file and one that is gone are seen, and nothing else is read."""
    index = tmp_path / "index.sqlite"
    first, _ = listed(folder, index)
    second, told = listed(folder, index)
    assert second == first
    assert told == []

    write_note(folder / "b.h5", "new plugs")
    (folder / "cut.h5").unlink()
    third, told = listed(folder, index)

    assert len(told) == 1
    assert {Path(s.path).name: s.note for s in third.sessions} == {
        "b.h5": "new plugs",
        "a.h5": "dry, 18 °C",
        "broken.h5": "",
    }
    with sqlite3.connect(index) as database:
        assert database.execute("SELECT count(*) FROM session").fetchone() == (3,)
    database.close()


def test_a_note_leaves_the_raw_part_alone(folder: Path) -> None:
    """Writing a note changes no raw byte."""
    with h5py.File(folder / "b.h5", "r") as file:
        before = file["raw/samples"][:].tobytes()
    write_note(folder / "b.h5", "rain\0 later")

    with h5py.File(folder / "b.h5", "r") as file:
        assert file["raw/samples"][:].tobytes() == before
        assert file.attrs["note"] == "rain� later"


@pytest.mark.parametrize("damage", ["garbage", "torn", "older"])
def test_a_broken_index_is_made_anew(folder: Path, tmp_path: Path, damage: str) -> None:
    """The index is a cache: a broken one is made again."""
    index = tmp_path / "index.sqlite"
    first, _ = listed(folder, index)
    if damage == "garbage":
        index.write_bytes(b"this is no database, " * 100)
    elif damage == "torn":
        whole = bytearray(index.read_bytes())
        whole[4096:] = os.urandom(len(whole) - 4096)
        index.write_bytes(whole)
    else:
        database = sqlite3.connect(index)
        database.execute("PRAGMA user_version = 0")
        database.execute("DROP TABLE session")
        database.execute("CREATE TABLE session (something TEXT)")
        database.commit()
        database.close()

    again, told = listed(folder, index)
    assert again.sessions == first.sessions
    assert len(told) == 4
    assert again.findings == ()
    assert listed(folder, index)[1] == []


def test_two_programs_share_an_index(folder: Path, tmp_path: Path) -> None:
    """Both list the same, at the same time, through one file; afterwards it is whole."""
    index = tmp_path / "index.sqlite"
    results: list[Shelf] = []
    begin = threading.Barrier(2)

    def look() -> None:
        begin.wait(10)
        results.append(listed(folder, index)[0])

    threads = [threading.Thread(target=look) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)

    assert len(results) == 2
    assert results[0] == results[1]
    assert results[0].findings == ()
    database = sqlite3.connect(index)
    assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    database.close()


def test_an_index_that_another_program_holds_is_gone_without(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A locked index is left alone, and the shelf is read without it."""
    monkeypatch.setattr("stream.record.shelf._WAIT_S", 0.01)
    index = tmp_path / "index.sqlite"
    listed(folder, index)
    write_note(folder / "b.h5", "changed")
    other = sqlite3.connect(index)
    other.execute("BEGIN EXCLUSIVE")
    shelf, _ = listed(folder, index)
    other.rollback()
    other.close()

    assert [session.note for session in shelf.sessions if session.path.endswith("b.h5")] == ["changed"]
    assert len(shelf.sessions) == 4
    assert len(shelf.findings) == 1
    assert "the shelf's index cannot be used (database is locked)" in say(shelf.findings[0])


def test_a_scan_can_be_stopped(folder: Path) -> None:
    """A scan ends when it is told to, with what it has."""
    stop = threading.Event()
    shelf = scan(folder, None, lambda done, found: stop.set(), stop)

    assert len(shelf.sessions) == 1
    assert say_all(shelf.findings) == ["stopped: 3 sessions were not read"]


@pytest.mark.skipif(os.name == "nt", reason="names are Unicode there")
def test_a_name_that_is_no_text_is_listed_too(folder: Path, tmp_path: Path) -> None:
    """A file name that is no UTF-8 is listed all the same."""
    name = os.fsencode(folder) + b"/caf\xe9.h5"
    try:
        shutil.copy(folder / "b.h5", os.fsdecode(name))
    except OSError:
        pytest.skip("this file system takes UTF-8 only")
    listed(folder, tmp_path / "index.sqlite")
    shelf, told = listed(folder, tmp_path / "index.sqlite")

    assert told == []
    assert os.fsdecode(name) in [session.path for session in shelf.sessions]


def test_no_such_folder_is_one_line(tmp_path: Path) -> None:
    """A folder that is not there is one line with the cure."""
    with pytest.raises(InputError, match=r"nowhere: no such folder; check the name"):
        scan(tmp_path / "nowhere")
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match=r"file: is a file; give the folder it is in"):
        scan(tmp_path / "file")
