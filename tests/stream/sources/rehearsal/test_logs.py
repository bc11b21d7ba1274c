"""Exported logs come back through the log reader as what was measured."""

import csv
import gzip
from pathlib import Path

import numpy as np
import pytest

from stream.car import parse_car
from stream.errors import StorageError
from stream.sources.csvlog import CsvSource
from stream.sources.rehearsal.record import Recording
from stream.sources.rehearsal.scenario import demo_car_text, hold_drive
from stream.sources.rehearsal.sensors import Adc, Chain
from tests.controller_log import write_controller_log
from tests.example_logs import write_csv_log


@pytest.fixture(scope="module")
def recording() -> Recording:
    return hold_drive(2, targets=(2000.0, 3000.0), chain=Chain(adc=Adc(losses_per_minute=30.0)))


def read_all(source: CsvSource) -> tuple[float, np.ndarray, np.ndarray, int]:
    info, parts, index, lost = source.open(), [], [], 0
    while not source.finished:
        for block in source.read(0.0):
            parts.append(block.samples)
            index.append(np.arange(block.first, block.end))
            lost += block.lost
    return info.rate_hz, np.concatenate(parts), np.concatenate(index), lost


@pytest.mark.parametrize("name", ["log.csv", "log.csv.gz"])
def test_a_log_comes_back_at_its_rate_with_its_means(recording: Recording, tmp_path: Path, name: str):
    """What the rehearsal logs is read back at its rate, with the same means."""
    write_csv_log(recording, tmp_path / name, rate_hz=50.0)
    car = parse_car(demo_car_text(time_column="time"))
    rate, samples, index, lost = read_all(CsvSource(tmp_path / name, car))

    assert rate == 50.0
    assert lost > 0
    hold = recording.truth.holds[1]
    inside = (index / rate > hold.start_s + 0.5) & (index / rate < hold.end_s)
    raw = (recording.time_s > hold.start_s + 0.5) & (recording.time_s < hold.end_s)
    assert samples[inside, 0].mean() == pytest.approx(recording.samples[raw, 0].mean(), abs=0.002)


def test_ripple_does_not_come_back_as_slow_waves(recording: Recording, tmp_path: Path):
    """At idle pulses come 60 times a second: a 50 Hz log without averaging would show them as 10 Hz."""
    write_csv_log(recording, tmp_path / "log.csv", rate_hz=50.0)
    _, samples, index, _ = read_all(CsvSource(tmp_path / "log.csv", parse_car(demo_car_text(time_column="time"))))
    idle = samples[(index > 50) & (index < 400), 0]

    assert idle.std() < 0.01
    assert recording.samples[1000:8000, 0].std() > 0.04


def test_without_time_the_rate_is_asked_for(recording: Recording, tmp_path: Path):
    """A log without a clock needs the rate."""
    write_csv_log(recording, tmp_path / "log.csv", rate_hz=100.0, with_time=False)
    rate, samples, _, _ = read_all(CsvSource(tmp_path / "log.csv", parse_car(demo_car_text()), rate_hz=100.0))

    assert rate == 100.0
    assert len(samples) == pytest.approx(recording.time_s[-1] * 100.0, rel=0.05)


def test_the_same_bytes_each_time(recording: Recording, tmp_path: Path):
    """One seed writes one log, to the byte."""
    for name in ("a.csv.gz", "b.csv.gz"):
        write_csv_log(recording, tmp_path / name)

    assert (tmp_path / "a.csv.gz").read_bytes() == (tmp_path / "b.csv.gz").read_bytes()
    assert gzip.decompress((tmp_path / "a.csv.gz").read_bytes()).startswith(b"time [s],speed_v [V],link [mV/V]\n")


def test_the_controller_s_clock_is_off_by_what_the_truth_says(recording: Recording, tmp_path: Path):
    """session_s = log_s * (1 + ppm * 1e-6) + offset, found again by laying one rpm trace over the other."""
    write_controller_log(recording, tmp_path / "controller.csv")
    with (tmp_path / "controller.csv").open(newline="") as file:
        rows = list(csv.reader(file))
    log = np.array(rows[1:], dtype=np.float64)
    assert rows[0][:2] == ["time [s]", "rpm"]

    clock = recording.truth.controller
    offsets = clock.offset_s + np.arange(-2.0, 2.0, 0.01)
    misfit = []
    for offset in offsets:
        there = log[:, 0] + offset
        inside = (there > 0) & (there < recording.motion.duration_s)
        misfit.append(np.mean((recording.motion.at("rpm", there[inside]) - log[inside, 1]) ** 2))
    assert offsets[int(np.argmin(misfit))] == pytest.approx(clock.offset_s, abs=0.03)
    assert abs(clock.rate_ppm) <= 150.0


def test_a_folder_that_is_not_there(recording: Recording, tmp_path: Path):
    """A log cannot be written to a missing folder, said in one line."""
    with pytest.raises(StorageError, match="cannot be written"):
        write_csv_log(recording, tmp_path / "nowhere" / "log.csv")
