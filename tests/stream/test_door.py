"""The door for scripts: the names it promises, quick to import, the commands' own numbers, frames where installed."""

import json
import runpy
import subprocess
import sys
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

import stream
from stream.errors import InputError
from tests.pull_sessions import write_pull_session
from tests.shared import made_once
from tests.ui_cli import ROOT

TARGETS = (1500, 2000, 3000, 4000, 5000, 6000, 6500)  # the row of the shipped hold drive
EXAMPLE = ROOT / "replay_files" / "a_day.py"


def _make(folder: Path) -> None:
    for number, tune in enumerate(("heron", "plover", "heron", "plover"), 1):
        write_pull_session(folder / f"{number}.h5", number, tune)


@pytest.fixture(scope="module")
def folder() -> Path:
    return made_once("door-day", _make)


def test_importing_the_package_costs_nothing() -> None:
    """No library is loaded before a name of the door is used; a star import has them all."""
    code = "import stream, sys; print(sorted({'numpy', 'scipy', 'h5py', 'msgspec'} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"


def test_every_name_is_there_and_documented() -> None:
    """A dozen functions with words; what the module lists is what it has."""
    import stream.door

    assert sorted(stream.__all__) == sorted(stream.door.__all__)
    for name in stream.__all__:
        assert getattr(stream, name).__doc__, name
        assert name in dir(stream)
    with pytest.raises(AttributeError, match="has no attribute 'nonsense'"):
        stream.nonsense  # noqa: B018
    assert stream.study.__name__ == "stream.study"  # a package of that name is no name of the door


def test_the_example_runs_and_is_short(folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: Any) -> None:
    """Thirty lines, from a folder of sessions to a verdict."""
    assert len(EXAMPLE.read_text(encoding="utf-8").splitlines()) <= 32
    monkeypatch.setattr(sys, "argv", [str(EXAMPLE), str(folder)])
    runpy.run_path(str(EXAMPLE), run_name="__main__")
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "4 sessions, 12 pulls, tunes heron, plover"
    assert any("resolved: " in line for line in lines)


def test_a_session_gives_the_arrays_of_its_file(folder: Path) -> None:
    """Time and load are /live/time and /live/load to the bit, by plain h5py."""
    with stream.open_session(folder / "1.h5") as session, h5py.File(folder / "1.h5") as file:
        np.testing.assert_array_equal(session.time_s, file["live/time"][:])
        np.testing.assert_array_equal(session.load.astype(np.float32), file["live/load"][:])
        assert [pull.start_s for pull in session.pulls] == file["pulls"]["start_s"].tolist()


def test_the_commands_say_what_the_door_says(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """compare, curve and coach print the records of the door, number for number."""
    from ui.cli.main import run

    paths = [str(path) for path in sorted(folder.glob("*.h5"))]

    def told(*words: str) -> Any:
        assert run([*words, "--json"]) == 0
        return json.loads(capsys.readouterr().out)

    day = stream.load_day(folder)
    result = stream.compare(day, "heron", "plover")
    said = told("compare", *paths, "--base", "heron", "--trial", "plover")
    assert said["overall"]["change_pct"] == result.overall.change_pct
    assert [band["p_adjusted"] for band in said["bands"]] == [band.p_adjusted for band in result.bands]
    drawn = stream.curves(day)
    assert told("curve", *paths)["tunes"][0]["bands"][0]["mean"] == drawn.tunes[0].bands[0].mean
    assert told("coach", *paths)["tune"] == stream.coach(day).tune


def test_frames_carry_their_units(folder: Path) -> None:
    """pandas: the live rows over time, a row a pull, a row a band."""
    pytest.importorskip("pandas", reason="pandas is not installed")
    day = stream.load_day(folder)
    frame = day.sessions[0].to_pandas()
    assert frame.index.name == "time_s"
    assert frame.attrs["units"] == {"speed_rpm": "rpm", "load": "mV/V", "signal": "V"}
    assert len(day.to_pandas()) == 12
    assert set(day.to_pandas()["tune"]) == {"heron", "plover"}
    result = stream.compare(day, "heron", "plover", history="none")
    assert result.to_pandas()["rpm"].tolist() == [band.rpm for band in result.bands]
    assert set(stream.curves(day).to_pandas()["tune"]) == {"heron", "plover"}
    assert stream.to_pandas(day.sessions[0].pulls)["verdict"].tolist() == ["clean"] * 3


def test_a_labelled_array_where_xarray_is_installed(folder: Path) -> None:
    """time_s is the coordinate; units are attributes as CF names them."""
    pytest.importorskip("xarray", reason="xarray is not installed")
    with stream.open_session(folder / "1.h5") as session:
        data = session.to_xarray()
    assert data["load"].dims == ("time_s",)
    assert (data["load"].attrs["units"], data["time_s"].attrs["units"]) == ("mV/V", "s")


def test_mistakes_are_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, folder: Path) -> None:
    """An empty folder, a session twice, a library that is missing."""
    with pytest.raises(InputError, match="no session in this folder"):
        stream.load_day(tmp_path)
    with pytest.raises(InputError, match="given twice"):
        stream.load_day([folder / "1.h5", folder / "1.h5"])
    monkeypatch.setitem(sys.modules, "pandas", None)
    with pytest.raises(InputError, match="pandas is not installed"):
        stream.load_day(folder).to_pandas()


def test_the_calibration_of_the_door_is_that_of_the_command(capsys: pytest.CaptureFixture[str]) -> None:
    """The shipped hold drive, by its seven speeds."""
    from ui.cli.main import run

    session = ROOT / "replay_files" / "hold_drive.h5"
    fit = stream.fit_speed(session, TARGETS)
    assert run(["fit", str(session), "--targets", ",".join(f"{rpm:g}" for rpm in TARGETS), "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert (said["slope_rpm_per_unit"], said["u_slope"]) == (fit.slope_rpm_per_unit, fit.u_slope)
