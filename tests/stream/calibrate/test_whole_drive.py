"""From samples to a calibration: hold drives through the live stage, the provisional slope off by 30 %."""

import numpy as np
import pytest

from stream.calibrate.speed.speed_fit import fit_speed
from tests.drives import RPM_AT_0V, RPM_PER_V, Plan, car, run_stage

ROW = [float(rpm) for rpm in range(1500, 6501, 500)]


def drive(seed: int, dead: float, ceiling: float) -> np.ndarray:
    """Idle, then the row: each speed read off a needle, held by foot for 4.5 to 8 s."""
    plan = Plan(seed)
    plan.now = 900.0
    plan.hold(900.0, 8.0, amplitude=8.0)
    for target in ROW:
        true = target * 1.005 + plan.rng.normal(0.0, 30.0)
        plan.ramp(true, plan.rng.uniform(200, 450)).hold(true, plan.rng.uniform(4.5, 8.0))
    plan.ramp(1000.0, 800.0)
    low, high = ((rpm - RPM_AT_0V) / RPM_PER_V for rpm in (dead, ceiling))
    return plan.samples(low_v=low, high_v=high)


@pytest.mark.parametrize("slope_error", [0.7, 1.3])
@pytest.mark.parametrize(("dead", "ceiling"), [(0.0, 9000.0), (1900.0, 9000.0), (1900.0, 5700.0)])
def test_a_drive_ends_in_a_calibration_that_holds_the_truth(slope_error: float, dead: float, ceiling: float) -> None:
    """Line, dead band and ceiling from the samples alone."""
    for seed in (0, 1):
        stage = run_stage(drive(seed, dead, ceiling), 200.0, car(slope_error))
        fit = fit_speed(stage.holds, stage.pinned, targets=ROW)
        speeds = np.array([2000.0, 3500.0, 5500.0])
        low, high = fit.interval((speeds - RPM_AT_0V) / RPM_PER_V, level=0.999)

        assert np.all((low <= speeds) & (speeds <= high))
        assert fit.dead_below_rpm == (2000.0 if dead else None)
        assert (fit.ceiling_above_rpm is not None) == (ceiling < 9000.0)
        if fit.ceiling_above_rpm is not None:
            assert fit.ceiling_above_rpm == pytest.approx(ceiling, abs=120.0)
