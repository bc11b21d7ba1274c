"""Bridge, shunt and lead wires against Wheatstone algebra worked apart, and a gauge maker's round table."""

import numpy as np
import pytest

from stream.calibrate.link.bridge import lead_factor, nonlinearity_pct, to_microstrain, to_mv_per_v
from stream.calibrate.link.shunt import shunt_for, shunt_microstrain, shunt_output


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
    """Output at gauge factor 2.0, and the way back."""
    assert float(to_mv_per_v(microstrain, bridge, 2.0, poisson)) == pytest.approx(mv_per_v, abs=1e-6)
    back = float(to_microstrain(to_mv_per_v(microstrain, bridge, 2.0, poisson), bridge, 2.0, poisson))
    assert back == pytest.approx(microstrain, rel=1e-12)


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
        for bridge, expected in layouts.items():
            assert float(to_mv_per_v(strain, bridge, gf, nu)) == pytest.approx(expected, rel=1e-9)


def test_nonlinearity_of_a_quarter_bridge() -> None:
    """-0.0999 % of reading at 1000 microstrain, -0.4975 % at 5000."""
    assert nonlinearity_pct(1000.0, "quarter", 2.0) == pytest.approx(-0.0999, abs=1e-4)
    assert nonlinearity_pct(5000.0, "quarter", 2.0) == pytest.approx(-0.4975, abs=1e-4)
    assert nonlinearity_pct(5000.0, "full-bending", 2.0) == 0.0


@pytest.mark.parametrize(
    ("gauge", "factor", "shunt", "microstrain"),
    [
        (120, 2.0, 59_880, 1000.0),
        (120, 2.0, 119_880, 500.0),
        (120, 2.0, 29_880, 2000.0),
        (120, 2.12, 59_880, 943.396),
        (120, 2.0, 60_000, 998.004),
        (350, 2.0, 174_650, 1000.0),
        (350, 2.0, 349_650, 500.0),
        (350, 2.0, 87_150, 2000.0),
        (350, 2.0, 100_000, 1743.896),
        (1000, 2.0, 499_000, 1000.0),
    ],
)
def test_shunt_table(gauge: float, factor: float, shunt: float, microstrain: float) -> None:
    """Simulated strain of a shunt, and the resistor that simulates it."""
    assert shunt_microstrain(gauge, shunt, factor) == pytest.approx(microstrain, abs=1e-3)
    assert shunt_for(shunt_microstrain(gauge, shunt, factor), gauge, factor) == pytest.approx(shunt, rel=1e-9)


@pytest.mark.parametrize(("microstrain", "kilohm"), [(100, 600), (200, 300), (500, 120), (1000, 60), (2000, 30)])
def test_a_gauge_makers_round_table(microstrain: float, kilohm: float) -> None:
    """A strain-gauge maker's calibration note for 120 ohm, gauge factor 2.00: values rounded to about 0.5 %."""
    assert shunt_for(microstrain, 120.0, 2.0) / 1000.0 == pytest.approx(kilohm, rel=0.005)


def test_a_shunted_arm_reads_as_its_strain_does() -> None:
    """59.88 kilohm across 120 ohm: exactly -0.5005005 mV/V, the -1000 microstrain of a quarter bridge."""
    assert shunt_output(120.0, 59_880.0) == pytest.approx(-0.5005005, abs=1e-7)
    parallel = 120.0 * 59_880.0 / (120.0 + 59_880.0)
    assert shunt_output(120.0, 59_880.0) == pytest.approx(four_arms(parallel, 120.0, 120.0, 120.0), rel=1e-9)


@pytest.mark.parametrize(
    ("gauge", "wire", "three", "two"),
    [(120, 1, 0.991736, 0.983607), (350, 1, 0.997151, 0.994318), (120, 2, 0.983607, 0.967742)],
)
def test_lead_wires(gauge: float, wire: float, three: float, two: float) -> None:
    """What leads leave of the gauge factor (formula from memory, arithmetic checked apart)."""
    assert lead_factor(gauge, wire, "3-wire") == pytest.approx(three, abs=1e-6)
    assert lead_factor(gauge, wire, "2-wire") == pytest.approx(two, abs=1e-6)


def test_arrays_pass_through() -> None:
    """Shapes are kept."""
    assert to_microstrain(np.zeros((3, 2)), "quarter", 2.0).shape == (3, 2)
