"""Bridge and shunt against Wheatstone algebra worked apart."""

import numpy as np
import pytest

from stream.calibrate.link.bridge import shunt_output, to_microstrain


def four_arms(r1: float, r2: float, r3: float, r4: float) -> float:
    """mV/V of four arms, by the two dividers: an independent computation."""
    return 1000.0 * (r1 / (r1 + r2) - r4 / (r3 + r4))


@pytest.mark.parametrize(
    ("bridge", "poisson", "microstrain", "mv_per_v"),
    [
        ("quarter", 0.3, 1000.0, 0.4995005),
        ("quarter", 0.3, 5000.0, 2.4875622),
        ("quarter", 0.3, -1000.0, -0.5005005),
        ("half-poisson", 0.285, 1000.0, 0.6420409),
        ("half-bending", 0.3, 1000.0, 1.0),
        ("full-bending", 0.3, 1000.0, 2.0),
        ("full-torsion", 0.3, -1000.0, -2.0),
        ("full-axial", 0.3, 1000.0, 1.2990907),
    ],
)
def test_exact_bridge_equations(bridge, poisson: float, microstrain: float, mv_per_v: float) -> None:
    """Strain at gauge factor 2.0 from an output rounded to a tenth of a microvolt per volt."""
    assert float(to_microstrain(mv_per_v, bridge, 2.0, poisson)) == pytest.approx(microstrain, abs=3e-4)


def test_every_bridge_agrees_with_four_resistors() -> None:
    """Each layout built from four arms of 350 ohm, strained by ±3000 microstrain."""
    nu, gf = 0.285, 2.08
    for strain in (-3000.0, 250.0, 3000.0):
        g = gf * strain * 1e-6
        up, down, across = 350.0 * (1 + g), 350.0 * (1 - g), 350.0 * (1 - nu * g)
        layouts = {
            "quarter": four_arms(up, 350.0, 350.0, 350.0),
            "half-poisson": four_arms(up, across, 350.0, 350.0),
            "half-bending": four_arms(up, down, 350.0, 350.0),
            "full-bending": four_arms(up, down, up, down),
            "full-torsion": four_arms(up, down, up, down),
            "full-axial": four_arms(up, across, up, across),
        }
        for bridge, output in layouts.items():
            assert float(to_microstrain(output, bridge, gf, nu)) == pytest.approx(strain, rel=1e-9)


def test_a_shunted_arm_reads_as_its_strain_does() -> None:
    """59.88 kilohm across 120 ohm: exactly -0.5005005 mV/V, the -1000 microstrain of a quarter bridge."""
    assert shunt_output(120.0, 59_880.0) == pytest.approx(-0.5005005, abs=1e-7)
    parallel = 120.0 * 59_880.0 / (120.0 + 59_880.0)
    assert shunt_output(120.0, 59_880.0) == pytest.approx(four_arms(parallel, 120.0, 120.0, 120.0), rel=1e-9)


def test_arrays_pass_through() -> None:
    """Shapes are kept."""
    assert to_microstrain(np.zeros((3, 2)), "quarter", 2.0).shape == (3, 2)
