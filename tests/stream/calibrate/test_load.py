"""Shunt verdicts and known weights."""

import numpy as np
import pytest

from stream.calibrate.link.bridge import fit_weights, judge_shunt, shunt_output, to_microstrain
from stream.errors import InputError
from ui.text.findings import say_all


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
    assert any("friction" in word for word in say_all(fit.findings))
    assert any("widened" in word for word in say_all(fit.findings))
    with pytest.raises(InputError, match="three or more"):
        fit_weights([0.0, 1.0], [0.0, 100.0], 0.001, 1.0)
