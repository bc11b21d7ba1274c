"""Recordings: the same seed gives the same bytes, and the truth beside them fits what was recorded."""

import dataclasses
import json

import numpy as np
import pytest

from stream.car import parse_car
from stream.errors import InputError
from stream.sources.rehearsal.car import CALM, Weather
from stream.sources.rehearsal.driver import Needle
from stream.sources.rehearsal.record import Recording, record
from stream.sources.rehearsal.scenario import (
    TARGETS,
    demo_car_text,
    hold_drive,
    pull_session,
)
from stream.sources.rehearsal.script import Coast, Corner, PullAway, Shift, Stand, Stop, Track, TurnRound
from stream.sources.rehearsal.sensors import EXTRA, Adc, Chain, Converter, Link
from stream.sources.rehearsal.truth import change_by_band


@pytest.fixture(scope="module")
def holds() -> Recording:
    return hold_drive(3)


@pytest.fixture(scope="module")
def flawed() -> Recording:
    return pull_session(4, "plover", pulls=2, faults=("lost-samples", "clipped", "lift"))


def test_one_seed_gives_one_recording(holds: Recording):
    """The same seed gives the same samples, another seed others."""
    again, other = hold_drive(3), hold_drive(4)

    assert again.counts.tobytes() == holds.counts.tobytes()
    assert again.truth == holds.truth
    assert other.counts.shape != holds.counts.shape or other.counts.tobytes() != holds.counts.tobytes()


def test_a_switch_leaves_the_other_signals_as_they_were():
    """Each part has its own stream of chance: extra channels and losses change neither volts nor link."""
    plain = pull_session(8, "heron", pulls=1)
    rich = pull_session(8, "heron", pulls=1, chain=Chain(extra=tuple(EXTRA), adc=Adc(losses_per_minute=20.0)))

    assert rich.lost_samples > 0
    np.testing.assert_array_equal(rich.counts[:, :2], plain.counts[rich.index])


def test_hold_drive_is_as_long_as_promised(holds: Recording):
    """The row of holds lasts two to three minutes."""
    assert 120.0 < holds.time_s[-1] < 180.0
    assert [hold.target_rpm for hold in holds.truth.holds] == list(TARGETS)
    assert all(hold.end_s - hold.start_s > 5.0 for hold in holds.truth.holds)


def test_a_foot_wanders_by_tens_of_rpm_and_no_more(holds: Recording):
    """Half the range of speed in a hold is 10 to 60 rpm."""
    time_s, rpm = holds.motion.time_s, holds.motion["rpm"]
    assert len(holds.truth.holds) >= 6
    for hold in holds.truth.holds:
        inside = rpm[(time_s > hold.start_s + 1.0) & (time_s < hold.end_s)]
        assert 10.0 < np.ptp(inside) / 2.0 < 60.0


def test_the_needle_holds_the_target_not_the_engine(holds: Recording):
    """True speed is off the target by the needle's scale (at most 1 %) and reading (at most 50 rpm)."""
    assert len(holds.truth.holds) >= 6
    for hold in holds.truth.holds:
        assert abs(hold.mean_rpm - hold.target_rpm) < 0.01 * hold.target_rpm + 50.0 + 15.0


def test_volts_lie_on_the_true_line(holds: Recording):
    """0.25 V standing and 4.55 V at 7 400 rpm: V = 0.25 + 4.3 * rpm / 7400, averaged over a hold."""
    assert len(holds.truth.holds) >= 6
    for hold in holds.truth.holds:
        inside = (holds.time_s > hold.start_s + 0.5) & (holds.time_s < hold.end_s)
        volts = holds.samples[inside, 0].astype(np.float64).mean()
        rpm = holds.motion.at("rpm", holds.time_s[inside]).mean()
        assert volts == pytest.approx(0.25 + 4.3 * rpm / 7400.0, abs=0.002)
        assert volts * holds.truth.slope_rpm_per_unit + holds.truth.intercept_rpm == pytest.approx(rpm, abs=4.0)


def test_the_converter_lags_by_what_the_truth_says(flawed: Recording):
    """In a pull the volts are late: rpm read off them is behind by lag * slope."""
    pull = flawed.truth.pulls[0]
    inside = (flawed.time_s > pull.start_s + 2.0) & (flawed.time_s < pull.start_s + 6.0)
    read = flawed.samples[inside, 0].astype(np.float64) * flawed.truth.slope_rpm_per_unit + flawed.truth.intercept_rpm
    rpm = flawed.motion.at("rpm", flawed.time_s[inside])
    slope = np.polyfit(flawed.time_s[inside], rpm, 1)[0]

    assert (rpm - read).mean() / slope == pytest.approx(flawed.truth.lag_s, abs=0.002)


def test_dead_band_ceiling_and_scale_error():
    """A faulty converter stands at its dead and at its top voltage, and scales as planted."""
    converter = Converter(dead_below_rpm=1900.0, ceiling_rpm=5500.0, scale_error=0.03)
    recording = hold_drive(6, chain=Chain(converter=converter))
    volts = recording.samples[:, 0].astype(np.float64)
    first, last = recording.truth.holds[0], recording.truth.holds[-1]

    def mean(start_s: float, end_s: float) -> float:
        return float(volts[(recording.time_s > start_s + 0.5) & (recording.time_s < end_s)].mean())

    idle, low, top = mean(0.0, 8.0), mean(first.start_s, first.end_s), mean(last.start_s, last.end_s)
    assert idle == pytest.approx(low, abs=0.003)
    assert low == pytest.approx(0.25 + 4.3 * 1900.0 / 7400.0 * 1.03, abs=0.003)
    assert top == pytest.approx(0.25 + 4.3 * 5500.0 / 7400.0 * 1.03, abs=0.003)


def test_the_link_shows_push_over_its_constant_plus_zero(flawed: Recording):
    """The link reads force over newtons per unit, plus its zero."""
    pull = flawed.truth.pulls[0]
    inside = (flawed.time_s > pull.start_s + 1.0) & (flawed.time_s < pull.end_s - 0.5)
    push = flawed.motion.at("force", flawed.time_s[inside]).mean()
    read = flawed.samples[inside, 1].astype(np.float64).mean() - flawed.truth.zero

    # heat drift is under 0.012 mV/V, bush friction under 20 N
    assert read == pytest.approx(push / flawed.truth.newtons_per_unit, abs=0.012 + 20.0 / 2900.0)


def test_sign_turns_the_link_over():
    """A link built in the wrong way round has the other sign and nothing else."""
    plain, turned = (
        pull_session(2, "heron", pulls=1, chain=Chain(link=Link(sign=sign, zero_sd=0.0, heat_drift=0.0)))
        for sign in (1, -1)
    )
    assert turned.truth.newtons_per_unit == -plain.truth.newtons_per_unit
    assert np.corrcoef(plain.samples[:, 1], turned.samples[:, 1])[0, 1] < -0.99


def test_planted_losses_and_rails(flawed: Recording):
    """Lost and railed samples are where they were planted."""
    lost = next(pull for pull in flawed.truth.pulls if pull.faults == ("lost-samples",))
    clipped = next(pull for pull in flawed.truth.pulls if pull.faults == ("clipped",))
    ((row, count),) = flawed.gaps
    railed = flawed.time_s[flawed.samples[:, 1] > 2.0]

    assert count == 400  # less than a quarter of a second would be bridged
    assert lost.start_s < flawed.time_s[row] < lost.end_s
    assert flawed.index[row] - flawed.index[row - 1] == count + 1
    assert clipped.start_s < railed.min() <= railed.max() < clipped.end_s
    assert len(railed) == pytest.approx(500, abs=2)


def test_counts_are_in_the_converter_s_steps():
    """Samples are whole steps of the converter's bits."""
    coarse = hold_drive(3, targets=(2000.0,), chain=Chain(adc=Adc(bits=12)))

    assert coarse.channels[0].scale == pytest.approx(5.0 / 4096.0)
    assert coarse.counts.dtype == np.int16
    assert coarse.counts.max() <= 2047
    assert coarse.counts.min() >= -2048


@pytest.mark.parametrize("rate_hz", [500.0, 1000.0, 2500.0])
def test_signals_do_not_depend_on_the_sample_rate(rate_hz: float):
    """Means are the same at any sample rate."""
    quiet = Chain(rate_hz=rate_hz, converter=Converter(noise_v=0.0), link=Link(noise=0.0, hop_n=0.0, zero_sd=0.0))
    recording = hold_drive(3, targets=(3000.0,), chain=quiet)
    hold = recording.truth.holds[0]
    inside = (recording.time_s > hold.start_s + 1.0) & (recording.time_s < hold.end_s)

    volts = recording.samples[inside, 0].astype(np.float64)
    assert volts.mean() == pytest.approx(0.25 + 4.3 * hold.mean_rpm / 7400.0, abs=0.003)
    # ripple of a pulse train behind two stages of 12 and 8 ms: amplitude 2 V̄ over both √(1+(ωτ)²)
    omega = 2.0 * np.pi * 4.0 * hold.mean_rpm / 60.0
    ripple = 2.0 * (4.3 * hold.mean_rpm / 7400.0) / np.hypot(1.0, 0.012 * omega) / np.hypot(1.0, 0.008 * omega)
    fast = volts - np.convolve(np.pad(volts, 50, mode="edge"), np.ones(101) / 101, mode="valid")
    assert fast.std() * np.sqrt(2.0) == pytest.approx(ripple, rel=0.15)


def test_tunes_differ_where_and_by_what_was_planted():
    """plover over heron: 3 to 4 % of what is burnt, more at the wheels, since losses stay."""
    change = {band.rpm: band.change_pct for band in change_by_band("heron", "plover")}

    assert all(3.0 < change[rpm] < 4.5 for rpm in change if 4000.0 < rpm < 5000.0)
    assert all(abs(change[rpm]) < 0.05 for rpm in change if rpm < 3000.0 or rpm > 6000.0)
    assert list(change) == [2625.0 + 250.0 * step for step in range(len(change))]
    wren = {band.rpm: band.change_pct for band in change_by_band("heron", "wren")}
    assert all(-4.0 < wren[rpm] < -2.0 for rpm in wren if rpm > 6000.0)


def test_link_means_of_two_tunes_show_the_change():
    """From noisy recordings, zero taken off, 4 250 to 5 000 rpm: within a per cent of the planted change."""
    means = []
    for tune in ("heron", "plover"):
        recording = pull_session(9, tune, pulls=3)
        load = []
        for pull in recording.truth.pulls:
            inside = (recording.time_s > pull.start_s) & (recording.time_s < pull.end_s)
            rpm = recording.motion.at("rpm", recording.time_s[inside])
            band = (rpm > 4250.0) & (rpm < 5000.0)
            load.append(recording.samples[inside, 1][band].mean() - recording.truth.zero)
        means.append(np.mean(load))
    planted = [band.change_pct for band in change_by_band("heron", "plover") if 4250.0 < band.rpm < 5000.0]

    assert 100.0 * (means[1] / means[0] - 1.0) == pytest.approx(np.mean(planted), abs=1.0)


def test_truth_is_plain_data(flawed: Recording):
    """The truth is plain data that JSON can carry."""
    told = json.loads(json.dumps(flawed.truth.as_json()))

    assert told["pulls"][0]["tune"] == "plover"
    assert {tuple(pull["faults"]) for pull in told["pulls"]} == {
        (),
        ("lost-samples",),
        ("clipped",),
        ("lift",),
    }
    assert dataclasses.is_dataclass(flawed.truth)


def test_every_planted_flaw_can_be_driven():
    """Each flaw can be planted, alone."""
    faults = (
        "wheelspin",
        "lift",
        "gear-change",
        "part-throttle",
        "brake",
        "cornering",
        "bump",
        "too-short",
        "zero-drifted",
    )
    recording = pull_session(5, "heron", pulls=0, faults=faults, chain=Chain(rate_hz=200.0))

    assert {pull.faults for pull in recording.truth.pulls} == {(fault,) for fault in faults}
    assert recording.motion["rpm"].max() < 7500.0
    assert all(pull.end_s - pull.start_s < 30.0 for pull in recording.truth.pulls)


def test_the_scenario_s_car_file_is_sound():
    """The demo's car file loads without a warning."""
    car = parse_car(demo_car_text(tuple(EXTRA), time_column="time"))

    assert car.findings == ()
    assert car.need("engine_speed", "a drive").rpm_line == (1720.0, -430.0)
    assert [channel.name for channel in car.signal_channels] == ["speed_v", "link", *EXTRA]
    assert car.gearing.ratios == (3.0, 1.95, 1.38, 1.0)


def test_unknown_names_are_refused():
    """An unknown tune, flaw or channel is one line with those there are."""
    with pytest.raises(InputError, match="no tune 'robin'; use one of heron, plover, wren"):
        pull_session(1, "robin")
    with pytest.raises(InputError, match="no extra channel 'boost'"):
        pull_session(1, "heron", chain=Chain(extra=("boost",)))


def test_an_engine_that_stands_gives_the_standing_voltage():
    """A standing engine reads the converter's standing voltage."""
    recording = record((Stand(4.0, engine_on=False), Stand(4.0)), "heron", Chain(), CALM, Needle(), 1)
    volts = recording.samples[:, 0]

    assert volts[2500:4000].mean() == pytest.approx(0.25, abs=0.001)
    assert volts[6500:].mean() == pytest.approx(0.25 + 4.3 * 900.0 / 7400.0, abs=0.01)


def test_holds_parked_in_neutral_leave_the_link_alone():
    """Held standing in neutral, the link carries nothing."""
    recording = hold_drive(3, gear=0, targets=(2000.0, 3500.0, 5000.0))

    assert len(recording.truth.holds) == 3
    assert recording.motion["speed"].max() == 0.0
    assert abs(recording.samples[:, 1] - recording.truth.zero).max() < 0.05


def test_coastdowns_both_ways_straddle_the_still_air_road_load():
    """Wind and grade slow one way and push the other; on average A + C (v² + wind²) over the mass."""
    weather = Weather(headwind=2.0, gust=0.0, grade=0.003, unevenness=0.0)
    up = (PullAway(), Shift(2), Track(5000.0, 900.0), Shift(3), Track(6300.0, 900.0))
    there_and_back = 2 * (*up, Coast(90.0, to_mps=4.0), Stop(), TurnRound())
    recording = record(
        (Stand(5.0), *there_and_back), "heron", Chain(rate_hz=100.0, extra=("road_speed",)), weather, Needle(), 1
    )
    speed, time_s = recording.motion["speed"], recording.motion.time_s
    coasting = (recording.motion["gear"] == 0) & (np.abs(speed - 20.0) < 1.0)
    runs = np.split(np.flatnonzero(coasting), np.flatnonzero(np.diff(np.flatnonzero(coasting)) > 1) + 1)
    slowing = [-np.polyfit(time_s[run], speed[run], 1)[0] for run in runs if len(run) > 100]

    assert len(slowing) == 2
    assert slowing[0] > 1.2 * slowing[1]
    expected = (0.013 * 790.0 * 9.80665 + 3.0 / 0.281 + 0.348 * (20.0**2 + 2.0**2)) / (790.0 + 3.0 / 0.281**2)
    assert np.mean(slowing) == pytest.approx(expected, rel=0.01)


def test_a_steady_turn_puts_its_share_on_the_link():
    """45 N per m/s² sideways: 4 m/s² for a few seconds lifts the link by 180 N over what the axle pushes."""
    script = (Stand(1.0), PullAway(), Shift(2), Track(3000.0, dwell_s=2.0), Corner(5.0, lateral=4.0))
    quiet = Chain(link=Link(zero_sd=0.0, heat_drift=0.0))
    recording = record(script, "heron", quiet, CALM, Needle(), 1)
    turning = recording.motion.at("lateral", recording.time_s) > 3.99
    link_n = recording.samples[turning, 1].astype(np.float64).mean() * recording.truth.newtons_per_unit
    push = recording.motion.at("force", recording.time_s[turning]).mean()

    assert turning.sum() > 4000
    assert link_n - push == pytest.approx(180.0, abs=25.0)
