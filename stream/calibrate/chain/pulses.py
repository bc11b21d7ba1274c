"""How many pulses the tap gives per turn of the crankshaft: from pulse frequency and nominal speed.

Frequency f and speed n give f · 60 / n pulses a turn. Plausible counts: halves up to 6 (a coil of a four-
stroke fires every second turn), whole numbers (teeth of a ring gear too), and toothed wheels with missing
teeth, whose pulses a turn are the teeth that are there: 36-1 gives 35, 60-2 gives 58 (common practice, no
source).
"""

from collections.abc import Sequence

import msgspec
import numpy as np

from stream.errors import InputError
from stream.findings import Finding, note, warning

_MISSING = ((24, 1), (24, 2), (30, 1), (30, 2), (32, 2), (36, 1), (36, 2), (60, 1), (60, 2))
_COMMON = {
    0.5: 1.0,
    1.0: 2.0,
    1.5: 1.0,
    2.0: 3.0,
    3.0: 2.0,
    4.0: 2.0,
    6.0: 1.0,
    35.0: 1.0,
    36.0: 1.0,
    58.0: 1.5,
    60.0: 1.0,
}
_MOST = 200
_SURE_MARGIN = 6.0  # in -2 ln(likelihood): twenty to one


class PulseCount(msgspec.Struct, frozen=True, kw_only=True):
    """A plausible count. name: '4', '0.5', '36-1'; z: how many standard uncertainties the measured count is
    off.
    """

    per_turn: float
    name: str
    z: float


class PulseFinding(msgspec.Struct, frozen=True, kw_only=True):
    """measured ± u_measured (k = 1) pulses a turn, the count that fits, the runner-up, how sure (0 to 1)."""

    measured: float
    u_measured: float
    best: PulseCount | None
    runner_up: PulseCount | None
    probability: float
    sure: bool
    said: Finding


def find_pulses(
    frequency_hz: Sequence[float],
    nominal_rpm: Sequence[float],
    *,
    reading_error_rpm: float = 50.0,
    scale_error_pct: float = 1.0,
    u_frequency_hz: float = 0.1,
) -> PulseFinding:
    """Pulses per turn from one or more holds: pulse frequency (Hz) and nominal speed (rpm) of each.

    Reading errors are independent, the scale error is shared; both standard (k = 1). Raises InputError.
    """
    hz, rpm = np.asarray(frequency_hz, np.float64), np.asarray(nominal_rpm, np.float64)
    if hz.shape != rpm.shape or hz.size == 0 or not (np.all(np.isfinite(hz) & (hz > 0)) and np.all(rpm > 0)):
        raise InputError("pulses per turn: give for each hold one pulse frequency and one speed, both above zero")
    counts = 60.0 * hz / rpm
    variances = (60.0 * u_frequency_hz / rpm) ** 2 + (counts * reading_error_rpm / rpm) ** 2
    measured = float(np.average(counts, weights=1.0 / variances))
    u = float(np.sqrt(1.0 / np.sum(1.0 / variances) + (measured * scale_error_pct / 100.0) ** 2))
    ranked = sorted(((_cost(value, measured, u), value, name) for value, name in plausible_counts()))
    weights = np.exp(-0.5 * np.array([cost - ranked[0][0] for cost, *_ in ranked]))
    probability = float(1.0 / weights.sum())
    best, second = (PulseCount(per_turn=v, name=n, z=(measured - v) / u) for _, v, n in ranked[:2])
    if abs(best.z) > 4.0:
        said = warning("pulses-fit-nothing", measured=measured, u_measured=u)
        return PulseFinding(
            measured=measured, u_measured=u, best=None, runner_up=best, probability=0.0, sure=False, said=said
        )
    sure = ranked[1][0] - ranked[0][0] > _SURE_MARGIN
    said = note(
        "pulses-fit",
        count=best.name,
        runner_up=second.name,
        measured=measured,
        u_measured=u,
        sure=sure,
        probability=probability,
    )
    return PulseFinding(
        measured=measured, u_measured=u, best=best, runner_up=second, probability=probability, sure=sure, said=said
    )


def plausible_counts() -> list[tuple[float, str]]:
    """(pulses a turn, name), one entry a value; a missing-teeth wheel names its value."""
    counts = {float(half) / 2.0: f"{half / 2:g}" for half in range(1, 13)}
    counts |= {float(whole): str(whole) for whole in range(1, _MOST + 1)}
    counts |= {float(teeth - gone): f"{teeth}-{gone}" for teeth, gone in _MISSING}
    return sorted(counts.items())


def _cost(value: float, measured: float, u: float) -> float:
    """-2 ln(likelihood × how usual the count is)."""
    odds = _COMMON.get(value, 0.3 if value <= 12 or value in {float(t - g) for t, g in _MISSING} else 0.1)
    return ((measured - value) / u) ** 2 - 2.0 * float(np.log(odds))
