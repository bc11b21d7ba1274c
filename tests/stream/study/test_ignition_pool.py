"""The best advance of all bands at once, on sweeps whose truth the test draws (tests/bench/study_sweeps.py)."""

import numpy as np
import pytest

from stream.study.tables.ignition_aim import Pooled, Settings, pooled_aim
from stream.study.tables.ignition_pool import BestCurve
from tests.bench.study_sweeps import Day, advise, drive, engine, sweep

SEEDS = range(200, 212)


@pytest.mark.parametrize(
    ("settings", "spacing", "day", "skew", "least"),
    [
        pytest.param(3, 5.0, Day(session=0.01), 0.0, 0.85, id="one session a tune, each off by 1 %"),
        pytest.param(5, 4.0, Day(), 0.3, 0.90, id="lopsided curve, five settings"),
        pytest.param(5, 4.0, Day(), -0.3, 0.90, id="lopsided the other way"),
    ],
)
def test_the_interval_knows_of_sessions_and_of_lopsided_curves(settings, spacing, day, skew, least) -> None:
    """Bands of a seed share its errors, so that twelve seeds are about twelve draws: 95 % allows ten of them."""
    rows = np.concatenate([sweep(seed, settings, 4, spacing, day, skew, 0.0) for seed in SEEDS])

    assert rows[:, 2].mean() >= least
    assert np.isfinite(rows[:, 0]).mean() > 0.9  # and yet it is an answer
    assert np.nanmax(np.abs(rows[:, 0])) < 8.0


def test_neighbouring_bands_narrow_the_answer() -> None:
    """One pull each of three settings: a band alone has no scatter and no answer; all together have."""
    rows = np.concatenate([sweep(seed, 3, 1, 5.0, Day(), 0.0, 0.0) for seed in SEEDS])

    assert np.isfinite(rows[:, 0]).all()
    assert rows[:, 2].mean() >= 0.9
    assert np.sqrt(np.mean(rows[:, 0] ** 2)) < 3.0


def test_flat_is_said_where_nothing_is_to_be_gained() -> None:
    """Twelve pulls of each of five settings about the best: what is in the car is within 1 % of it."""
    rng = np.random.default_rng(5)
    motor = engine(rng)
    tunes = {f"t{n}": motor.best + 2.5 * (n - 2) for n in range(5)}
    made = [
        pull
        for turn in range(4)
        for n, (tune, degrees) in enumerate(tunes.items())
        for pull in drive(rng, motor, tune, degrees, Day(session=0.002), 3, 5 * turn + n)
    ]
    cells = advise(made, tunes, "t1")
    flat = [finding for cell in cells for finding in cell.evidence if finding.code == "advance-flat"]

    assert len(flat) > len(cells) / 2
    assert all(0 < finding.values["within_pct"] < 1.0 for finding in flat)
    assert not any(finding.code == "advance-convex" for cell in cells for finding in cell.evidence)


def certain(best: float) -> Pooled:
    """All bands together are sure of a best."""
    return Pooled(BestCurve(np.ones(1), np.full(1, 6e-4), np.full((1, 1), best), np.full((1, 1), 0.2)), 0, 16)


def test_all_bands_together_do_not_lift_one_past_what_its_own_settings_show() -> None:
    """The band's own best is at 24 degrees beyond doubt; the curve through all says 34."""
    degrees = np.array([20.0, 26.0, 32.0])
    load = 1 - 1.5e-3 * (degrees - 24.0) ** 2
    own = Settings(["a", "b", "c"], degrees, load, np.eye(3) * 1e-8, [4, 4, 4], 2.2, 1)

    assert pooled_aim(own, certain(34.0)).at is None
    less = pooled_aim(own, certain(25.0)).at
    assert less is not None
    assert less < 26.0
