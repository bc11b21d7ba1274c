"""Pinned stretches: a converter that is dead below one speed and stuck above another."""

import numpy as np
import pytest

from tests.drives import RPM_AT_0V, RPM_PER_V, Plan, car, run_stage


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
        2000, 2500, 3000, 3500, 4000, 4500, 5000,
    ]  # fmt: skip


@pytest.mark.parametrize("slope_error", [0.7, 1.0, 1.3])
def test_a_healthy_converter_has_nothing_pinned(slope_error: float) -> None:
    """Holds at the lowest and the highest speed of a drive are holds."""
    for seed in range(3):
        plan = a_row(seed)

        stage = run_stage(plan.samples(), 200, car(slope_error))

        assert stage.pinned == []
        assert len(stage.holds) >= len(plan.holds) - 1
