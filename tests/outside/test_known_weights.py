"""Known weights to newtons on real records: load steps on a test bridge, a load cell and a strain gauge, one clock.

Source: munich-bridge-data (MIT), Jaelani et al., Steel Construction 16 (2023) 215. The steps are a crude reading of
the record, not an official truth: force medians as listed with the data.
"""

import csv
import gzip
import sys
from datetime import datetime

import numpy as np
import pytest
import statsmodels.api as sm

from stream.calibrate.link.bridge import fit_weights
from stream.calibrate.link.zero import batch_sem
from tests.outside_data import outside_file
from ui.text.findings import say_all

STEPS = [
    (28, 55, 210.594),
    (73, 97, 210.646),
    (107, 224, 216.335),
    (234, 358, 220.261),
    (368, 494, 216.690),
    (499, 525, 211.132),
    (543, 719, 211.269),
]


def record(name: str, column: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """(seconds since the first row, a value column) of one record."""
    with gzip.open(outside_file(name), "rt", encoding="utf-8") as file:
        rows = list(csv.reader(file))[1:]
    start = datetime.fromisoformat(rows[0][0])
    seconds = np.array([(datetime.fromisoformat(row[0]) - start).total_seconds() for row in rows])
    return seconds, np.array([float(row[column]) for row in rows])


def steps() -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Mean strain, mean force in N, and their standard errors on each load step."""
    t_force, force = record("support_load_01_force_100Hz.csv.gz")
    t_strain, strain = record("support_load_01_strain_100Hz.csv.gz")
    rows = []
    for start, end, _ in STEPS:
        f = 1000.0 * force[(t_force >= start) & (t_force < end)]
        e = strain[(t_strain >= start) & (t_strain < end)]
        rows.append((e.mean(), f.mean(), batch_sem(e, 100.0), batch_sem(f, 100.0)))
    return tuple(np.array(column) for column in zip(*rows, strict=True))


def test_the_steps_are_those_listed_with_the_data() -> None:
    """Force on each step within 0.1 kN of the listed median."""
    _, force, _, _ = steps()

    np.testing.assert_allclose(force / 1000.0, [kilonewton for *_, kilonewton in STEPS], atol=0.1)


def test_a_gauge_that_feels_where_the_load_stands_is_no_load_cell(capsys) -> None:
    """On this bridge 216.3 and 216.7 kN give 33.8 and 40.7 microstrain: the gauge answers to the load's place.

    The fit must say so, not hand out a line; and it is the best line there is, by a search over all slopes.
    """
    strain, force, u_strain, u_force = steps()
    fit = fit_weights(strain, force, u_strain, u_force)

    def chi_square(slope: float) -> float:
        weights = 1.0 / (u_force**2 + (slope * u_strain) ** 2)
        return float(
            np.sum(weights * (force - slope * strain - np.average(force - slope * strain, weights=weights)) ** 2)
        )

    slopes = 1000.0 * np.tan(np.linspace(-1.5707, 1.5707, 20_001))
    best = min(chi_square(slope) for slope in slopes)
    with capsys.disabled():
        low, u = fit.newtons_per_unit, fit.u_newtons_per_unit
        sys.stdout.write(f"\nsupport_load_01: {low:.0f} ± {u:.0f} N per microstrain: {say_all(fit.findings)}\n")
    assert chi_square(fit.newtons_per_unit) <= best * (1.0 + 1e-9)
    assert any("does not follow the weights" in word for word in say_all(fit.findings))
    assert fit.u_newtons_per_unit > 0.2 * abs(fit.newtons_per_unit)


def test_one_load_cell_against_the_other_is_a_line() -> None:
    """FRC-02 against FRC-01 over the same steps: the line of statsmodels, with loading and unloading apart."""
    name = "support_load_01_force_100Hz.csv.gz"
    t, first = record(name)
    _, second = record(name, column=2)
    second = 1000.0 * second
    rows = [
        (first[m].mean(), second[m].mean(), batch_sem(first[m], 100.0), batch_sem(second[m], 100.0))
        for m in ((t >= start) & (t < end) for start, end, _ in STEPS)
    ]
    x, y, u_x, u_y = (np.array(column) for column in zip(*rows, strict=True))
    fit = fit_weights(x, y, u_x, u_y)
    plain = sm.OLS(y, sm.add_constant(x)).fit()

    assert fit.newtons_per_unit == pytest.approx(float(plain.params[1]), abs=2.0 * float(plain.bse[1]))
    assert fit.largest_departure_pct_span < 15.0
    assert not any("does not follow" in word for word in say_all(fit.findings))
