"""A session written for another tool holds what the file holds, read back by that tool's own library."""

import csv
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from stream.errors import InputError, StorageError
from stream.study.export import export_session
from tests.pull_sessions import write_pull_session


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_pull_session(tmp_path_factory.mktemp("csv") / "a.h5", 1, "heron", faults=("lost-samples",))


@pytest.fixture(scope="module")
def inside(session: Path) -> dict[str, Any]:
    """The session by plain h5py."""
    with h5py.File(session, "r") as file:
        return {name: file[name][:] for name in ("raw/samples", "raw/gaps", "live/time", "live/load", "pulls", "holds")}


def heads(path: Path) -> list[str]:
    with path.open() as file:
        return next(csv.reader(file))


def test_raw_is_exact_and_loss_is_a_step_in_time(session: Path, inside: dict[str, Any], tmp_path: Path) -> None:
    """Read back with numpy: every float32 the same to the bit, time from the row and what was lost before it."""
    out = tmp_path / "raw.csv"
    rows = export_session(session, out, "raw")
    assert heads(out) == ["time_s", "speed_v [V]", "link [mV/V]"]
    table = np.loadtxt(out, delimiter=",", skiprows=1)

    samples, gaps = inside["raw/samples"], inside["raw/gaps"]
    assert rows == len(table) == len(samples)
    assert np.array_equal(table[:, 1:].astype(np.float32), samples)
    lost = int(gaps["lost"].sum())
    assert lost > 0
    assert table[-1, 0] == pytest.approx((len(samples) - 1 + lost) / 1000.0, abs=1e-6)
    row = int(gaps["index"][0])
    assert table[row, 0] - table[row - 1, 0] == pytest.approx((1 + int(gaps["lost"][0])) / 1000.0, abs=2e-6)


def test_live_rows_name_their_pull(session: Path, inside: dict[str, Any], tmp_path: Path) -> None:
    """Each live row says which pull it belongs to."""
    out = tmp_path / "live.csv"
    export_session(session, out)
    assert heads(out) == ["time_s", "speed_rpm", "load [mV/V]", "signal [V]", "hold", "pull"]
    table = np.loadtxt(out, delimiter=",", skiprows=1)

    pulls = inside["pulls"]
    assert set(table[:, 5].astype(int)) == set(range(len(pulls) + 1))
    within = table[table[:, 5] == 2]
    assert within[0, 0] >= pulls["start_s"][1] - 1e-6
    assert within[-1, 0] <= pulls["end_s"][1] + 1e-6
    assert within[-1, 1] == pytest.approx(pulls["end_rpm"][1], rel=0.02)


def test_holds_and_pulls_have_units_in_their_heads(session: Path, inside: dict[str, Any], tmp_path: Path) -> None:
    """A row a pull with its faults and what a person said; empty cells for what is not known."""
    out = tmp_path / "pulls.csv"
    assert export_session(session, out, "pulls") == len(inside["pulls"])
    with out.open() as file:
        rows = list(csv.DictReader(file))
    for row, pull in zip(rows, inside["pulls"], strict=True):
        assert float(row["start_s"]) == pytest.approx(pull["start_s"], rel=1e-8)
        assert float(row["end_rpm"]) == pytest.approx(pull["end_rpm"], rel=1e-8)
        assert (row["tune"], row["gear"], row["kept"]) == ("heron", "3", "0")
        assert row["faults"] == pull["faults"].decode()
    assert any(row["faults"] == "lost-samples" for row in rows)

    holds = tmp_path / "holds.csv"
    assert export_session(session, holds, "holds") == len(inside["holds"])
    assert heads(holds)[2:8] == [
        "signal_mean [V]",
        "signal_sem [V]",
        "speed_rpm",
        "speed_sd_rpm",
        "drift_rpm_per_s",
        "load_mean [mV/V]",
    ]


def test_a_matlab_file_holds_columns_and_units(session: Path, inside: dict[str, Any], tmp_path: Path) -> None:
    """Read back by scipy: column vectors, units beside them."""
    from scipy.io import loadmat

    export_session(session, tmp_path / "a.mat")
    whole = loadmat(tmp_path / "a.mat", simplify_cells=True)
    np.testing.assert_array_equal(whole["time_s"], inside["live/time"])
    np.testing.assert_array_equal(whole["load"].astype(np.float32), inside["live/load"])
    assert (whole["units"]["load"], whole["units"]["speed_rpm"]) == ("mV/V", "rpm")
    assert whole["session"]["tune"] == "heron"


def test_a_parquet_file_holds_columns_and_units(session: Path, inside: dict[str, Any], tmp_path: Path) -> None:
    """Read back by pyarrow: every sample, units in the fields' metadata; a gear that is not known is null."""
    parquet = pytest.importorskip("pyarrow.parquet", reason="pyarrow, of the part 'export', is not installed")
    export_session(session, tmp_path / "a.parquet", "raw")
    table = parquet.read_table(tmp_path / "a.parquet")
    np.testing.assert_array_equal(table["link"].to_numpy(), inside["raw/samples"][:, 1])
    assert table.schema.field("link").metadata[b"unit"] == b"mV/V"
    export_session(session, tmp_path / "pulls.parquet", "pulls")
    assert parquet.read_table(tmp_path / "pulls.parquet")["tune"].to_pylist() == ["heron"] * len(inside["pulls"])


def test_a_netcdf_file_has_its_coordinate(session: Path, inside: dict[str, Any], tmp_path: Path) -> None:
    """Read back by h5py as netCDF-4 lays it out: dimension scales, `units`; where xarray is installed, by that too."""
    pytest.importorskip("h5netcdf", reason="h5netcdf, of the part 'export', is not installed")
    export_session(session, tmp_path / "a.nc")
    export_session(session, tmp_path / "pulls.nc", "pulls")
    with h5py.File(tmp_path / "a.nc") as file:
        np.testing.assert_array_equal(file["time_s"][:], inside["live/time"])
        assert file["load"].dims[0][0] == file["time_s"]
        assert file["load"].attrs["units"] == "mV/V"
    xarray = pytest.importorskip("xarray", reason="xarray is not installed")
    with xarray.open_dataset(tmp_path / "a.nc", engine="h5netcdf") as data:
        assert data["load"].dims == ("time_s",)
        assert data["load"].attrs["units"] == "mV/V"


def test_a_session_is_its_own_labelled_array(session: Path, inside: dict[str, Any]) -> None:
    """A reader of labelled arrays that knows nothing of Steadypull finds the coordinate by the dimension scale."""
    pytest.importorskip("h5netcdf", reason="h5netcdf, of the part 'export', is not installed")
    xarray = pytest.importorskip("xarray", reason="xarray is not installed")
    with xarray.open_dataset(session, group="live", engine="h5netcdf", decode_times=False, phony_dims="sort") as data:
        assert data["load"].dims == ("time",)
        np.testing.assert_array_equal(data["time"].values, inside["live/time"])
        assert data["speed"].attrs["units"] == "rpm"


def test_a_library_that_is_missing_is_one_line(session: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It names the package and the optional part; nothing is left behind."""
    import sys

    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(
        InputError, match="pyarrow is not installed; install it, or Steadypull's part 'export', or choose"
    ):
        export_session(session, tmp_path / "a.parquet")
    assert list(tmp_path.iterdir()) == []


def test_an_ending_that_is_no_format_is_named(session: Path, tmp_path: Path) -> None:
    """The formats that there are stand in the message."""
    with pytest.raises(InputError, match=r"end it in \.csv, \.parquet, \.mat, \.nc"):
        export_session(session, tmp_path / "a.xls")


def test_a_file_that_cannot_be_written_leaves_nothing(session: Path, tmp_path: Path) -> None:
    """A failed export leaves no half file."""
    with pytest.raises(StorageError, match="choose another folder"):
        export_session(session, tmp_path / "missing" / "raw.csv", "raw")
    assert list(tmp_path.iterdir()) == []
