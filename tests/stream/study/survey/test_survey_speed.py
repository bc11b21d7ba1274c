"""Ripple, pulses per turn, ends and lag: planted by the test's own generator or by the rehearsal car."""

from pathlib import Path

import numpy as np
import pytest

from stream.sources.rehearsal.scenario import hold_drive, pull_session
from stream.sources.rehearsal.sensors import Chain, Converter
from stream.study.survey.survey import survey_session
from tests.drives import RPM_PER_V, car
from tests.stream.study.survey.sessions import record_rehearsal, record_samples
from tests.stream.study.survey.test_survey_channels import plan
from ui.text.findings import say
from ui.text.survey import kind, lag_line, seen_and_cure

RATE_HZ = 1000.0


def with_ripple(seed: int, amplitude_v: float, pulses: float, rate_hz: float) -> np.ndarray:
    """The three holds with a sine of the pulse frequency on the volts; its phase runs with the true speed."""
    drive = plan(seed, rate_hz)
    samples = drive.samples(0.003)
    turns = np.cumsum(drive.rpm) / 60.0 / rate_hz
    samples[:, 0] += amplitude_v * np.sin(2 * np.pi * pulses * turns)
    return samples


@pytest.mark.parametrize(("pulses", "rate_hz"), [(2.0, 1000.0), (4.0, 1000.0), (4.0, 400.0), (6.0, 1000.0)])
@pytest.mark.parametrize("amplitude_v", [0.002, 0.02])
def test_ripple_and_pulses_per_turn_come_back(
    tmp_path: Path, pulses: float, rate_hz: float, amplitude_v: float
) -> None:
    """Amplitude within 12 %, pulses a turn within 1 %, also where the rate folds the pulse frequency (4 at 400 Hz)."""
    path = record_samples(tmp_path / "a.h5", with_ripple(11, amplitude_v, pulses, rate_hz), rate_hz, car())

    speed = survey_session(path).speed

    assert speed is not None
    assert speed.ripple_rpm == pytest.approx(amplitude_v * RPM_PER_V, rel=0.12)
    assert speed.pulses_per_turn.measured == pytest.approx(pulses, rel=0.01)
    assert speed.pulses_per_turn.per_turn is None  # the provisional line may be 30 % off: no count is named by it


def test_without_ripple_only_the_product_is_known(tmp_path: Path) -> None:
    """No line: no count, a limit for what could have hidden, and the words that volts alone give a product."""
    speed = survey_session(record_samples(tmp_path / "a.h5", plan(12, RATE_HZ).samples(0.003), RATE_HZ, car())).speed

    assert speed is not None
    assert (speed.ripple_rpm, speed.pulses_per_turn.measured) == (None, None)
    assert speed.ripple_limit_rpm is not None
    assert speed.ripple_limit_rpm < 0.003 * RPM_PER_V
    assert "only the product is known" in say(speed.pulses_per_turn.said)


def test_a_wrong_count_in_the_car_file_is_told(tmp_path: Path) -> None:
    """The car file says 2 pulses a turn, the ripple 6: far outside what a provisional line can be wrong by."""
    wrong = car(extra="[engine]\npulses_per_turn = 2\n")
    path = record_samples(tmp_path / "a.h5", with_ripple(13, 0.01, 6.0, RATE_HZ), RATE_HZ, wrong)

    findings = survey_session(path).findings

    assert [kind(finding) for finding in findings] == ["pulses per turn"]
    assert findings[0].severity == "warning"


@pytest.mark.parametrize(("dead", "ceiling"), [(1900.0, 5200.0), (None, 5600.0), (2400.0, None)])
def test_dead_band_and_ceiling_are_told_in_words(tmp_path: Path, dead: float | None, ceiling: float | None) -> None:
    """Within 50 rpm of what the rehearsal's converter has, and the words a car builder uses."""
    chain = Chain(converter=Converter(dead_below_rpm=dead, ceiling_rpm=ceiling))

    survey = survey_session(record_rehearsal(tmp_path / "a.h5", hold_drive(5, chain=chain)))

    assert survey.speed is not None
    for found, truth in ((survey.speed.dead_below_rpm, dead), (survey.speed.ceiling_above_rpm, ceiling)):
        assert (found is None) == (truth is None)
        assert truth is None or found == pytest.approx(truth, abs=50)
    if dead == 1900.0:
        assert "dead below about 1 900 rpm" in {seen_and_cure(finding)[0] for finding in survey.findings}


@pytest.mark.parametrize("stages", [(0.012, 0.008), (0.06, 0.05), (0.19, 0.01)])
def test_the_lag_of_the_converter_is_found(tmp_path: Path, stages: tuple[float, float]) -> None:
    """The sum of both smoothing stages, within 25 ms and within two and a half of its own stated doubts."""
    drive = pull_session(21, "heron", pulls=2, chain=Chain(converter=Converter(smoothing_s=stages)))

    survey = survey_session(record_rehearsal(tmp_path / "a.h5", drive))

    speed = survey.speed
    assert speed is not None
    assert speed.lag_s == pytest.approx(sum(stages), abs=0.025)
    assert abs(speed.lag_s - sum(stages)) < 2.5 * speed.u_lag_s
    assert ("slow response" in {kind(finding) for finding in survey.findings}) == (sum(stages) > 0.1)


def test_the_lag_behind_a_second_speed_channel(tmp_path: Path) -> None:
    """A controller's own rpm on another channel: 80 ms of one RC stage come back within 5 ms."""
    from stream.block import ChannelInfo, StreamInfo

    rng = np.random.default_rng(8)
    drive = plan(14, RATE_HZ).ramp(6500, 2500).ramp(2000, 2500).pause(2).ramp(6000, 2000).pause(2)
    keep = np.exp(-1 / (RATE_HZ * 0.08))
    late = [drive.rpm[0]]
    for value in drive.rpm[1:].tolist():
        late.append(keep * late[-1] + (1 - keep) * value)
    volts = 0.25 + np.array(late) / RPM_PER_V + rng.normal(size=len(late)) * 0.003
    samples = np.column_stack((volts, drive.rpm + rng.normal(size=len(late)) * 3))
    text = (
        car().text.split('[[channel]]\nname = "link"')[0] + '[[channel]]\nname = "ecu"\nrole = "other"\nunit = "rpm"\n'
    )
    from stream.car import parse_car

    stream = StreamInfo(RATE_HZ, (ChannelInfo("speed_v", "V"), ChannelInfo("ecu", "rpm")))
    survey = survey_session(record_samples(tmp_path / "a.h5", samples, RATE_HZ, parse_car(text), stream))

    assert survey.speed is not None
    assert survey.speed.lag_from == "ecu"
    assert survey.speed.lag_s == pytest.approx(0.08, abs=0.005)
    assert "slow response" in {kind(finding) for finding in survey.findings}


def test_a_lag_without_a_sharp_change_cannot_be_known(tmp_path: Path) -> None:
    """Holds by foot with gentle ramps: null, and the words that say so."""
    speed = survey_session(record_rehearsal(tmp_path / "a.h5", hold_drive(6))).speed

    assert speed is not None
    assert speed.lag_s is None
    assert "cannot be known from this drive" in lag_line(speed)
