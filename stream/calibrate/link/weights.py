"""Known weights to newtons: the same line fit, reading against force."""

from collections.abc import Sequence

import msgspec
import numpy as np

from stream.calibrate.speed.line import fit_york, lack_of_fit, largest_departure_pct, residual_sd
from stream.errors import InputError
from stream.findings import Finding, warning

_TIMES_ITS_DOUBT = 5.0  # a slope known worse than to 20 % calibrates nothing


class ForceFit(msgspec.Struct, frozen=True, kw_only=True):
    """force = newtons_per_unit · reading + newtons_at_zero; u_* and covariance standard (k = 1).

    hysteresis_pct_span  largest gap between readings of one force, loading and unloading, % of the span of
                         force
    lack_of_fit_p        None where no force was repeated
    """

    newtons_per_unit: float
    newtons_at_zero: float
    u_newtons_per_unit: float
    u_newtons_at_zero: float
    covariance: float
    residual_sd_n: float
    largest_departure_pct_span: float
    hysteresis_pct_span: float
    lack_of_fit_p: float | None
    findings: tuple[Finding, ...]


def fit_weights(
    reading: Sequence[float],
    force_n: Sequence[float],
    u_reading: Sequence[float] | float,
    u_force_n: Sequence[float] | float,
) -> ForceFit:
    """Line by York 2004 from load steps: mean reading (any unit) and known force (N) of each, with standard
    errors.

    The uncertainty is widened to the scatter where it is significantly larger than stated. Raises InputError.
    """
    from scipy import stats

    if len(reading) < 3:
        raise InputError(
            f"{len(reading)} weights; a line with its uncertainty needs three or more, nothing hung counts as one"
        )
    line = fit_york(reading, force_n, u_reading, u_force_n)
    found = []
    if stats.chi2.sf(line.chi_square, line.dof) < 0.05:
        factor = float(np.sqrt(line.chi_square / line.dof))
        line = line.scaled(factor)
        found.append(warning("weights-scatter", factor=factor))
    if abs(line.slope) < _TIMES_ITS_DOUBT * line.u_slope:
        found.append(warning("weights-not-followed", slope=line.slope, u_slope=line.u_slope))
    residuals, forces = line.residuals, line.y
    gap = max((float(np.ptp(residuals[forces == force])) for force in np.unique(forces)), default=0.0)
    hysteresis = 100.0 * gap / float(np.ptp(forces))
    if hysteresis > 1.0:
        found.append(warning("weights-hysteresis", pct=hysteresis))
    lack = lack_of_fit(residuals, forces.tolist(), 2)
    if lack is not None and lack.p < 0.01:
        found.append(warning("weights-not-straight", p=lack.p))
    return ForceFit(
        newtons_per_unit=line.slope,
        newtons_at_zero=line.intercept,
        u_newtons_per_unit=line.u_slope,
        u_newtons_at_zero=line.u_intercept,
        covariance=line.covariance,
        residual_sd_n=residual_sd(line),
        largest_departure_pct_span=largest_departure_pct(residuals, forces),
        hysteresis_pct_span=hysteresis,
        lack_of_fit_p=None if lack is None else lack.p,
        findings=tuple(found),
    )
