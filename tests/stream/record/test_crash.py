"""A recording cut off at any moment: process killed, disk full."""

import os
import random
import shutil
import subprocess
import sys
from pathlib import Path

import h5py
import numpy as np
import pytest

from stream.record.recover import recover
from stream.record.session import open_session

ROOT = Path(__file__).parents[3]
CHILD = Path(__file__).with_name("recording_child.py")
RATE = 1000


def start(session: Path, rows_per_flush: int, *more: str) -> "subprocess.Popen[str]":
    return subprocess.Popen(
        [sys.executable, str(CHILD), str(session), str(rows_per_flush), *more],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )


def run_and_kill(session: Path, rows_per_flush: int, rows: int) -> tuple[int, int]:
    """Kill -9 once `rows` are appended, wherever the child then is; give what it told of."""
    told = {"a": 0, "f": 0}
    with start(session, rows_per_flush) as child:
        assert child.stdout is not None
        for line in child.stdout:
            kind, number = line.split()
            told[kind] = int(number)
            if told["a"] >= rows:
                break
        child.kill()
        for line in child.stdout:
            if line.endswith("\n"):
                told[line[0]] = int(line.split()[1])
    return told["a"], told["f"]


def lost_before(rows: int) -> np.ndarray:
    """Sample index of each row, worked out from the child's rule alone."""
    row = np.arange(rows)
    return row + 7 * (row // 1000)


def check_drawn(file: h5py.File) -> None:
    """What a general viewer needs to draw it: NXroot and NXdata of the NeXus definitions (nexusformat.org), dimension
    scales of the HDF5 high-level specification, `units` and `long_name` as the CF and netCDF conventions name them."""
    assert (file.attrs["NX_class"], file.attrs["default"]) == ("NXroot", "live")
    group = file["live"]
    assert (group.attrs["NX_class"], group.attrs["signal"]) == ("NXdata", "load")
    assert (list(group.attrs["auxiliary_signals"]), list(group.attrs["axes"])) == (["speed"], ["time"])
    assert group["time"].is_scale
    for name in ("speed", "load", "signal"):
        assert group[name].dims[0][0] == group["time"]
    for item in group.values():
        assert {"unit", "units", "long_name", "filter", "delay_s", "calibration"} <= set(item.attrs)
        assert item.attrs["units"] == item.attrs["unit"]


@pytest.mark.parametrize("kills", [4, pytest.param(20, marks=pytest.mark.coverage)])
@pytest.mark.parametrize("rows_per_flush", [500, 20], ids=["twice a second", "after every block"])
def test_kill_at_random_moments(tmp_path: Path, rows_per_flush: int, kills: int) -> None:
    """Plain h5py opens what is left, lacks at most its last second; recover brings back all told of."""
    moments = random.Random(rows_per_flush)
    for number in range(kills):
        session = tmp_path / f"{number}.h5"
        appended, flushed = run_and_kill(session, rows_per_flush, moments.randint(20, 6000))
        with h5py.File(session) as file:
            samples = file["raw/samples"][:]
            assert file.attrs["finished"] == 0
            check_drawn(file)
        assert len(samples) >= flushed
        assert len(samples) > appended - RATE
        np.testing.assert_array_equal(samples[:, 0], lost_before(len(samples)))

        with open_session(recover(session)) as whole:
            check_drawn(whole.h5)
            assert whole.rows >= appended
            assert whole.finished
            index = whole.sample_index()
            np.testing.assert_array_equal(whole.raw("index"), lost_before(whole.rows))
            np.testing.assert_array_equal(index, lost_before(whole.rows))
            np.testing.assert_array_equal(whole.raw("half"), np.float32(index) / 2)


def check_full(session: Path, output: str) -> None:
    """What a recorder that ran out of room must leave: a word, and a file that opens with all told of."""
    lines = output.splitlines()
    assert lines[-1].startswith("full ")
    assert "the disk is full; free some room" in lines[-1]
    assert "what was recorded is safe" in lines[-1]
    flushed = max(int(line.split()[1]) for line in lines if line.startswith("f "))
    appended = max(int(line.split()[1]) for line in lines if line.startswith("a "))
    with h5py.File(session) as file:
        samples = file["raw/samples"][:]
    assert len(samples) >= max(flushed, appended - RATE)
    np.testing.assert_array_equal(samples[:, 0], lost_before(len(samples)))


def test_file_size_limit(tmp_path: Path) -> None:
    """A limit on the file's size is met like a full disk (works without rights to mount)."""
    session = tmp_path / "full.h5"
    with start(session, 500, str(4 << 20)) as child:
        output = child.communicate(timeout=60)[0]

    assert child.returncode == 0
    check_full(session, output)


@pytest.mark.parametrize("kib", [3000, 3300, 4096])
def test_full_file_system(tmp_path: Path, kib: int) -> None:
    """A file system that is really full, where there are rights to make one."""
    mount = shutil.which("mount")
    small = tmp_path / "small"
    small.mkdir()
    command = [str(mount), "-t", "tmpfs", "-o", f"size={kib}k", "none", str(small)]
    if mount is None or subprocess.run(command, check=False, capture_output=True).returncode:
        pytest.skip("no right to mount a small file system; the file-size limit stands in for it")
    try:
        session = small / "full.h5"
        with start(session, 500) as child:
            output = child.communicate(timeout=60)[0]
        assert child.returncode == 0
        check_full(session, output)
        with open_session(recover(session, tmp_path / "whole.h5")) as whole:
            appended = max(int(line.split()[1]) for line in output.splitlines() if line.startswith("a "))
            assert whole.rows >= appended
    finally:
        subprocess.run(["umount", small], check=True)
