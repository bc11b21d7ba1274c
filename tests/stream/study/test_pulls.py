"""Sessions of the rehearsal car as the study reads them, beside what the model knows to be so."""

import math
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from stream.calibrate.link.zero import PullZero, ZeroPart
from stream.errors import InputError
from stream.sources.rehearsal.record import Recording
from stream.sources.rehearsal.scenario import demo_car_text
from stream.sources.rehearsal.sensors import Chain, Converter, Link
from stream.sources.rehearsal.truth import change_by_band
from stream.study.compare.compare import compare
from stream.study.compare.curve import curves
from stream.study.dataset import open_dataset, open_datasets
from stream.study.pulls import all_traces, gear_of, gear_of_pull, pull_traces
from tests.stream.study.made import pull as made_pull
from tests.stream.study.rehearsed import BEGAN, day, session

EXTRA = ("road_speed", "lambda", "manifold_pressure")


@pytest.fixture(scope="module")
def drive(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Recording]:
    """One session with lost samples and channels beside, its link the wrong way round."""
    path = tmp_path_factory.mktemp("drive") / "drive.h5"
    chain = Chain(rate_hz=500.0, extra=EXTRA, link=Link(sign=-1))
    car = demo_car_text(EXTRA).replace("sign = 1", "sign = -1\nnewtons_per_unit = 2900.0")
    return path, session(path, 15, "heron", BEGAN, chain, car, gear=None, faults=("lift",))


def test_pulls_carry_tune_place_time_gear_and_verdict(drive) -> None:
    """A pull knows its tune, session, time, gear and verdict."""
    path, recording = drive
    found = open_dataset(path)
    pulls = pull_traces(found)
    clean = [pull for pull in pulls if pull.usable]

    assert len(pulls) == len(found.pulls)
    assert len(clean) == sum(not pull.faults for pull in recording.truth.pulls)
    assert {pull.tune for pull in pulls} == {"heron"}
    assert {pull.gear for pull in clean} == {3}  # not declared: from road speed
    assert [pull.order for pull in pulls] == list(range(len(pulls)))
    for pull, record in zip(pulls, found.pulls, strict=True):
        assert pull.started == pytest.approx(BEGAN.timestamp() + record.start_s)
        assert (pull.verdict, pull.faults) == (record.verdict, record.faults)
        assert pull.time_s[0] == pytest.approx(record.start_s - 1.0, abs=0.02)
        assert pull.time_s[-1] == pytest.approx(record.end_s + 1.0, abs=0.02)


def test_load_is_the_push_in_newtons_with_zero_off(drive) -> None:
    """Load in newtons, zero taken off, is the model's push."""
    path, recording = drive
    used = [pull for pull in pull_traces(open_dataset(path)) if pull.usable]
    assert used
    for pull in used:
        inside = (pull.time_s > pull.start_s + 0.5) & (pull.time_s < pull.end_s - 0.2)
        true = recording.motion.at("force", pull.time_s[inside])

        assert pull.unit == "N"
        # the bush holds the link back by up to 20 N, and a zero is as good as the stands show
        assert float(np.mean(pull.load[inside] - true)) == pytest.approx(0.0, abs=20.0 + 2.0 * pull.zero.doubt)


def test_conditions_are_means_over_the_pull(drive) -> None:
    """Conditions are channel means over the pull."""
    path, recording = drive
    found = open_dataset(path)
    pulls = pull_traces(found)
    assert pulls
    for pull in pulls:
        time = recording.time_s
        inside = (time >= pull.start_s) & (time <= pull.end_s)
        columns = {
            channel.name: recording.samples[inside, place].astype(float).mean()
            for place, channel in enumerate(recording.channels)
        }

        assert pull.conditions["lambda"] == pytest.approx(columns["lambda"], rel=1e-3)
        assert pull.conditions["manifold_hpa"] == pytest.approx(10.0 * columns["manifold_pressure"], rel=1e-3)
        assert set(pull.conditions) == {"lambda", "manifold_hpa"}


def test_gear_from_road_speed() -> None:
    """Third of 4.3 × 1.38 on wheels of 0.281 m: 5 000 rpm is 5000 / 60 · 2π · 0.281 / 5.934 = 24.79 m/s."""
    car = load_car_of_the_scenario()

    assert gear_of(5000.0, 24.79, car) == 3
    assert gear_of(5000.0, 24.79 * 0.94, car) == 3  # the tyre slips
    assert gear_of(5000.0, 24.79 * 1.38, car) == 4
    assert gear_of(5000.0, 24.79 * 1.19, car) is None  # between two
    assert gear_of(5000.0, float("nan"), car) is None
    assert gear_of(float("nan"), 20.0, car) is None


def test_road_speed_outranks_a_declared_gear() -> None:
    """It is a measurement. Where it fits no gear the declared one stays and is said to be contradicted, unless engine
    speed is by a provisional line, which may be 30 % off."""
    car = load_car_of_the_scenario()
    third, between = 24.79, 24.79 * 1.19
    known = {mps: gear_of_pull(4, 5000.0, mps, car, speed_known=True) for mps in (third, between, math.nan)}
    provisional = {mps: gear_of_pull(4, 5000.0, mps, car, speed_known=False) for mps in (third, between)}

    assert known[third] == (3, "road speed")
    assert known[between] == (4, "contradicted")
    assert known[math.nan] == (4, "declared")
    assert provisional == {third: (3, "road speed"), between: (4, "declared")}
    assert gear_of_pull(None, 5000.0, third, car, speed_known=False) == (3, "road speed")
    assert gear_of_pull(None, 5000.0, math.nan, car, speed_known=True) == (None, "")


def test_a_zero_is_taken_off_once_however_often_it_is_asked() -> None:
    """And can be put back."""
    off = PullZero(0.1, (ZeroPart("zero", 0.01),))
    twice = made_pull(level=1.0).with_zero(off).with_zero(off)

    assert twice.load == pytest.approx(np.full(801, 0.9))
    assert twice.without_zero().load == pytest.approx(np.ones(801))


def load_car_of_the_scenario():
    from stream.car import parse_car

    return parse_car(demo_car_text())


def test_lag_and_its_doubt_come_from_the_car_file(tmp_path) -> None:
    """A lag that is not taken off moves a falling curve to the left by lag · rate, so load at a given rpm rises or
    falls with the curve's slope; taken off, two sessions with different converters give one curve."""
    paths = []
    for place, (smoothing, text) in enumerate((((0.004, 0.006), "0.01"), ((0.05, 0.06), "0.11"))):
        paths.append(tmp_path / f"{place}.h5")
        chain = Chain(rate_hz=200.0, converter=Converter(smoothing_s=smoothing))
        car = demo_car_text().replace("lag_s = 0.02", f"lag_s = {text}")
        session(paths[-1], 7, "heron", BEGAN + timedelta(hours=place), chain, car, pulls=3)
    pulls, words = all_traces(open_datasets(paths))
    by_session = [curves([pull for pull in pulls if pull.session == str(path)]) for path in paths]
    quick, slow = ({band.rpm: band.mean for band in found.tunes[0].bands} for found in by_session)

    assert [pulls[0].lag_s, pulls[-1].lag_s] == [0.01, 0.11]
    assert pulls[-1].u_lag_s == pytest.approx(0.2 * 0.11 / np.sqrt(3))
    assert "speed-lag-differs" in {one.code for one in words}
    shared = sorted(set(quick) & set(slow))
    assert len(shared) >= 14
    assert [slow[rpm] for rpm in shared] == pytest.approx([quick[rpm] for rpm in shared], rel=0.006)


def test_zeros_are_shared_by_the_pulls_of_a_session(drive) -> None:
    """All pulls of a session stand on the same zero."""
    path, _ = drive
    pulls = pull_traces(open_dataset(path))

    assert all(pull.zero is not None and pull.zero.doubt > 0 for pull in pulls)
    keys = [{part.key for part in pull.zero.parts} for pull in pulls]
    assert set.intersection(*keys)


def test_a_car_without_a_link_cannot_be_studied(tmp_path) -> None:
    """Without a load channel there is nothing to study, said in one line."""
    path = tmp_path / "plain.h5"
    session(path, 8, "heron", BEGAN, Chain(rate_hz=100.0), zeros=None, pulls=1)
    found = open_dataset(path)
    bare = type(found.car)(car=found.car.car, channel=found.car.channel[:1])

    with pytest.raises(InputError, match="load"):
        pull_traces(open_dataset(path, bare))


def test_two_tunes_in_turns_on_the_rehearsal_car(tmp_path) -> None:
    """The change between two tunes of the physical model is found in its interval."""
    pulls, _ = all_traces(open_datasets(day(tmp_path, 3, ("heron", "plover") * 2, chain=Chain(rate_hz=500.0))))
    result = compare(pulls, "heron", "plover")
    truth = {band.rpm: band.change_pct for band in change_by_band("heron", "plover")}

    bands = [band for band in result.bands if band.rpm in truth]
    assert len(bands) == len(truth)
    assert not result.order_only
    assert sum(band.low_pct <= truth[band.rpm] <= band.high_pct for band in bands) >= len(bands) - 1
    assert {band.rpm for band in bands if band.resolved} >= {rpm for rpm, pct in truth.items() if pct > 3.5}
    assert all(truth[band.rpm] > 0.3 for band in bands if band.resolved)
