"""`steadypull shelf`: what a person reads, and what a program does."""

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest

from stream.record.change import write_note
from stream.record.summary import Summary
from tests.pull_sessions import write_pull_session
from ui.cli.main import run
from ui.text.shelf import search


@pytest.fixture(autouse=True)
def own_index(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("stream.record.shelf.default_index_path", lambda: tmp_path / "index.sqlite")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    root = tmp_path / "sessions"
    root.mkdir()
    for month in (6, 7, 8):
        write_pull_session(root / f"{month}.h5", month, "heron", started=datetime(2026, month, 1, 9, tzinfo=UTC))
    write_pull_session(root / "plover.h5", 2, "plover", started=datetime(2026, 6, 1, 10, tzinfo=UTC))
    (root / "broken.h5").write_bytes(b"no session")
    return root


def test_the_table_is_aligned_and_says_what_is_wrong(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Columns stand under each other; what is wrong with a session is said."""
    write_note(folder / "plover.h5", "dry\nand warm")
    assert run(["shelf", str(folder)]) == 0
    head, *lines, total = capsys.readouterr().out.splitlines()

    assert total == "5 sessions"
    assert [line[head.index("session") :].split()[0] for line in lines] == [
        "8.h5",
        "7.h5",
        "plover.h5",
        "6.h5",
        "broken.h5",
    ]
    local = datetime(2026, 6, 1, 10, tzinfo=UTC).astimezone()
    assert lines[2].startswith(f"{local:%Y-%m-%d %H:%M}  plover     3")
    assert lines[2].endswith("good  “dry and warm”")
    assert "3 clean" in lines[0]
    assert lines[-1].endswith("is not a session file (not HDF5); give a file that Steadypull recorded or imported")


def test_json_is_alone_on_standard_output(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """JSON goes to standard output alone."""
    assert run(["shelf", str(folder), "--search", "plover", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)

    assert found["folder"] == str(folder.resolve())
    assert [session["path"] for session in found["sessions"]] == [str(folder.resolve() / "plover.h5")]
    assert found["sessions"][0]["tunes"] == ["plover"]


def test_nothing_found_names_the_cure(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """An empty answer says how to find more."""
    run(["shelf", str(folder), "--search", "wren"])
    assert capsys.readouterr().out.strip().endswith("with 'wren' in it; search for less")
    (tmp_path / "empty").mkdir()
    run(["shelf", str(tmp_path / "empty")])
    assert capsys.readouterr().out.strip().endswith("'steadypull drive' records one")


def test_the_trend_holds_the_sessions_of_the_tune_in_time_order(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same tune, engine and chain on three days: the truth is no drift, and the interval must hold it."""
    assert run(["shelf", str(folder), "--trend", "heron", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)

    assert [Path(point["session"]).name for point in found["points"]] == ["6.h5", "7.h5", "8.h5"]
    assert [point["pulls"] for point in found["points"]] == [3, 3, 3]
    assert found["low_pct_per_day"] < 0 < found["high_pct_per_day"]
    assert run(["shelf", str(folder), "--trend", "heron"]) == 0
    assert "no drift resolved" in capsys.readouterr().out


def test_a_trend_of_no_tune_is_one_line(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A trend of a tune that is not there is one line."""
    assert run(["shelf", str(folder), "--trend", "wren"]) == 2
    error = capsys.readouterr().err.strip()
    assert error == f"steadypull: error: {folder}: no session holds the tune 'wren'; they hold heron, plover"


def test_no_such_folder_is_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A folder that is not there is one line with the cure."""
    assert run(["shelf", str(tmp_path / "nowhere")]) == 2
    assert capsys.readouterr().err.strip().endswith("nowhere: no such folder; check the name")


@pytest.mark.parametrize(
    ("text", "names"),
    [("", 3), ("HERON", 1), ("plover 2026-06-02", 1), ("wheelspin", 1), ("18 °c dry", 1), ("gear 3", 2), ("wren", 0)],
)
def test_search_wants_every_word(text: str, names: int) -> None:
    """Each word must be found somewhere in a session."""
    common = {"state": "finished", "car": "hill-climb special", "gear": 3}
    sessions = [
        Summary(path="/a/one.h5", tunes=("heron",), note="dry, 18 °C", faults={"wheelspin": 1}, **common),
        Summary(path="/a/two.h5", tunes=("plover",), started_utc=datetime(2026, 6, 2, 12, tzinfo=UTC), **common),
        Summary(path="/a/three.h5", state="broken", trouble="is damaged"),
    ]
    assert len(search(sessions, text)) == names
