"""Force, power and their units against a published worked car, York's published line, and a car integrated by scipy.

Worked car: m 1500 kg, Crr 0.012, ρ 1.2, CdA 0.66 m², g 9.80665; forces by the usual road load equation (computed by
hand from it). Mass factor 1.04 + 0.0025 ξ²: coefficients as quoted in public codes, one of which credits Wong. York's
weights on Pearson's data: intercept 5.479910224, slope -0.480533407, in many packages' tests. kW = N m rpm / 9549.2966.
Air density: psychrometric ideal-gas values for moist air, from IAPWS vapour pressure, 1e-4 relative.
"""

from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from stream.study.dataset import open_datasets
from stream.study.force.air import air_density
from stream.study.force.motion import local_slope
from stream.study.force.power import gamma, power
from stream.study.force.scale import fit_scale
from stream.study.force.traction import CarModel, push
from tests.array_session import BEGAN, write_session

CAR = CarModel(mass_kg=1500, radius_m=0.3, drag=0.5 * 1.2 * 0.66, u_drag=0.05, rolling_n=0.012 * 1500 * 9.80665)


@pytest.mark.parametrize(
    ("v", "a", "roll_n", "aero_n", "inertia_n"),
    [
        (10, 0, 176.520, 39.600, 0),
        (20, 1.5, 176.520, 158.400, 2615.625),
        (30, 1.0, 176.520, 356.400, 1743.750),
        (40, 0.3, 176.520, 633.600, 523.125),
    ],
)
def test_worked_car(v: float, a: float, roll_n: float, aero_n: float, inertia_n: float) -> None:
    """The table's inertia has γ = 1.1625 (ξ = 7); the link carries the mass and the undriven wheels instead.

    All wheels turn as 3 % more mass and half of them are undriven, as half of the rolling is: common practice, no
    source.
    """
    force = push(CAR, np.array([float(v)]), np.array([float(a)]), 0.01, slips=False).force[0]

    linked = inertia_n / 1.1625 * 1.015
    assert force == pytest.approx(linked + 0.5 * roll_n + aero_n, rel=2e-5)


@pytest.mark.parametrize(("ratio", "factor"), [(4, 1.08), (7, 1.1625), (10, 1.29), (12, 1.4), (15, 1.6025)])
def test_mass_factor_table(ratio: float, factor: float) -> None:
    """The mass factor of each gear against the published rule of thumb."""
    assert gamma(ratio) == pytest.approx(factor, abs=1e-12)


@pytest.mark.parametrize(
    ("celsius", "hpa", "humidity", "density"),
    [(25, 1013.25, 50, 1.17690), (35, 990, 80, 1.09996), (10, 850, 30, 1.04406), (25, 990, 0, 1.156747)],
)
def test_air_density(celsius: float, hpa: float, humidity: float, density: float) -> None:
    """Density of moist air against worked values."""
    assert air_density(celsius, hpa, humidity) == pytest.approx(density, rel=1e-4)


def test_with_one_free_intercept_the_fit_is_yorks_line() -> None:
    """Pearson's data with York's weights: the published slope and intercept."""
    x = np.array([0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
    y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
    u_x = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1]) ** -0.5
    u_y = np.array([1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500]) ** -0.5

    fit = fit_scale(x, y, u_x, u_y, np.ones((10, 1)), np.zeros((10, 1)), np.array([True]))

    assert fit.solution == pytest.approx([-0.480533407446, 5.479910224033], abs=1e-6)
    # Published: 0.0706202695, from the stated weights times the root of S / (n - 2).
    assert fit.u_scale == pytest.approx(0.0706202695, rel=1e-4)


def test_slope_of_a_sine_is_its_cosine_within_the_stated_noise() -> None:
    """A slope is a derivative: known for a sine."""
    rng = np.random.default_rng(0)
    time = np.arange(0, 10, 0.01)
    found = local_slope(time, 30 + 2 * np.sin(0.8 * time) + rng.normal(0, 0.01, len(time)))

    assert found is not None
    error = found.slope - 1.6 * np.cos(0.8 * found.time_s)
    assert np.std(error[50:-50]) < 1.5 * found.u_slope
    assert np.abs(error[50:-50]).max() < 5 * found.u_slope


RADIUS, FINAL, RATIOS, MASS, PER_UNIT = 0.30, 4.0, (3.2, 2.0, 1.4), 900.0, 3100.0
TEXT = f"""
[car]
name = "worked car"
mass_kg = {MASS}
rolling_radius_m = {RADIUS}
drag_area_m2 = 0.62
rolling_coefficient = 0.012
[gearing]
final_drive = {FINAL}
ratios = [3.2, 2.0, 1.4]
[[channel]]
name = "rpm"
role = "engine_speed"
unit = "rpm"
[[channel]]
name = "link"
role = "load"
unit = "mV/V"
"""


def integrated(gear: int, seed: int, rate_hz: float = 200.0) -> tuple[dict[str, np.ndarray], float]:
    """Three pulls by a force law of its own, on tyres that do not slip; the link carries m a, undriven wheels (1.5 % of
    the mass), their rolling and the air. Engine inertia, driven tyres and driveline slow the car and are not in it.
    """
    rng = np.random.default_rng(seed)
    overall = FINAL * RATIOS[gear - 1]
    per_rpm = 2 * np.pi * RADIUS / 60 / overall
    air, rolling = 0.5 * 1.2 * 0.62, 0.5 * 0.012 * MASS * 9.80665

    def link(v: float) -> float:
        torque = 130 - 30 * ((v / per_rpm - 4500) / 3000) ** 2
        spent = 0.08 * overall**2 / RADIUS**2 + 0.015 * MASS + 1.015 * MASS
        wheel = torque * overall / RADIUS * 0.93 - rolling
        gain = (wheel - rolling - air * v * v) / spent
        return 1.015 * MASS * gain + rolling + air * v * v

    rpm, load = [], []
    for _ in range(3):
        start, top = 2000 * per_rpm, 6600 * per_rpm
        solved = solve_ivp(
            lambda _, v: [(link(v[0]) - rolling - air * v[0] ** 2) / (1.015 * MASS)],
            (0, 60),
            [start],
            dense_output=True,
            rtol=1e-9,
        )
        end = solved.t[np.argmax(solved.y[0] > top)]
        speed = solved.sol(np.arange(0, end, 1 / rate_hz))[0]
        back = np.linspace(speed[-1], start, round(8 * rate_hz))
        idle = np.full(round(5 * rate_hz), start)
        rpm += [idle, speed, back]
        load += [rolling + air * idle**2, np.array([link(v) for v in speed]), np.full(len(back), -200.0)]
    whole = {"rpm": np.concatenate(rpm) / per_rpm, "link": np.concatenate(load) / PER_UNIT}
    whole["rpm"] += rng.normal(0, 5, len(whole["rpm"]))
    whole["link"] += rng.normal(0, 0.01, len(whole["link"]))
    return whole, per_rpm


def test_scale_power_and_torque_of_an_integrated_car(tmp_path: Path) -> None:
    """A car integrated apart from the model gives back its scale, power and torque."""
    paths = []
    for gear in (2, 3):
        columns, _ = integrated(gear, gear)
        paths.append(
            write_session(tmp_path / f"{gear}.h5", TEXT, 200.0, columns, gear=gear, began=BEGAN + timedelta(hours=gear))
        )

    found = power(open_datasets(paths))

    assert found.force_per_unit_n is not None
    assert found.u_force_per_unit_n is not None
    assert found.force_per_unit_n == pytest.approx(PER_UNIT, rel=0.06)
    assert abs(found.force_per_unit_n - PER_UNIT) < 1.96 * found.u_force_per_unit_n
    per_rpm = 2 * np.pi * RADIUS / 60 / (FINAL * RATIOS[(found.gear or 1) - 1])
    assert len(found.bands) > 10
    for band in found.bands:
        assert band.speed_mps == pytest.approx(band.rpm * per_rpm, rel=0.005)
        assert band.wheel_power_kw == pytest.approx(band.force_n * band.speed_mps / 1000, rel=1e-12)
        wheel_rpm = 60 * band.speed_mps / (2 * np.pi * RADIUS)
        assert band.wheel_power_kw == pytest.approx(band.wheel_torque_nm * wheel_rpm / 9549.2966, rel=1e-6)
        torque = 130 - 30 * ((band.rpm - 4500) / 3000) ** 2
        overall = FINAL * RATIOS[(found.gear or 1) - 1]
        spent = 0.08 * overall**2 / RADIUS**2 + 0.03 * MASS + MASS
        air, rolling = 0.5 * 1.2 * 0.62 * band.speed_mps**2, 0.5 * 0.012 * MASS * 9.80665
        gain = (torque * overall / RADIUS * 0.93 - 2 * rolling - air) / spent
        truth = 1.015 * MASS * gain + rolling + air
        assert abs(band.force_n - truth) < 1.96 * band.u_force_n
        assert band.steady_equivalent_kw > band.wheel_power_kw
