"""Noise, steps, spikes and clipping that the test's own generator planted are found again."""

from pathlib import Path

import numpy as np
import pytest

from stream.block import ChannelInfo, StreamInfo
from stream.car import parse_car
from stream.study.survey.survey import survey_session
from tests.drives import RPM_PER_V, Plan, car
from tests.stream.study.survey.sessions import record_samples
from ui.text.survey import kind, seen_and_cure

TEMPERATURE_CAR = '[car]\nname = "hill-climb special"\n[[channel]]\nname = "oil"\nrole = "temperature"\nunit = "C"\n'


def plan(seed: int, rate_hz: float) -> Plan:
    """Stand still, hold three speeds by foot with ramps between."""
    drive = Plan(seed, rate_hz)
    drive.now = 900.0
    return (
        drive.pause(6)
        .ramp(2000, 400)
        .hold(2000, 6)
        .ramp(3500, 400)
        .hold(3500, 6)
        .ramp(5000, 400)
        .hold(5000, 6)
        .ramp(900, 600)
        .pause(4)
    )


@pytest.mark.parametrize("rate_hz", [20.0, 200.0, 2000.0])
@pytest.mark.parametrize("noise_v", [0.001, 0.02])
def test_noise_is_found_within_15_percent(tmp_path: Path, rate_hz: float, noise_v: float) -> None:
    """The planted standard deviation comes back at every rate, in volts and in rpm by the car file's line."""
    path = record_samples(tmp_path / "a.h5", plan(3, rate_hz).samples(noise_v), rate_hz, car())

    speed = survey_session(path).channels[0]

    assert speed.noise == pytest.approx(noise_v, rel=0.15)
    assert speed.noise_rpm == pytest.approx(noise_v * RPM_PER_V, rel=0.15)


@pytest.mark.parametrize("bits", [8, 10, 12, 14])
def test_the_step_of_the_converter_is_found_to_a_thousandth(tmp_path: Path, bits: int) -> None:
    """5 V in 2^bits steps, whatever the noise of 4 mV is to them."""
    step = 5.0 / 2**bits
    samples = plan(4, 200.0).samples(0.004)
    samples[:, 0] = np.round(samples[:, 0] / step) * step

    speed, link = survey_session(record_samples(tmp_path / "a.h5", samples, 200.0, car())).channels

    assert speed.resolution == pytest.approx(step, rel=1e-3)
    assert speed.resolution_rpm == pytest.approx(step * RPM_PER_V, rel=1e-3)
    assert link.resolution is None  # never rounded to any step


def test_spikes_to_zero_and_to_the_rail_are_counted(tmp_path: Path) -> None:
    """Single samples at zero or at 5 V, none lost and none invented."""
    samples = plan(5, 200.0).samples()
    samples[np.arange(300, 4300, 400), 0] = 0.0
    samples[np.arange(500, 4500, 800), 0] = 4.899

    survey = survey_session(record_samples(tmp_path / "a.h5", samples, 200.0, car()))

    assert survey.channels[0].spikes == 10 + 5
    assert [kind(finding) for finding in survey.findings if finding.values["channel"] == "speed_v"] == ["spikes"]


def test_gaps_and_clipping_are_counted(tmp_path: Path) -> None:
    """Three gaps of 7, 30 and 1 samples; 50 samples of the link beyond its range."""
    samples = plan(6, 200.0).samples()
    samples[2000:2050, 1] = 2.04

    path = record_samples(tmp_path / "a.h5", samples, 200.0, car(), gaps={1000: 7, 2500: 30, 3000: 1})
    survey = survey_session(path)

    gone = survey.dropouts
    assert (gone.lost_samples, gone.gaps, gone.longest_gap_s) == (38, 3, pytest.approx(0.15))
    assert gone.gaps_per_minute == pytest.approx(3 / (survey.session.duration_s / 60))
    assert survey.channels[1].clipped_samples == 50
    assert {kind(finding) for finding in survey.findings} >= {"lost samples", "clipping"}


def test_a_dead_wire_is_told(tmp_path: Path) -> None:
    """A link that never moves is flat, and what to change is its wire."""
    samples = plan(7, 200.0).samples()
    samples[:, 1] = 0.25

    survey = survey_session(record_samples(tmp_path / "a.h5", samples, 200.0, car()))

    flat = next(finding for finding in survey.findings if kind(finding) == "flat")
    assert survey.channels[1].flat
    assert (flat.values["channel"], flat.severity) == ("link", "warning")
    assert "wire" in seen_and_cure(flat)[1]


def test_strain_is_told_where_the_bridge_is_known(tmp_path: Path) -> None:
    """Full bridge in bending: mV/V = gauge factor × strain / 1000, so 0.02 mV/V is 0.02e3 / 2.08 microstrain."""
    text = car().text.replace('unit = "mV/V"', 'unit = "mV/V"\nbridge = "full-bending"\ngauge_factor = 2.08')
    path = record_samples(tmp_path / "a.h5", plan(8, 200.0).samples(), 200.0, parse_car(text))

    link = survey_session(path).channels[1]

    assert link.noise == pytest.approx(0.02, rel=0.1)
    assert link.noise_microstrain == pytest.approx(0.02e3 / 2.08, rel=0.1)


@pytest.mark.parametrize("rows", [3, 40, 700])
def test_one_channel_that_is_no_speed_is_surveyed_all_the_same(tmp_path: Path, rows: int) -> None:
    """A short session of one temperature: its channel is there, the rest cannot be known."""
    from stream.block import Block
    from tests.stream.record.conftest import make_writer

    info = StreamInfo(10.0, (ChannelInfo("oil", "C"),))
    writer = make_writer(tmp_path / "a.h5", info=info)
    writer.append(Block(np.linspace(20, 90, rows, dtype=np.float32)[:, None], 0, 10.0))
    writer.finish()

    survey = survey_session(tmp_path / "a.h5", parse_car(TEMPERATURE_CAR))

    assert (survey.speed, survey.load, survey.steadiness) == (None, None, None)
    assert [(channel.name, channel.role) for channel in survey.channels] == [("oil", "temperature")]
    assert survey.channels[0].highest == pytest.approx(90.0)
