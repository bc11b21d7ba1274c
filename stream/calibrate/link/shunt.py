"""Shunt calibration: a known resistor across one arm must move the reading by a known amount, the right way.

A resistor R_s beside a gauge of R_g lowers the arm by R_g / (R_g + R_s): it simulates a pressed gauge. The
bridge's answer is exactly that of a quarter bridge, -R_g / (4 R_s + 2 R_g), whatever the other arms carry and
whatever the gauge factor.
"""

from typing import Literal

import msgspec
import numpy as np

from stream.errors import InputError

_GOOD_PCT, _BAD_PCT = 2.0, 20.0


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
    if not (gauge_ohm > 0 and shunt_ohm > 0):
        raise InputError(f"shunt: {gauge_ohm:g} ohm gauge and {shunt_ohm:g} ohm shunt: give resistances above zero")
