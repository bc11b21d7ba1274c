"""Shunt verdicts, known weights, zeros with their doubt and drift, cross-talk."""

import numpy as np
import pytest

from stream.calibrate.link.bridge import to_microstrain
from stream.calibrate.link.shunt import judge_shunt, shunt_output
from stream.calibrate.link.weights import fit_weights
from stream.calibrate.link.zero import Zero, cross_talk_pct, moving, take_zero, with_second, zero_at
from stream.errors import InputError


def test_a_good_shunt_an_off_one_and_a_wrong_one() -> None:
    """The factor brings the reading to what is due; tolerances are in its doubt."""
    due = shunt_output(350.0, 100_000.0)
    good = judge_shunt(due * 1.005, gauge_ohm=350.0, shunt_ohm=100_000.0)
    off = judge_shunt(due * 0.9, gauge_ohm=350.0, shunt_ohm=100_000.0)

    assert good.verdict == "good"
    assert off.verdict == "off"
    assert off.factor == pytest.approx(1.0 / 0.9)
    assert off.u_factor == pytest.approx(off.factor * np.hypot(0.0035, 0.001) / np.sqrt(3))
    assert judge_shunt(due * 1.5, gauge_ohm=350.0, shunt_ohm=100_000.0).verdict == "wrong"
    assert judge_shunt(-due, gauge_ohm=350.0, shunt_ohm=100_000.0, arm="compression").verdict == "good"


def test_a_shunt_that_moves_the_wrong_way_or_not_at_all_is_refused() -> None:
    """A clear word, nothing calibrated."""
    due = shunt_output(350.0, 100_000.0)
    with pytest.raises(InputError, match="wrong way"):
        judge_shunt(-due, gauge_ohm=350.0, shunt_ohm=100_000.0)
    with pytest.raises(InputError, match="not across an arm"):
        judge_shunt(0.0, gauge_ohm=350.0, shunt_ohm=100_000.0)
    with pytest.raises(InputError, match="in mV/V, not in mV"):
        to_microstrain(600.0, "quarter", 2.0)


def test_known_weights_give_newtons_and_say_friction() -> None:
    """A link of 2500 N per mV/V with 30 N of friction between loading and unloading."""
    force = np.array([0, 500, 1000, 1500, 2000, 1500, 1000, 500, 0.0])
    friction = np.r_[np.zeros(5), np.full(4, 60.0)]
    reading = (force - 120.0 + friction) / 2500.0
    fit = fit_weights(reading, force, 0.0005, 0.5)

    assert fit.newtons_per_unit == pytest.approx(2500.0, rel=0.02)
    assert fit.hysteresis_pct_span == pytest.approx(3.0, rel=0.05)
    assert any("friction" in word for word in fit.warnings)
    assert any("widened" in word for word in fit.warnings)
    with pytest.raises(InputError, match="three or more"):
        fit_weights([0.0, 1.0], [0.0, 100.0], 0.001, 1.0)


def test_the_doubt_of_a_zero_covers_its_true_value() -> None:
    """White noise and engine shake about 0.1: the mean lies within two standard errors in about 95 of 100."""
    rng = np.random.default_rng(8)
    t = np.arange(1000) / 100.0
    inside = 0
    for _ in range(300):
        shake = 0.02 * np.sin(2 * np.pi * 23.0 * t + rng.uniform(0, 6))
        zero = take_zero(0.1 + shake + rng.normal(0, 0.02, 1000), 100.0)
        inside += abs(zero.mean - 0.1) <= 2.09 * zero.doubt
    assert 0.91 <= inside / 300 <= 0.98


def test_a_zero_taken_while_moving_is_refused() -> None:
    """Slow wander of road load; road speed; too short."""
    rng = np.random.default_rng(9)
    t = np.arange(1000) / 100.0
    still = rng.normal(0, 0.01, 1000)
    rolling = still + 0.1 * np.sin(2 * np.pi * 0.3 * t)

    assert moving(still, 100.0) == ""
    with pytest.raises(InputError, match="taken while moving"):
        take_zero(rolling, 100.0)
    with pytest.raises(InputError, match="road speed reached 12 km/h"):
        take_zero(still, 100.0, road_speed_kmh=np.linspace(0, 12, 1000))
    with pytest.raises(InputError, match="too short"):
        take_zero(still[:50], 100.0)


def test_zeros_drift_by_interpolation_and_say_their_doubt() -> None:
    """Half way between two zeros the gap's tied random walk is at its widest; a second zero's gap is the doubt."""
    first = Zero(time_s=0.0, mean=0.10, doubt=0.001, sd=0.01, seconds=5.0)
    second = Zero(time_s=100.0, mean=0.14, doubt=0.001, sd=0.01, seconds=5.0)
    value, doubt = zero_at([second, first], [0.0, 50.0, 100.0, 200.0])

    np.testing.assert_allclose(value, [0.10, 0.12, 0.14, 0.14])
    assert doubt[0] == pytest.approx(0.001)
    assert doubt[1] == pytest.approx(np.hypot(0.02, 0.001 / np.sqrt(2)))
    assert doubt[3] == pytest.approx(np.hypot(0.04, 0.001), rel=0.01)
    assert with_second(first, second).doubt == pytest.approx(np.hypot(0.001, 0.04))
    with pytest.raises(InputError, match="no zero"):
        zero_at([], [0.0])


def test_cross_talk_in_percent() -> None:
    """A braking that moves the link by 0.1 where a strong pull gives 0.8."""
    largest, typical = cross_talk_pct(np.r_[np.full(50, 0.2), 0.1], np.full(30, 0.1), 0.8)

    assert largest == pytest.approx(12.5)
    assert typical == pytest.approx(12.5 * np.sqrt(50 / 51))
