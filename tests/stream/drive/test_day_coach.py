"""The coach in the car: the same answer as the command on the same files, and no drive waits for it."""

import threading
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from stream.drive import day_coach
from stream.drive.day_coach import DayCoach
from stream.drive.offline import run_offline
from stream.record.session import open_session
from stream.sources.replay import ReplaySource
from stream.study.compare.coach import coach
from stream.study.dataset import open_datasets
from stream.study.pulls import all_traces
from tests.drives import car
from tests.stream.drive.test_drive import running, taken, until
from tests.stream.live.test_pulls import Road, lift
from ui.text.next_step import next_step


def day_of(folder: Path, turns: list[tuple[str, Road]], coached: DayCoach) -> list[Path]:
    """A drive of several tunes, one session each; all but the last are finished when this returns."""
    paths = []
    for tune, road in turns:
        with running(folder, tune=tune, gear=3, coach=coached if road is turns[-1][1] else None) as (drive, source):
            samples = road.samples()
            source.give(samples)
            until(taken(drive, len(samples)))
            source.end()
            drive.join(30.0)
            paths += drive.recorded
    return paths


def test_the_coach_says_what_the_command_says(tmp_path: Path) -> None:
    """Three sessions of two tunes: the advice after the last pull is that of `coach` on the recorded files, changes and
    intervals alike; zeros taken in earlier sessions count, and their own is asked for."""
    step_of = DayCoach()
    roads = [("heron", Road(1).pull().pull()), ("plover", Road(2).pull(height=0.84).pull(height=0.84))]
    paths = day_of(tmp_path, [*roads, ("heron", Road(3).pull().pull())], step_of)
    step_of.join(20.0)

    step = step_of.step
    assert step is not None
    assert (step.pulls, step.tune, step.faults, step.wants_zero) == (2, "heron", (), True)
    pulls, _ = all_traces(open_datasets(paths))
    offline = coach(pulls, "heron")
    assert step.advice is not None
    assert (step.advice.tune, step.advice.gear, step.advice.why) == (offline.tune, offline.gear, offline.why)
    assert (step.advice.look, step.advice.next_look) == (offline.look, offline.next_look) == (6, 8)
    assert step.advice.comparison is not None
    assert offline.comparison is not None
    assert step.advice.pulls == {"heron": 4, "plover": 2}
    ours, theirs = step.advice.comparison.overall, offline.comparison.overall
    assert ours.change_pct == pytest.approx(theirs.change_pct, rel=1e-6)
    assert (ours.low_pct, ours.high_pct) == pytest.approx((theirs.low_pct, theirs.high_pct), rel=1e-6)
    assert ours.change_pct == pytest.approx(100 * (0.94 / 0.9 - 1), abs=1.0), "as it was drawn"


def test_a_flawed_pull_is_to_be_made_again(tmp_path: Path) -> None:
    """Lifted early: the same again, with the reason, before a zero or another tune is asked for."""
    coached = DayCoach()
    day_of(tmp_path, [("heron", Road(4).pull().pull(shape=lift))], coached)
    coached.join(20.0)

    assert coached.step is not None
    assert coached.step.faults == ("lift",)
    assert next_step(coached.step)[:2] == ("caution", "Same again, it was flawed: lifted early")


def test_a_slow_study_delays_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A study that takes 3 s: the session is finished long before, and every status comes at once."""
    begun = threading.Event()

    def slow(*_: object, **__: object) -> object:
        begun.set()
        threading.Event().wait(3.0)
        raise ValueError("and then it fails")

    monkeypatch.setattr(day_coach, "coach", slow)
    coached = DayCoach()
    samples = Road(5).pull().samples()
    with running(tmp_path, tune="heron", coach=coached) as (drive, source):
        source.give(samples[:400])
        until(begun.is_set)
        began = time.monotonic()
        source.give(samples[400:])
        until(taken(drive, len(samples)))
        source.end()
        drive.join(30.0)
        assert time.monotonic() - began < 2.5
        before = time.monotonic()
        drive.status()
        assert time.monotonic() - before < 0.1
    with open_session(drive.recorded[0]) as session:
        np.testing.assert_array_equal(session.h5["raw/samples"][:], samples)
        assert len(session.pulls) == 1
    coached.join(20.0)
    assert coached.step is not None
    assert "and then it fails" in coached.step.trouble
    assert next_step(coached.step)[1] == "No advice"


def test_sessions_of_other_days_cars_and_unfinished_ones_do_not_count(tmp_path: Path) -> None:
    """Only the day's own sessions, with a load on the same scale, stand beside the drive."""
    (tmp_path / "made").mkdir()
    day_of(tmp_path / "made", [("heron", Road(6).pull())], DayCoach())
    made = next((tmp_path / "made").glob("*.h5"))
    folder = tmp_path / "day"
    folder.mkdir()
    yesterday, other = folder / "yesterday.h5", folder / "other.h5"
    run_offline(
        ReplaySource(made),
        car(),
        tune="wren",
        gear=3,
        started_utc=datetime.now(UTC) - timedelta(days=1),
        path=yesterday,
    )
    foreign = car(extra="[engine]\nredline_rpm = 7000.0\n")
    text = foreign.text.replace("hill-climb special", "another car")
    from stream.car import parse_car

    run_offline(
        ReplaySource(made),
        parse_car(text),
        tune="teal",
        gear=3,
        started_utc=datetime.now(UTC) - timedelta(seconds=60),
        path=other,
    )
    coached = DayCoach()
    day_of(folder, [("heron", Road(7).pull())], coached)
    coached.join(20.0)

    assert coached.step is not None
    assert coached.step.advice is not None
    assert coached.step.advice.pulls == {"heron": 1}


def test_a_zero_in_every_session_is_not_asked_for_again(tmp_path: Path) -> None:
    """A zero that was taken while the session runs answers 'zero first'."""
    from stream.record.tables import Zero

    coached = DayCoach()
    samples = Road(8).pull().samples()
    with running(tmp_path, tune="heron", gear=3, coach=coached) as (drive, source):
        source.give(samples[:300])
        until(lambda: coached.step is not None)
        assert next_step(coached.step)[1].startswith("Zero first")
        coached.zero(Zero(start_s=0.0, end_s=1.0, mean=0.1, doubt=0.001, how="standing"))
        until(lambda: coached.step is not None and not coached.step.wants_zero)
        assert next_step(coached.step)[1] == "Next: the first pull, tune heron"
        source.give(samples[300:])
        until(taken(drive, len(samples)))
        source.end()
        drive.join(30.0)
    coached.join(20.0)
    assert coached.step is not None
    assert next_step(coached.step)[1:] == ("Next: put another tune in, and name it, gear 3", "1 pull, look at 6")
