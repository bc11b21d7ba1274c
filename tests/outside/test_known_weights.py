"""Known weights to newtons on real records: load steps on a test bridge, a load cell and a strain gauge, one clock.

Source: munich-bridge-data (MIT), Jaelani et al., Steel Construction 16 (2023) 215. The steps are a crude reading of
the record, not an official truth: force medians as listed with the data.
"""

import csv
import gzip
from datetime import datetime

import numpy as np
import pytest
import statsmodels.api as sm

from stream.calibrate.weights import fit_weights
from stream.calibrate.zero import batch_sem
from tests.outside_data import outside_file

STEPS = [
    (28, 55, 210.594), (73, 97, 210.646), (107, 224, 216.335), (234, 358, 220.261), (368, 494, 216.690),
    (499, 525, 211.132), (543, 719, 211.269),
]  # fmt: skip


def record(name: str) -> tuple[np.ndarray, np.ndarray]:
    """(seconds since the first row, first value column) of one record."""
    with gzip.open(outside_file(name), "rt", encoding="utf-8") as file:
        rows = list(csv.reader(file))[1:]
    start = datetime.fromisoformat(rows[0][0])
    seconds = np.array([(datetime.fromisoformat(row[0]) - start).total_seconds() for row in rows])
    return seconds, np.array([float(row[1]) for row in rows])


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


def test_force_from_strain_agrees_with_least_squares_and_says_its_doubt(capsys) -> None:
    """Slope beside statsmodels' plain line; the doubt is wider than that line's residuals alone demand."""
    strain, force, u_strain, u_force = steps()
    fit = fit_weights(strain, force, u_strain, u_force)
    plain = sm.OLS(force, sm.add_constant(strain)).fit()

    with capsys.disabled():
        print(
            f"\nsupport_load_01: {fit.newtons_per_unit:.1f} ± {fit.u_newtons_per_unit:.1f} N per microstrain, residual "
            f"{fit.residual_sd_n:.0f} N, largest departure {fit.largest_departure_pct_span:.1f} % of span"
        )
    assert fit.newtons_per_unit == pytest.approx(float(plain.params[1]), abs=3.0 * float(plain.bse[1]))
    assert fit.residual_sd_n == pytest.approx(float(np.sqrt(plain.scale)), rel=0.5)
    assert fit.u_newtons_per_unit > 0.3 * float(plain.bse[1])
    assert any("widened" in word for word in fit.warnings)
