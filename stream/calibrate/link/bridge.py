"""Strain bridges: mV/V to microstrain, exactly.

From the Wheatstone circuit, GF the gauge factor, e the strain (positive is stretched), nu Poisson's ratio:

    quarter        one active gauge                               GF e / (4 + 2 GF e)
    half-poisson   one along, one across, neighbouring arms       GF e (1 + nu) / (4 + 2 GF e (1 - nu))
    half-bending   one stretched, one pressed                     GF e / 2               exactly linear
    full-bending   two stretched, two pressed                     GF e                   exactly linear
    full-axial     two along, two across                          GF e (1 + nu) / (2 + GF e (1 - nu))
    full-torsion   four at 45°; e is the strain along a gauge,    GF e                   exactly linear
                   half the shear strain
"""

from typing import Literal

import numpy as np
import numpy.typing as npt

from stream.errors import InputError
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
