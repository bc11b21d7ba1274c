"""Pinned stretches: a converter that is dead below one speed and stuck above another."""

import numpy as np
import pytest

from stream.car import parse_car
from tests.drives import RPM_AT_0V, RPM_PER_V, Plan, car, run_stage
from tests.stuck_drives import StuckDrive, car_text


def volts(rpm: float) -> float:
    return (rpm - RPM_AT_0V) / RPM_PER_V


def a_row(seed: int) -> Plan:
    plan = Plan(seed).hold(900, 5)
    for rpm in range(1000, 7000, 500):
        plan.ramp(rpm, plan.rng.uniform(100, 400)).hold(rpm, plan.rng.uniform(5, 7))
    return plan.ramp(900, 500)


@pytest.mark.parametrize("slope_error", [0.7, 1.0, 1.3])
@pytest.mark.parametrize("seed", [0, 1, 2, 3, 4])
def test_dead_band_and_ceiling_are_pinned(seed: int, slope_error: float) -> None:
    """Below 1 900 and above 5 400 rpm the signal stands still while the link feels the car: pinned, and no holds."""
    plan = a_row(seed)

    stage = run_stage(plan.samples(low_v=volts(1900), high_v=volts(5400)), 200, car(slope_error))

    t = np.arange(len(plan.rpm)) / 200
    bottom = next(p for p in stage.pinned if p.at == "bottom")
    top = next(p for p in stage.pinned if p.at == "top")
    assert bottom.signal == pytest.approx(volts(1900), abs=0.005)
    assert bottom.end_s == pytest.approx(t[np.argmax(plan.rpm > 1900)], abs=0.6)
    assert top.signal == pytest.approx(volts(5400), abs=0.005)
    assert top.start_s == pytest.approx(t[np.argmax(plan.rpm > 5400)], abs=0.6)
    assert [round(h.signal_mean * RPM_PER_V + RPM_AT_0V, -2) for h in stage.holds] == [
        2000,
        2500,
        3000,
        3500,
        4000,
        4500,
        5000,
    ]


@pytest.mark.parametrize("slope_error", [0.7, 1.0, 1.3])
def test_a_healthy_converter_has_nothing_pinned(slope_error: float) -> None:
    """Holds at the lowest and the highest speed of a drive are holds."""
    for seed in range(3):
        plan = a_row(seed)

        stage = run_stage(plan.samples(), 200, car(slope_error))

        assert stage.pinned == []
        assert len(stage.holds) >= len(plan.holds) - 1


@pytest.mark.parametrize("stuck_v", [0.0, 0.03, 0.45])
@pytest.mark.parametrize("slope_error", [0.75, 1.25])
def test_a_dead_band_at_any_level_is_pinned_without_another_channel(stuck_v: float, slope_error: float) -> None:
    """Below 1 800 rpm the converter gives one level, wherever that is; it leaps to its line where it begins to work."""
    drive = StuckDrive(seed=5, dead_rpm=1800.0, stuck_v=stuck_v, rate_hz=500.0).idle().hold(1500, 2000, 3000, 4000)
    drive.hold(3000, 2000, 1500)
    samples = drive.samples()
    samples[:, 1] = 0.1  # the link tells nothing

    stage = run_stage(samples, 500.0, parse_car(car_text(slope_error)))

    dead = drive.rpm < 1800.0
    t = np.arange(len(dead)) / 500.0
    assert [stretch.at for stretch in stage.pinned] == ["bottom", "bottom"]
    assert [stretch.signal for stretch in stage.pinned] == pytest.approx([stuck_v] * 2, abs=0.005)
    assert stage.pinned[0].end_s == pytest.approx(t[np.argmax(~dead)], abs=0.5)
    assert stage.pinned[1].start_s == pytest.approx(t[len(dead) - np.argmax(~dead[::-1])], abs=0.5)
    assert len(stage.holds) == 5


def test_an_engine_that_is_revved_up_quickly_from_a_still_speed_is_not_stuck() -> None:
    """2 500 rpm/s and 4 000 rpm/s from a speed without any wander: a ramp, no leap."""
    for rate in (2500.0, 4000.0):
        plan = Plan(3)
        plan.now = 1000.0
        plan.pause(5).ramp(3000, rate).hold(3000, 6).ramp(1000, rate).pause(5).ramp(2000, rate).hold(2000, 6)
        samples = plan.samples()
        samples[:, 1] = 0.1

        assert run_stage(samples, 200).pinned == []
