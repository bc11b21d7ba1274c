"""Two logs that nobody here made; their README beside them says what each is and where it comes from."""

import gzip
import json
from pathlib import Path

import numpy as np
import pytest

from stream.car import parse_car
from stream.sources.csvlog import CsvSource
from tests.outside_data import outside_file
from tests.told import text_of
from ui.cli.main import run

BRIDGE = """
[car]
name = "test bridge"
[[channel]]
name = "force"
role = "engine_speed"
unit = "rpm"
column = "FRC-01"
[[channel]]
name = "clock"
role = "time"
column = "Time (-)"
"""
ROAD = """
[car]
name = "road log"
[[channel]]
name = "rpm"
role = "engine_speed"
unit = "rpm"
column = "ENGINE_RPM"
[[channel]]
name = "clock"
role = "time"
column = "ENGINE_RUN_TINE"
"""


def read_all(path: Path, car: str) -> tuple[CsvSource, float, np.ndarray, np.ndarray, int]:
    source = CsvSource(path, parse_car(car))
    rate, samples, index, lost = source.open().rate_hz, [], [], 0
    while not source.finished:
        for block in source.read(0.0):
            samples.append(block.samples[:, 0])
            index.append(np.arange(block.first, block.end))
            lost += block.lost
    return source, rate, np.concatenate(samples), np.concatenate(index), lost


def test_bridge_force_at_100_hz():
    """munich-bridge-data (MIT; Jaelani et al., Steel Construction 16 (2023) 215): ISO stamps, 72 000 rows.

    The load steps are the README's crude reading of 1 s medians, kN.
    """
    source, rate, force, index, lost = read_all(outside_file("support_load_01_force_100Hz.csv.gz"), BRIDGE)

    assert rate == 100.0
    assert lost == 0
    assert len(force) == 72_000
    assert source.take_notes() == []
    steps = [
        (28, 55, 210.594),
        (73, 97, 210.646),
        (107, 224, 216.335),
        (234, 358, 220.261),
        (368, 494, 216.690),
        (499, 525, 211.132),
        (543, 719, 211.269),
    ]
    for start_s, end_s, kilonewtons in steps:
        inside = (index / rate >= start_s) & (index / rate < end_s)
        assert np.median(force[inside]) == pytest.approx(kilonewtons, abs=0.05)


def test_road_log_with_whole_second_stamps():
    """carOBD (IEEE 8891367): about two rows a second, whole-second stamps that repeat."""
    path = outside_file("road_obd_long1.csv.gz")
    source, rate, rpm, index, lost = read_all(path, ROAD)
    told = " | ".join(text_of(note.what) for note in source.take_notes())
    with gzip.open(path, "rt") as text:
        rows = np.loadtxt(text, delimiter=",", skiprows=1, usecols=(0, 1))

    assert rate == pytest.approx(len(rows) / np.ptp(rows[:, 0]), rel=0.05)
    assert source.counters()["rows"] == len(rows) == 3528
    assert "spread to the next one" in told
    assert "resampled" in told
    assert (index[-1] + 1) / rate == pytest.approx(np.ptp(rows[:, 0]), abs=2.0)
    assert lost == 0
    assert rpm.max() <= rows[:, 1].max()
    assert rpm.mean() == pytest.approx(rows[:, 1].mean(), rel=0.02)


def test_road_log_is_imported_with_holds(capsys: pytest.CaptureFixture[str], tmp_path: Path):
    """The same log through the command line. That the speed held is checked on the log's own rows: those well inside
    a hold (its edges are known to a row or two) lie in the band of a hold, 1.5 % or 60 rpm, and a little more."""
    (tmp_path / "car.toml").write_text(ROAD)
    log = outside_file("road_obd_long1.csv.gz")

    assert run(["import", str(log), "--car", str(tmp_path / "car.toml"), "-o", str(tmp_path / "s.h5"), "--json"]) == 0

    done = json.loads(capsys.readouterr().out)
    assert [finding["code"] for finding in done["findings"]] == ["stamps-spread", "stamps-uneven"]
    with gzip.open(log, "rt") as text:
        time_s, rpm = np.loadtxt(text, delimiter=",", skiprows=1, usecols=(0, 1)).T
    holds = [hold for hold in done["holds"] if hold["end_s"] - hold["start_s"] > 10]
    assert len(holds) >= 10
    far = 0
    for hold in holds:
        rows = rpm[(time_s >= hold["start_s"] + 2) & (time_s <= hold["end_s"] - 3)]
        far += np.mean(np.abs(rows - hold["speed_rpm"]) > 1.5 * max(60.0, 0.015 * hold["speed_rpm"])) > 0.1
    assert far <= len(holds) // 10
