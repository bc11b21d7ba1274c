"""A session is opened once for one command: what a command needs of it stands on one clock and is made once."""

from collections import Counter
from pathlib import Path

import pytest

import stream.record.session
from tests.drives import ROW
from tests.pull_sessions import write_pull_session

COMMANDS = {
    "curve": ("curve",),
    "compare": ("compare", "--base", "heron", "--trial", "plover"),
    "trend": ("trend", "--tune", "heron"),
    "coach": ("coach",),
    "power": ("power",),
    "cells": ("cells",),
}
TABLE = "rpm\\kPa,40,70,100\n" + "".join(f"{rpm},30,25,20\n" for rpm in (2000, 3000, 4000, 5000, 6000))
ONE = {"survey": ("survey",), "mark, to look": ("mark",), "fit": ("fit", "--targets", ROW)}


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch) -> Counter[Path]:
    """How often each file was opened, counted where HDF5 is asked."""
    counts: Counter[Path] = Counter()
    real = stream.record.session._open_h5

    def count(path: Path):
        counts[path.resolve()] += 1
        return real(path)

    monkeypatch.setattr(stream.record.session, "_open_h5", count)
    return counts


@pytest.mark.parametrize("name", COMMANDS)
def test_each_session_of_a_day_is_opened_once(steadypull, opened, tmp_path, name: str) -> None:
    """Four sessions in turns."""
    paths = [
        write_pull_session(tmp_path / f"{place}-{tune}.h5", 20 + place, tune, pulls=2)
        for place, tune in enumerate(("heron", "plover", "heron", "plover"))
    ]
    command, *options = COMMANDS[name]
    if name == "cells":
        (tmp_path / "table.csv").write_text(TABLE)
        options = ["--table", tmp_path / "table.csv"]
    ran = steadypull(command, *paths, *options, "--json")

    assert ran.code == 0, ran.err
    assert {path.resolve(): opened[path.resolve()] for path in paths} == dict.fromkeys(map(Path.resolve, paths), 1)


@pytest.mark.parametrize("name", ONE)
def test_one_session_is_opened_once(steadypull, opened, held, name: str) -> None:
    """Survey, marks and fit."""
    command, *options = ONE[name]
    ran = steadypull(command, held, *options, "--json")

    assert ran.code == 0, ran.err
    assert opened[held.resolve()] == 1
