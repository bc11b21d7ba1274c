"""A session written as CSV holds what the file holds."""

import csv
from pathlib import Path

import h5py
import numpy as np
import pytest

from stream.errors import StorageError
from stream.study.session_csv import export_live, export_raw
from tests.pull_sessions import write_pull_session


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_pull_session(tmp_path_factory.mktemp("csv") / "a.h5", 1, "heron", faults=("lost-samples",))


def test_raw_is_exact_and_loss_is_a_step_in_time(session: Path, tmp_path: Path) -> None:
    """Read back with numpy: every float32 the same to the bit, time from the row and what was lost before it."""
    out = tmp_path / "raw.csv"
    rows = export_raw(session, out)
    with out.open() as file:
        assert next(csv.reader(file)) == ["time_s", "speed_v", "link"]
    table = np.loadtxt(out, delimiter=",", skiprows=1)

    with h5py.File(session, "r") as file:
        samples, gaps = file["raw/samples"][:], file["raw/gaps"][:]
    assert rows == len(table) == len(samples)
    assert np.array_equal(table[:, 1:].astype(np.float32), samples)
    lost = int(gaps["lost"].sum())
    assert lost > 0
    assert table[-1, 0] == pytest.approx((len(samples) - 1 + lost) / 1000.0, abs=1e-6)
    row = int(gaps["index"][0])
    assert table[row, 0] - table[row - 1, 0] == pytest.approx((1 + int(gaps["lost"][0])) / 1000.0, abs=2e-6)


def test_live_rows_name_their_pull(session: Path, tmp_path: Path) -> None:
    """Each live row says which pull it belongs to."""
    out = tmp_path / "live.csv"
    export_live(session, out)
    with out.open() as file:
        assert next(csv.reader(file)) == ["time_s", "speed_rpm", "load [mV/V]", "hold", "pull"]
    table = np.loadtxt(out, delimiter=",", skiprows=1)

    with h5py.File(session, "r") as file:
        pulls = file["pulls"][:]
    assert set(table[:, 4].astype(int)) == set(range(len(pulls) + 1))
    inside = table[table[:, 4] == 2]
    assert inside[0, 0] >= pulls["start_s"][1] - 1e-6
    assert inside[-1, 0] <= pulls["end_s"][1] + 1e-6
    assert inside[-1, 1] == pytest.approx(pulls["end_rpm"][1], rel=0.02)


def test_a_file_that_cannot_be_written_leaves_nothing(session: Path, tmp_path: Path) -> None:
    """A failed export leaves no half file."""
    with pytest.raises(StorageError, match="choose another folder"):
        export_raw(session, tmp_path / "missing" / "raw.csv")
    assert list(tmp_path.iterdir()) == []
