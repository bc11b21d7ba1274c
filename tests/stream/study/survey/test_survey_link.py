"""Cross-talk, hop and firing on the link; the second criterion; and silence on a healthy chain."""

from pathlib import Path

import numpy as np
import pytest

from stream.record.session import open_session
from stream.sources.rehearsal.scenario import hold_drive, pull_session
from stream.sources.rehearsal.sensors import Chain, Link
from stream.study.survey.survey import survey_session
from tests.drives import Plan, car
from tests.stream.study.survey.sessions import record_rehearsal, record_samples
from ui.text.findings import say


def test_cross_talk_of_spoilt_pulls(tmp_path: Path) -> None:
    """Turn: 45 N per m/s² at 6 m/s², against the clean pulls' true push, within a third; brake and bounce seen."""
    drive = pull_session(31, "heron", faults=("brake", "cornering", "bump"))
    push = [
        np.quantile(drive.motion.at("force", np.arange(pull.start_s + 0.5, pull.end_s, 0.01)), 0.9)
        for pull in drive.truth.pulls
        if not pull.faults
    ]

    load = survey_session(record_rehearsal(tmp_path / "a.h5", drive)).load

    assert load is not None
    assert load.cross_talk_from == "pulls"
    assert load.cross_talk_pct.turn == pytest.approx(100 * 45.0 * 6.0 / np.mean(push), rel=0.33)
    assert load.cross_talk_pct.brake is not None
    assert load.cross_talk_pct.brake < -5
    assert load.cross_talk_pct.bounce is not None
    assert load.cross_talk_pct.bounce > 10


def test_cross_talk_of_marks(tmp_path: Path) -> None:
    """Steps of 0.10 and -0.06 behind the marks 'turn' and 'brake', in % of the pulls' known height, within a fifth."""
    import h5py

    rate = 200.0
    drive = Plan(41, rate)
    drive.now = 2000.0
    for _ in range(2):
        drive.pause(4).ramp(6000, 800).ramp(2000, 700)
    start = drive.pause(4).time_s
    drive.pause(14)
    rpm, rng = drive.rpm, np.random.default_rng(1)
    gain = np.gradient(rpm) * rate
    link = np.where(gain > 100, 1.0, 0.05) + 0.005 * rng.normal(size=len(rpm))
    t = np.arange(len(rpm)) / rate
    link += 0.10 * ((t > start + 2.3) & (t < start + 5)) - 0.06 * ((t > start + 8.3) & (t < start + 11))
    samples = drive.samples()
    samples[:, 1] = link
    path = record_samples(tmp_path / "a.h5", samples, rate, car())
    with open_session(path) as session:
        dtype = session.h5["events"].dtype
    with h5py.File(path, "r+") as file:
        marks = np.array([(start + 2, "mark", "long turn", np.nan), (start + 8, "mark", "braking", np.nan)], dtype)
        file["events"].resize(len(file["events"]) + 2, axis=0)
        file["events"][-2:] = marks

    load = survey_session(path).load

    assert load is not None
    assert load.cross_talk_from == "marks"
    assert load.cross_talk_pct.turn == pytest.approx(100 * 0.10 / 0.95, rel=0.2)
    assert load.cross_talk_pct.brake == pytest.approx(-100 * 0.06 / 0.95, rel=0.2)
    assert load.cross_talk_pct.bounce is None


@pytest.mark.parametrize("hop_hz", [9.0, 16.0])
def test_wheel_hop_and_firing_order(tmp_path: Path, hop_hz: float) -> None:
    """The rehearsal's hop within 1 Hz; four cylinders fire twice a turn; a strong hop under the cutoff gives advice."""
    drive = pull_session(32, "heron", pulls=2, chain=Chain(link=Link(hop_hz=hop_hz, hop_n=300.0)))

    load = survey_session(record_rehearsal(tmp_path / "a.h5", drive)).load

    assert load is not None
    assert load.hop_hz == pytest.approx(hop_hz, abs=1.0)
    assert load.firing_order == 2.0
    assert (load.cutoff_advice_hz is not None) == (hop_hz < 14.0)
    assert load.cutoff_advice_hz is None or load.cutoff_advice_hz < hop_hz


def test_the_second_criterion_agrees_with_holds_on_white_noise(tmp_path: Path) -> None:
    """White noise: near the 95 % its critical value is made for; a foot's wander needs values further apart."""
    agreed, steps = [], []
    for amplitude in (0.0, 45.0):
        drive = Plan(51, 200.0)
        drive.now = 1500.0
        for speed in (2000, 3000, 4000, 5000):
            drive.ramp(speed, 400).hold(speed, 8, amplitude)
        steadiness = survey_session(
            record_samples(tmp_path / f"{amplitude}.h5", drive.samples(), 200.0, car())
        ).steadiness
        assert steadiness is not None
        assert len(steadiness.holds) == 4
        agreed.append(steadiness.agrees_pct)
        steps.append(steadiness.step_s)

    assert agreed[0] == pytest.approx(95, abs=4)
    assert steps[0] == 0.02
    assert steps[1] >= 0.4
    assert agreed[1] < agreed[0]


@pytest.mark.parametrize("seed", [100, *(pytest.param(seed, marks=pytest.mark.coverage) for seed in range(101, 104))])
def test_a_healthy_chain_gives_no_finding(tmp_path: Path, seed: int) -> None:
    """Four days of holds and four of pulls on the rehearsal car: nothing to change, no false alarm."""
    for number, drive in enumerate((hold_drive(seed, dwell_s=5.0), pull_session(seed, "plover", pulls=2))):
        survey = survey_session(record_rehearsal(tmp_path / f"{number}.h5", drive))

        assert [say(finding) for finding in survey.findings] == []
