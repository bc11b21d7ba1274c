"""steadypull mark: what a person says of holds and pulls; and pulls of files written before there were marks."""

import h5py
import numpy as np
import pytest

from stream.record.session import open_session
from stream.study.dataset import open_dataset
from tests.stream.record.conftest import counted_block, make_writer


@pytest.fixture
def marked(held):
    """The held session with two pulls in its table, as an older version wrote them: no column for marks."""
    with h5py.File(held, "r+") as file:
        old = [name for name in file["pulls"].dtype.names if name != "kept"]
        dtype = np.dtype([(name, file["pulls"].dtype[name]) for name in old])
        del file["pulls"]
        rows = [
            (20.0, 24.0, 2000.0, 5000.0, "heron", 2, "flawed", "lift"),
            (40.0, 44.0, 2000.0, 5000.0, "heron", 2, "clean", ""),
        ]
        file.create_dataset("pulls", data=np.array(rows, dtype), maxshape=(None,), chunks=(64,))
    return held


def test_an_older_file_opens_with_nothing_marked(marked) -> None:
    """Session and study see an empty mark for each pull."""
    with open_session(marked) as session:
        assert [mark.kept for mark in session.pull_marks] == [0, 0]
    assert [mark.kept for mark in open_dataset(marked).pull_marks] == [0, 0]


def test_holds_and_pulls_are_marked_and_taken_back(steadypull, marked) -> None:
    """What was said is in the file, and can be unsaid."""
    shown = steadypull(
        "mark", marked, "--drop-hold", 2, "--retarget", "3=2010", "--keep-pull", 1, "--drop-pull", 2, "--json"
    ).json

    assert [hold["accepted"] for hold in shown["holds"]][:3] == [True, False, True]
    assert shown["holds"][2]["target_rpm"] == 2010.0
    assert [pull["mark"] for pull in shown["pulls"]] == ["keep", "drop"]
    assert [mark.kept for mark in open_dataset(marked).pull_marks] == [1, -1]
    assert [pull.faults for pull in open_dataset(marked).pulls] == [("lift",), ()]

    back = steadypull("mark", marked, "--accept-hold", 2, "--retarget", "3=", "--clear-pull", 1, "--json").json
    assert back["holds"][1]["accepted"]
    assert back["holds"][2]["target_rpm"] is None
    assert [pull["mark"] for pull in back["pulls"]] == ["", "drop"]


def test_a_note_is_added_to_what_stands_there(steadypull, held) -> None:
    """Nothing that was written is lost."""
    steadypull("mark", held, "--note", "dry, 18 °C")
    steadypull("mark", held, "--note", "wind from the left")

    with open_session(held) as session:
        assert session.note == "dry, 18 °C\nwind from the left"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--drop-hold", 99), "has no hold 99; it has 7"),
        (("--drop-pull", 1), "holds no pull"),
        (("--retarget", "2=fast"), "N=RPM"),
        (("--retarget", "2"), "N=RPM"),
        (("--retarget", "2=-100"), "no speed"),
        (("--retarget", "2=1e308"), "no speed"),
        (("--drop-hold", 1, "--accept-hold", 1), "keep one"),
    ],
)
def test_what_cannot_be_marked_changes_nothing(steadypull, held, words, said: str) -> None:
    """One line, the session as it was."""
    before = held.read_bytes()
    ran = steadypull("mark", held, *words)

    assert ran.code == 2
    assert said in ran.err
    assert held.read_bytes() == before


def test_the_air_of_a_day_is_said_of_all_its_sessions_at_once(steadypull, held, tmp_path) -> None:
    """What is heard too; but a number of a hold or a pull belongs to one session."""
    other = tmp_path / "other.h5"
    other.write_bytes(held.read_bytes())
    shown = steadypull("mark", held, other, "--air", "18,1002,55", "--none-heard", "--json").json

    assert [row["air"]["pressure_hpa"] for row in shown] == [1002.0, 1002.0]
    for path in (held, other):
        with open_session(path) as session:
            assert session.conditions.temperature_c == 18.0
            assert [row.heard for row in session.heard] == [False]
    ran = steadypull("mark", held, other, "--drop-hold", 1)
    assert ran.code == 2
    assert "one session" in ran.err


def test_changes_are_listed_taken_back_and_done_again(steadypull, marked) -> None:
    """'undo' brings back the very rows that were there, of an older file too; --list names each change."""
    with h5py.File(marked) as file:
        before = {name: (file[name].dtype.names, repr(file[name][:].tolist())) for name in ("holds", "pulls")}
    steadypull("mark", marked, "--drop-pull", 2)
    steadypull("mark", marked, "--drop-hold", 2, "--retarget", "3=2010", "--note", "wet")
    listed = steadypull("undo", marked, "--list").out.splitlines()
    assert [line[18:] for line in listed] == ["pull 2 left out", "hold 2 left out, hold 3 was 2010 rpm and 1 more"]

    assert "taken back: hold 2 left out" in steadypull("undo", marked).err
    shown = steadypull("undo", marked, "--json").json
    assert [step["done"] for step in shown["steps"]] == [False, False]
    assert (shown["can_undo"], shown["can_redo"]) == (False, True)
    with h5py.File(marked) as file:
        assert before == {name: (file[name].dtype.names, repr(file[name][:].tolist())) for name in ("holds", "pulls")}
    assert "holds no change that could be taken back" in steadypull("undo", marked).error
    assert "done again: pull 2 left out" in steadypull("undo", marked, "--redo").err
    assert [mark.kept for mark in open_dataset(marked).pull_marks] == [0, -1]
    assert steadypull("undo", marked, "--redo", "--list").code == 2


def test_words_of_a_stranger_cannot_steer_the_terminal(steadypull, marked) -> None:
    """Notes and verdicts are printed without control characters and turned writing, a line of the note a line."""
    with h5py.File(marked, "r+") as file:
        file.attrs["note"] = "wet \x1b[2J\a\u202eroad\nwindy\rcalm"
        pulls = file["pulls"][:]
        pulls["faults"] = "lift\x1b]0;title\a"
        file["pulls"][:] = pulls
    shown = steadypull("mark", marked)
    assert shown.code == 0
    assert not [letter for letter in shown.out if not letter.isprintable() and letter != "\n"]
    assert shown.out.splitlines()[-3:] == ["note: wet [2J road", "note: windy", "note: calm"]


def test_a_session_that_cannot_be_shown_is_not_changed_first(steadypull, held, tmp_path) -> None:
    """An error means that nothing was changed, in none of the sessions that were named."""
    path = tmp_path / "no-speed.h5"
    writer = make_writer(path)
    writer.append(counted_block(0, 1200))
    writer.finish([], [], [])
    before = path.read_bytes(), held.read_bytes()
    assert steadypull("mark", held, path, "--note", "wet").code == 2
    assert (path.read_bytes(), held.read_bytes()) == before
