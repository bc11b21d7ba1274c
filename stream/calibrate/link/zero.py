"""THE zero: what the link shows with nothing driving the car. How one is measured, what speaks against it, and what the
zero of a moment is between those that were taken, with its uncertainty.

A zero taken at t_i is z_i = z(t_i) + e_i + s_i. e_i is the noise of the stretch's own mean, known (u_i). s_i is what
the link shows differently each time for the same nothing: bush friction, a wound-up driveline (variance s²). And z
itself wanders with heat (a random walk, variance q T in T seconds). So the gap g between two zeros has

    E g² = u_1² + u_2² + 2 s² + q T

and one gap cannot say which of the two it shows. The excess r = g² - u_1² - u_2² is given to each explanation in turn,
s² = r / 2 or q = r / T. At the share w of the way from the first zero to the second, where the zero is taken to be
(1 - w) z_1 + w z_2, the variance of its error is

    (1 - w)² u_1² + w² u_2²  +  r ((1 - w)² + w²) / 2   if each taking differs,   or  + r w (1 - w)   if zero wanders

The greater of the two counts, never their sum: the gap is one piece of evidence and counts once. In the middle both
say r / 4, a standard uncertainty of half the gap (0.20 for zeros 0.40 apart); at a zero it is the gap over √2. Before
the first zero and behind the last one the value stays, and the two say r / 2 and q times the seconds away.

With n zeros the excesses of the n - 1 gaps are pooled. The standard uncertainty is right on average; from one gap it is
itself known to one degree of freedom: where the zero is all the uncertainty, two of them hold the truth on 70 of 100
days (measured in the tests). One zero alone has no gap: its uncertainty is that of its own noise and too small, which
is for others to say.
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stream.errors import InputError
from stream.record.tables import Zero
from stream.units import Floats

_AGAIN = "stand in neutral, brakes off, on the level, and take it again"
_LEAST_S = 2.0  # chosen: four batches of half a second
_BATCH_S = 0.5
_RESTLESS = 6.0  # chosen: half-second means that wander this many times what the noise explains
_QUIET_SHARE = 0.002  # chosen: of a strong pull; wander below it is no motion, whatever the noise


@dataclass(frozen=True, slots=True)
class ZeroPart:
    """One source of zero error in a pull: the error is `weight` times a draw of standard deviation `doubt`.

    Two pulls whose parts carry the same `key` share the draw. `doubt` is in the load's unit.
    """

    key: str
    doubt: float
    weight: float = 1.0


@dataclass(frozen=True, slots=True)
class PullZero:
    """The zero of a moment (load unit), and where its error comes from."""

    value: float
    parts: tuple[ZeroPart, ...] = ()

    @property
    def doubt(self) -> float:
        """Standard uncertainty of the zero, load unit."""
        return math.sqrt(sum((part.weight * part.doubt) ** 2 for part in self.parts))

    def scaled(self, factor: float) -> "PullZero":
        """The same zero where load is `factor` times what it was."""
        parts = (ZeroPart(part.key, part.doubt * abs(factor), part.weight) for part in self.parts)
        return PullZero(self.value * factor, tuple(parts))


def measure_zero(
    load: npt.ArrayLike,
    rate_hz: float,
    *,
    start_s: float,
    end_s: float,
    how: str,
    full_scale: float | None = None,
    road_speed_kmh: npt.ArrayLike | None = None,
) -> Zero:
    """The zero of a stretch of load samples, (n,), in the link's unit. full_scale: load of a strong pull.

    Its uncertainty is the standard error by batch means. Raises InputError: too short, missing samples, or moving.
    """
    x = np.asarray(load, np.float64)
    x = x[np.isfinite(x)]
    if len(x) < _LEAST_S * rate_hz:
        raise InputError(f"zero: {len(x) / rate_hz:.1f} s of load is too short; stand still for {_LEAST_S:g} s or more")
    check_still(x, rate_hz, full_scale=full_scale, road_speed_kmh=road_speed_kmh)
    return Zero(start_s=start_s, end_s=end_s, mean=float(x.mean()), doubt=batch_sem(x, rate_hz), how=how)


def check_still(
    load: npt.ArrayLike,
    rate_hz: float,
    *,
    full_scale: float | None = None,
    road_speed_kmh: npt.ArrayLike | None = None,
) -> None:
    """Raises InputError where the car does not seem to stand. A still link shows white noise and engine shake alone."""
    if road_speed_kmh is not None:
        fastest = float(np.nanmax(np.abs(np.asarray(road_speed_kmh, np.float64))))
        if fastest > 1.0:
            raise InputError(
                f"zero: taken while moving: road speed reached {fastest:.0f} km/h; {_AGAIN}", "zero-moving"
            )
    x = np.asarray(load, np.float64)
    means = _batches(x, rate_hz)
    wander = float(means.std(ddof=1))
    noise = float(np.std(np.diff(x), ddof=1)) / np.sqrt(2.0)
    explained = noise / np.sqrt(len(x) / len(means))
    if wander <= _RESTLESS * explained or (full_scale is not None and wander <= _QUIET_SHARE * abs(full_scale)):
        return
    raise InputError(
        f"zero: taken while moving: the load wanders by ±{2 * wander:.2g}, far more than its noise; {_AGAIN}",
        "zero-moving",
    )


def batch_sem(x: Floats, rate_hz: float) -> float:
    """Standard error of the mean that honours autocorrelation: from the means of batches of half a second or more."""
    means = _batches(x, rate_hz)
    return float(means.std(ddof=1) / np.sqrt(len(means)))


def zero_at(time_s: float, zeros: Sequence[Zero], session: str = "") -> PullZero | None:
    """The zero at a moment of a session, by the rule above; None where none was taken.

    Raises InputError where a zero's numbers are not finite or its uncertainty is negative.
    """
    for number, zero in enumerate(zeros):
        if not all(map(math.isfinite, (zero.start_s, zero.end_s, zero.mean, zero.doubt))) or zero.doubt < 0:
            raise InputError(f"{session or 'session'}: zeros[{number}]: not a usable zero; take it again")
    row = sorted(zeros, key=lambda zero: zero.middle_s)
    if not row:
        return None
    weights, strayed_s = _weights(time_s, row)
    seat, pace = _excess(row)
    names = [f"{session}/zero@{zero.middle_s:.3f}" for zero in row]
    parts = [ZeroPart(names[place], row[place].doubt, weight) for place, weight in weights.items()]
    parts += [ZeroPart(f"{names[place]}/seat", math.sqrt(seat), weight) for place, weight in weights.items()]
    wandered = pace * strayed_s - seat * sum(weight**2 for weight in weights.values())
    if wandered > 0:
        after = names[min(weights)] if time_s >= row[0].middle_s else f"{names[0]}/before"
        parts.append(ZeroPart(f"{after}/wander", math.sqrt(pace), math.sqrt(wandered / pace)))
    return PullZero(
        sum(weight * row[place].mean for place, weight in weights.items()),
        tuple(part for part in parts if part.doubt > 0 and part.weight > 0),
    )


def _weights(time_s: float, row: Sequence[Zero]) -> tuple[dict[int, float], float]:
    """(weight of each zero that counts at a moment, by place; seconds of a random walk that its wander is worth)."""
    later = next((place for place, zero in enumerate(row) if zero.middle_s >= time_s), len(row))
    if later in (0, len(row)):
        nearest = 0 if later == 0 else len(row) - 1
        return {nearest: 1.0}, abs(time_s - row[nearest].middle_s)
    span = row[later].middle_s - row[later - 1].middle_s
    share = (time_s - row[later - 1].middle_s) / span if span > 0 else 0.5
    return {later - 1: 1 - share, later: share}, span * share * (1 - share)


def _excess(row: Sequence[Zero]) -> tuple[float, float]:
    """(variance of one taking, variance of the wander in a second), either as if it alone explained the gaps."""
    gaps = [
        ((after.mean - before.mean) ** 2 - before.doubt**2 - after.doubt**2, after.middle_s - before.middle_s)
        for before, after in itertools.pairwise(row)
    ]
    if not gaps:
        return 0.0, 0.0
    dated = [(excess, span) for excess, span in gaps if span > 0]
    seat = max(sum(excess for excess, _ in gaps) / len(gaps) / 2, 0.0)
    pace = max(sum(excess / span for excess, span in dated) / len(dated), 0.0) if dated else 0.0
    return seat, pace


def _batches(x: Floats, rate_hz: float) -> Floats:
    """Means of 4 to 30 equal batches, half a second long or more where there is time."""
    count = int(np.clip(len(x) / rate_hz / _BATCH_S, 4, 30))
    size = len(x) // count
    return np.asarray(x[: count * size].reshape(count, size).mean(axis=1), np.float64)
