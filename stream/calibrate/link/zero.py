"""Zero load: taken in neutral, brakes off, level; its doubt, its drift, and what speaks against it."""

from collections.abc import Sequence

import msgspec
import numpy as np
import numpy.typing as npt

from stream.calibrate.speed.york import Floats
from stream.errors import InputError

_LEAST_S = 2.0
_BATCH_S = 0.5
_RESTLESS = 6.0  # half-second means that wander this many times what the noise explains
_QUIET_SHARE = 0.002  # of full scale: wander below it is no motion, whatever the noise


class Zero(msgspec.Struct, frozen=True, kw_only=True):
    """A zero at `time_s` (the stretch's middle): mean in the load's unit, doubt (k = 1), scatter, seconds
    taken.
    """

    time_s: float
    mean: float
    doubt: float
    sd: float
    seconds: float
    how: str = ""


def take_zero(
    load: npt.ArrayLike,
    rate_hz: float,
    *,
    start_s: float = 0.0,
    full_scale: float | None = None,
    road_speed_kmh: npt.ArrayLike | None = None,
    how: str = "",
) -> Zero:
    """The zero of a stretch of load samples, (n,), in the link's unit. full_scale: load of a strong pull.

    The doubt is the standard error by batch means. Raises InputError: too short, missing samples, or moving.
    """
    x = np.asarray(load, np.float64)
    x = x[np.isfinite(x)]
    if len(x) < _LEAST_S * rate_hz:
        raise InputError(f"zero: {len(x) / rate_hz:.1f} s of load is too short; stand still for {_LEAST_S:g} s or more")
    reason = moving(x, rate_hz, full_scale=full_scale, road_speed_kmh=road_speed_kmh)
    if reason:
        raise InputError(f"zero: {reason}; stand in neutral, brakes off, on the level, and take it again")
    return Zero(
        time_s=start_s + len(x) / rate_hz / 2.0,
        mean=float(x.mean()),
        doubt=batch_sem(x, rate_hz),
        sd=float(x.std(ddof=1)),
        seconds=len(x) / rate_hz,
        how=how,
    )


def moving(
    load: npt.ArrayLike,
    rate_hz: float,
    *,
    full_scale: float | None = None,
    road_speed_kmh: npt.ArrayLike | None = None,
) -> str:
    """Why the car does not seem to stand, or ''. A still link shows white noise and engine shake, no slow
    wander.
    """
    if road_speed_kmh is not None:
        fastest = float(np.nanmax(np.abs(np.asarray(road_speed_kmh, np.float64))))
        if fastest > 1.0:
            return f"taken while moving: road speed reached {fastest:.0f} km/h"
    x = np.asarray(load, np.float64)
    means = _batches(x, rate_hz)
    wander = float(means.std(ddof=1))
    noise = float(np.std(np.diff(x), ddof=1)) / np.sqrt(2.0)
    explained = noise / np.sqrt(len(x) / len(means))
    if wander <= _RESTLESS * explained or (full_scale is not None and wander <= _QUIET_SHARE * abs(full_scale)):
        return ""
    return (
        f"taken while moving: the load wanders by ±{2 * wander:.3g}, {wander / max(explained, 1e-300):.0f} "
        "times its noise"
    )


def batch_sem(x: Floats, rate_hz: float) -> float:
    """Standard error of the mean that honours autocorrelation: from the means of batches of half a second or
    more.
    """
    means = _batches(x, rate_hz)
    return float(means.std(ddof=1) / np.sqrt(len(means)))


def with_second(first: Zero, second: Zero) -> Zero:
    """A standing zero confirmed by one from a free roll in neutral: their gap is the zero's doubt."""
    gap = second.mean - first.mean
    return msgspec.structs.replace(first, doubt=float(np.hypot(first.doubt, gap)))


def zero_at(zeros: Sequence[Zero], time_s: npt.ArrayLike) -> tuple[Floats, Floats]:
    """(zero, doubt) at these times: a straight line between zeros, the nearest one outside them.

    Between two zeros the path is not known: to the doubt of the ends comes the gap · sqrt(s (1 - s)), the
    spread of a random walk tied at both ends; after the last and before the first, the whole gap to its
    neighbour (with one zero alone drift cannot be known). Raises InputError without a zero.
    """
    if not zeros:
        raise InputError("no zero was taken; take one in neutral, brakes off, level ('steadypull zero SESSION …')")
    row = sorted(zeros, key=lambda zero: zero.time_s)
    t = np.asarray(time_s, np.float64)
    times, means, doubts = (np.array([getattr(zero, key) for zero in row]) for key in ("time_s", "mean", "doubt"))
    value = np.interp(t, times, means)
    if len(row) == 1:
        return value, np.full_like(value, doubts[0])
    left = np.clip(np.searchsorted(times, t, side="right") - 1, 0, len(row) - 2)
    s = (t - times[left]) / np.maximum(times[left + 1] - times[left], 1e-9)
    inside = np.clip(s, 0.0, 1.0)
    gap = means[left + 1] - means[left]
    path = np.where((s < 0.0) | (s > 1.0), np.abs(gap), np.abs(gap) * np.sqrt(inside * (1.0 - inside)))
    ends = np.hypot((1.0 - inside) * doubts[left], inside * doubts[left + 1])
    return value, np.hypot(ends, path)


def cross_talk_pct(during: npt.ArrayLike, before: npt.ArrayLike, full_scale: float) -> tuple[float, float]:
    """(largest, typical) move of the load in a bounce, a braking or a steady turn, % of a strong pull's load.

    during, before: load samples in the link's unit, drive torque absent in both; full_scale: load of a strong
    pull.
    """
    moved, still = np.asarray(during, np.float64), np.asarray(before, np.float64)
    moved, still = moved[np.isfinite(moved)], still[np.isfinite(still)]
    if len(moved) < 2 or len(still) < 2 or not full_scale:
        raise InputError("cross-talk: give load samples before and during the motion, and the load of a strong pull")
    away = moved - np.median(still)
    return (
        float(100.0 * np.max(np.abs(away)) / abs(full_scale)),
        float(100.0 * np.sqrt(np.mean(away**2)) / abs(full_scale)),
    )


def _batches(x: Floats, rate_hz: float) -> Floats:
    """Means of 4 to 30 equal batches, half a second long or more where there is time."""
    count = int(np.clip(len(x) / rate_hz / _BATCH_S, 4, 30))
    size = len(x) // count
    return np.asarray(x[: count * size].reshape(count, size).mean(axis=1), np.float64)
