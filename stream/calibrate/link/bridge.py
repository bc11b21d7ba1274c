"""Strain bridges: mV/V to microstrain, exactly; a shunt that proves one, known weights that turn it into newtons.

From the Wheatstone circuit, GF the gauge factor, e the strain (positive is stretched), nu Poisson's ratio:

    quarter        one active gauge                               GF e / (4 + 2 GF e)
    half-poisson   one along, one across, neighbouring arms       GF e (1 + nu) / (4 + 2 GF e (1 - nu))
    half-bending   one stretched, one pressed                     GF e / 2               exactly linear
    full-bending   two stretched, two pressed                     GF e                   exactly linear
    full-axial     two along, two across                          GF e (1 + nu) / (2 + GF e (1 - nu))
    full-torsion   four at 45°; e is the strain along a gauge,    GF e                   exactly linear
                   half the shear strain

A known resistor R_s across one arm, beside a gauge of R_g, lowers the arm by R_g / (R_g + R_s): it simulates a pressed
gauge. The answer is exactly that of a quarter bridge, -R_g / (4 R_s + 2 R_g), whatever the other arms carry and
whatever the gauge factor.
"""

from collections.abc import Sequence
from typing import Literal

import msgspec
import numpy as np
import numpy.typing as npt

from stream.calibrate.speed.line import fit_york, lack_of_fit, largest_departure_pct, residual_sd
from stream.errors import InputError
from stream.findings import Finding, warning
from stream.units import Floats

BridgeKind = Literal["quarter", "half-poisson", "half-bending", "full-bending", "full-axial", "full-torsion"]

# k, p, d of  V/Vex = p g / (k + d g)  with g = GF e; p and d are given for nu
_LINEAR = {"half-bending": 2.0, "full-bending": 1.0, "full-torsion": 1.0}
STEEL_POISSON = 0.285


def to_microstrain(
    mv_per_v: npt.ArrayLike, bridge: BridgeKind, gauge_factor: float, poisson: float = STEEL_POISSON
) -> Floats:
    """Strain, microstrain, at this output of the bridge; any shape. Raises InputError, for a gauge factor or nu out of
    range too.
    """
    k, p, d = _terms(bridge, gauge_factor, poisson)
    ratio = 1e-3 * np.asarray(mv_per_v, np.float64)
    if np.any(np.abs(d * ratio) >= p):
        raise InputError("bridge: an output that no strain can give; check that it is in mV/V, not in mV")
    return np.asarray(1e6 * k * ratio / (p - d * ratio) / gauge_factor, np.float64)


def _terms(bridge: str, gauge_factor: float, poisson: float) -> tuple[float, float, float]:
    if not gauge_factor > 0:
        raise InputError(f"bridge: gauge factor {gauge_factor:g} is not positive; read it off the gauge's packet")
    if not 0 <= poisson < 0.5:
        raise InputError(f"bridge: Poisson's ratio {poisson:g} is not of a metal; give 0 to 0.5 (steel 0.285)")
    if bridge in _LINEAR:
        return _LINEAR[bridge], 1.0, 0.0
    if bridge == "quarter":
        return 4.0, 1.0, 2.0
    if bridge == "half-poisson":
        return 4.0, 1.0 + poisson, 2.0 * (1.0 - poisson)
    if bridge == "full-axial":
        return 2.0, 1.0 + poisson, 1.0 - poisson
    raise InputError(
        f"bridge {bridge!r} is not known; use one of quarter, half-poisson, {', '.join(_LINEAR)}, full-axial"
    )


_GOOD_PCT, _BAD_PCT = 2.0, 20.0
_MOST_OHM = 1e9  # more is the board's own insulation


class ShuntVerdict(msgspec.Struct, frozen=True, kw_only=True):
    """factor: multiply readings by it; u_factor: its standard uncertainty. off_pct: how much too much
    is read. verdict: good, off, or wrong.
    """

    expected_mv_per_v: float
    measured_mv_per_v: float
    factor: float
    u_factor: float
    off_pct: float
    verdict: Literal["good", "off", "wrong"]


def shunt_output(gauge_ohm: float, shunt_ohm: float, arm: Literal["tension", "compression"] = "tension") -> float:
    """mV/V by which the reading must move: down across a gauge that load stretches, up across one it presses."""
    _check(gauge_ohm, shunt_ohm)
    size = 1000.0 * gauge_ohm / (4.0 * shunt_ohm + 2.0 * gauge_ohm)
    return -size if arm == "tension" else size


def judge_shunt(
    measured_mv_per_v: float,
    *,
    gauge_ohm: float,
    shunt_ohm: float,
    arm: Literal["tension", "compression"] = "tension",
    u_measured: float = 0.0,
    gauge_tolerance_pct: float = 0.35,
    shunt_tolerance_pct: float = 0.1,
) -> ShuntVerdict:
    """Compare the reading's move (with shunt less without, mV/V) with what it must be.

    Tolerances are half-widths, taken as even chances (JCGM 100:2008, 4.3.7). Raises InputError where the
    reading moved the wrong way or not at all.
    """
    expected = shunt_output(gauge_ohm, shunt_ohm, arm)
    if not np.isfinite(measured_mv_per_v) or abs(measured_mv_per_v) < 0.02 * abs(expected):
        raise InputError(
            f"shunt: the reading moved by {measured_mv_per_v:.4f} mV/V where {expected:.4f} is due: the "
            "resistor is not "
            "across an arm, or the bridge has no supply"
        )
    if measured_mv_per_v * expected < 0:
        raise InputError(
            f"shunt: the reading moved the wrong way ({measured_mv_per_v:+.4f} mV/V, {expected:+.4f} is due "
            "across a "
            f"{arm} gauge): the resistor is on the other arm, or the signal wires are swapped; mend it or "
            "set sign = -1"
        )
    factor = expected / measured_mv_per_v
    shares = np.array([gauge_tolerance_pct / 100.0, shunt_tolerance_pct / 100.0]) / np.sqrt(3.0)
    u = abs(factor) * float(np.sqrt(np.sum(shares**2) + (u_measured / measured_mv_per_v) ** 2))
    off = 100.0 * (1.0 / factor - 1.0)
    verdict: Literal["good", "off", "wrong"] = (
        "good" if abs(off) <= _GOOD_PCT else "off" if abs(off) <= _BAD_PCT else "wrong"
    )
    return ShuntVerdict(
        expected_mv_per_v=expected,
        measured_mv_per_v=measured_mv_per_v,
        factor=factor,
        u_factor=u,
        off_pct=off,
        verdict=verdict,
    )


def _check(gauge_ohm: float, shunt_ohm: float) -> None:
    if not (0 < gauge_ohm <= _MOST_OHM and 0 < shunt_ohm <= _MOST_OHM):
        raise InputError(
            f"shunt: {gauge_ohm:g} ohm gauge and {shunt_ohm:g} ohm shunt: give resistances above zero, up to a gigaohm"
        )


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
    from scipy import special

    if len(reading) < 3:
        raise InputError(
            f"{len(reading)} weights; a line with its uncertainty needs three or more, nothing hung counts as one"
        )
    line = fit_york(reading, force_n, u_reading, u_force_n)
    found = []
    if special.chdtrc(line.dof, line.chi_square) < 0.05:
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
