"""steadypull export: a file for another tool, one line for every mistake."""

from pathlib import Path
from typing import Any

import pytest

from tests.pull_sessions import write_pull_session


@pytest.fixture
def session(tmp_path: Path) -> Path:
    return write_pull_session(tmp_path / "a.h5", 1, "heron")


def test_pulls_as_csv(steadypull: Any, session: Path, tmp_path: Path) -> None:
    """The file, and how many rows are in it; the session stays as it was."""
    before = session.read_bytes()
    done = steadypull("export", session, "-o", tmp_path / "pulls.csv", "--part", "pulls")
    assert done.code == 0
    assert done.out == f"{tmp_path / 'pulls.csv'}: 3 rows written\n"
    assert len((tmp_path / "pulls.csv").read_text().splitlines()) == 4
    assert session.read_bytes() == before


def test_what_cannot_be_done_is_one_line(steadypull: Any, session: Path, tmp_path: Path, monkeypatch: Any) -> None:
    """A format there is not, a library that is missing with the words that install it, a file that is there."""
    assert "-o" in steadypull("export", session, "-o", tmp_path / "a.xls").error
    monkeypatch.setitem(__import__("sys").modules, "h5netcdf", None)
    done = steadypull("export", session, "-o", tmp_path / "a.nc")
    assert done.code == 2
    assert "pip install 'steadypull[export]'" in done.error
    (tmp_path / "b.csv").write_text("mine")
    assert "never overwritten" in steadypull("export", session, "-o", tmp_path / "b.csv").error
    assert (tmp_path / "b.csv").read_text() == "mine"
