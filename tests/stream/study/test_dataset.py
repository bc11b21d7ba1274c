"""A session as the study sees it: one clock, one opening, no number worked back from another."""

from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest

import stream.record.session
from stream.errors import InputError
from stream.record import layout
from stream.sources.rehearsal.record import Recording
from stream.sources.rehearsal.scenario import demo_car_text
from stream.sources.rehearsal.sensors import Chain
from stream.study.dataset import open_dataset, open_datasets
from tests.stream.study.rehearsed import BEGAN, session

EXTRA = ("road_speed", "throttle", "manifold_pressure")


@pytest.fixture(scope="module")
def drive(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Recording]:
    """One session of the rehearsal car at 500 Hz, some samples lost, three channels beside."""
    path = tmp_path_factory.mktemp("drive") / "drive.h5"
    plain = Chain(rate_hz=500.0, extra=EXTRA)
    chain = replace(plain, adc=replace(plain.adc, losses_per_minute=4.0, longest_loss=100))
    return path, session(path, 15, "heron", BEGAN, chain, demo_car_text(EXTRA), gear=3)


def sampled(recording: Recording, name: str) -> np.ndarray:
    place = [channel.name for channel in recording.channels].index(name)
    return recording.samples[:, place].astype(np.float64)


def test_a_channel_stands_on_the_live_clock(drive) -> None:
    """Each value is a mean of the raw samples within half a tick of it, whatever was lost before."""
    path, recording = drive
    with open_dataset(path) as data:
        throttle, ticks = data.channel("throttle"), data.time_s
    time = recording.time_s
    assert recording.lost_samples > 0
    checked = 0
    for tick in range(100, len(ticks), 97):
        near = sampled(recording, "throttle")[
            np.abs(time - ticks[tick]) < 0.0061
        ]  # half of a tick of 10 ms, one sample
        if len(near) >= 5:
            assert near.min() - 1e-4 <= throttle[tick] <= near.max() + 1e-4
            checked += 1
    assert checked >= 100


def test_units_are_turned(drive) -> None:
    """1 kPa is 10 hPa; a unit of another quantity gives nothing, and so does a channel that is not there."""
    with open_dataset(drive[0]) as data:
        kpa, hpa = data.channel("manifold_pressure", "kPa"), data.channel("manifold_pressure", "hPa")
        assert hpa == pytest.approx(10 * kpa, nan_ok=True)
        assert data.channel("manifold_pressure", "rpm") is None
        assert data.channel("lambda") is None


def test_even_rows_are_means_of_whole_steps(drive) -> None:
    """Ten rows a second at 500 Hz are fifty samples each; a row in which all samples were lost is missing."""
    path, recording = drive
    with open_dataset(path) as data:
        rows = data.even(("throttle", "road_speed"), 10.0)
        assert data.even(("throttle", "road_speed"), 10.0) is rows
    place = np.floor(recording.time_s / 0.1 + 1e-9).astype(int)
    for number in range(5, len(rows.time_s), 501):
        there = sampled(recording, "throttle")[place == number]
        assert rows.channels["throttle"][number] == pytest.approx(there.mean(), rel=1e-6)
        assert rows.time_s[number] == pytest.approx(number * 0.1 + 0.049)
    assert rows.step_s == pytest.approx(0.1)


def test_the_filtered_signal_is_no_inverted_rpm(drive, tmp_path) -> None:
    """A session without /live/signal gets it from raw by the same live stage: to the bit what a file with it holds."""
    path, _ = drive
    with open_dataset(path) as data:
        made = data.signal
        slope, zero = data.line
        assert data.recorded_holds
        rpm = data.speed_rpm
    good = np.isfinite(made)
    assert good.sum() > 1000
    assert rpm[good] == pytest.approx(slope * made[good] + zero, rel=1e-6)

    bare = tmp_path / "bare.h5"
    bare.write_bytes(path.read_bytes())
    with h5py.File(bare, "r+") as file:
        if layout.LIVE_SIGNAL in file:
            del file[layout.LIVE_SIGNAL]
    with open_dataset(bare) as data:
        np.testing.assert_array_equal(data.signal, made)


def test_raw_stretches_and_means_know_lost_samples(drive) -> None:
    """Rows are found by the session's clock; a stretch with a hole is refused."""
    path, recording = drive
    time = recording.time_s
    with open_dataset(path) as data:
        road = data.first("road_speed")
        for start in (3.0, 40.0, float(time[-1]) - 5.0):
            inside = (time >= start - 1e-9) & (time < start + 2.0 - 1e-9)
            expected = sampled(recording, "road_speed")[inside].mean()
            assert data.mean_over(["road_speed"], start, start + 2.0)["road_speed"] == pytest.approx(expected, rel=1e-6)
        gap = int(np.argmax(np.diff(time)))
        with pytest.raises(InputError, match="missing"):
            data.stretch(road, float(time[gap]) - 1.0, float(time[gap]) + 1.0, "zero")
        with pytest.raises(InputError, match="behind the end"):
            data.stretch(road, 1.0, 1e6, "zero")
        with pytest.raises(InputError, match="no stretch"):
            data.stretch(road, 5.0, 4.0, "zero")


def test_a_session_is_opened_once(drive, monkeypatch) -> None:
    """Everything that is asked of it comes from the one opening; what was made stays after it is closed."""
    opened = []
    real = stream.record.session._open_h5
    monkeypatch.setattr(stream.record.session, "_open_h5", lambda path: opened.append(path) or real(path))
    with open_dataset(drive[0]) as data:
        assert len(data.signal) == len(data.time_s) == len(data.load) == len(data.speed_rpm)
        data.even(("throttle",))
        assert data.pulls
        assert data.recorded_holds
    assert len(opened) == 1
    assert len(data.pulls) == len(data.pull_marks)


def test_one_session_named_twice_is_refused(drive, tmp_path) -> None:
    """By a link too."""
    link = tmp_path / "link.h5"
    link.symlink_to(drive[0])
    with pytest.raises(InputError, match="twice"):
        open_datasets([drive[0], link])
