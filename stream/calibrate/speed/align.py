"""Which hold was which target: the search behind `match`.

The provisional speeds may be off by ±30 % and by some hundred rpm, so no hold can be named by its own speed.
A map rpm = a + b·provisional (bent a little where the converter is not straight) is searched over the whole
plausible range; under each map every hold goes to its nearest target or stays a stray. Each reading of the
row costs its residuals, the targets it leaves without a hold, the holds it leaves without a target, and what
it asks of the provisional line. Where the pulse frequency of the holds is known from their ripple, speed is in
proportion to it, and 60 · frequency / target is one number over the row: that tells a row from one that is shifted by a
target, which no line through the volts can. Costs are in units of -2 ln(likelihood), so that a difference of 6 means
twenty to one.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from stream.units import Floats

_SLOPES = np.geomspace(0.60, 1.66, 103)  # true rpm per provisional rpm: ±30 % and some room
_SHIFTS = np.arange(-1500.0, 1501.0, 40.0)
_SD_LOG_SLOPE = 0.25
_SD_ZERO_RPM = 200.0  # how well a provisional line knows its speed at zero signal
_SD_BEND = 0.03  # of the span of the targets
_KNEE = 2.5  # beyond this many standard deviations a residual costs linearly
_REACH = 0.45  # of the distance to the next target: farther is a stray
_STRAY, _LOW_STRAY = 14.0, 10.0
_IDLE, _NO_IDLE, _IDLE_AS_TARGET = 0.5, 2.5, 3.0  # most drives begin at idle
_IDLE_RPM, _SD_IDLE_RPM = 900.0, 300.0
_FASTEST_IDLE_RPM = 1300.0
_SKIPPED, _SKIPPED_END, _NEXT_AT_END, _PINNED_TARGET = 6.0, 6.0, 4.0, 0.5
_SD_WORTH = 0.65  # how well a stretch's time tells its number of targets
_CONTRADICTION, _IMPOSSIBLE = 8.0, 1e6
_CELLS_REFINED = 60
_FEWEST_HZ = 3
_HZ_SHARE = 0.01  # of a speed: how well a frequency tells it, the hold's own wander included


@dataclass(frozen=True, slots=True)
class PinnedEnd:
    """Evidence that the signal sticks at one end: the provisional speed it shows and for how many targets'
    time (more than one guess where the drive may have turned there).

    from_hold  it was found as a hold, so it counts only where targets are missing that its signal cannot mean
    extra      what it costs to believe it
    flat       it shows noise alone, without the wander of a foot or an engine: it may stand at any level
    """

    speed: float
    targets_worth: tuple[float, ...]
    from_hold: bool = False
    extra: float = 0.0
    flat: bool = False


@dataclass(frozen=True)
class Row:
    """What is to be aligned. speed: provisional rpm of each hold, (n,); targets: distinct, ascending, (m,).

    zero_speed  provisional rpm at zero signal
    sigma       standard uncertainty of a hold's nominal speed, rpm, (m,)
    calm        the slowest hold wanders much less than the others, as no foot but an idling engine does
    hz          pulse frequency of each hold, (n,), NaN where it is not known; None: of none
    """

    speed: Floats
    targets: Floats
    sigma: Floats
    zero_speed: float
    bottom: PinnedEnd | None = None
    top: PinnedEnd | None = None
    calm: bool = False
    hz: Floats | None = None

    @cached_property
    def reach(self) -> Floats:
        """How far from each target a hold may lie and still be its hold, rpm, (m,)."""
        steps = np.diff(self.targets)
        return np.asarray(_REACH * np.minimum(np.r_[steps[:1], steps], np.r_[steps, steps[-1:]]), np.float64)

    @cached_property
    def edges(self) -> Floats:
        """Half way from each target to the next, rpm, (m - 1,)."""
        return np.asarray((self.targets[1:] + self.targets[:-1]) / 2.0, np.float64)


@dataclass(frozen=True, slots=True)
class Reading:
    """One way to read the row. labels: index of each hold's target or -1, (n,); mapped: rpm of each hold,
    (n,).
    """

    labels: tuple[int, ...]
    cost: float
    mapped: Floats
    below: tuple[int, ...] = ()
    inside: tuple[int, ...] = ()
    above: tuple[int, ...] = ()


def readings(row: Row) -> list[Reading]:
    """The plausible readings of the row, cheapest first; empty where none joins two holds to two targets."""
    found: dict[tuple[int, ...], Reading] = {}
    for slope, value in _starts(row):
        reading = _refine(row, slope, value)
        if reading is not None and reading.cost < found.get(reading.labels, reading).cost + 1e-9:
            found[reading.labels] = reading
    return sorted(found.values(), key=lambda reading: reading.cost)


def _middle(row: Row) -> tuple[float, float]:
    low, high = float(np.min(row.speed)), float(np.max(row.speed))
    return (low + high) / 2.0, max((high - low) / 2.0, 1.0)


def _label(row: Row, mapped: Floats) -> tuple[np.ndarray, Floats]:
    """(nearest target or -1, residual) of mapped speeds of any shape."""
    nearest = np.searchsorted(row.edges, mapped)
    residual = mapped - row.targets[nearest]
    return np.where(np.abs(residual) <= row.reach[nearest], nearest, -1), residual


def _without_poor_repeats(row: Row, labels: np.ndarray, residual: Floats) -> np.ndarray:
    """A hold far from its target is a stray, not a repeat, where another hold of that target is near it."""
    counts = np.bincount(labels[labels >= 0])
    if not np.any(counts > 1):
        return labels
    labels = labels.copy()
    for label in np.flatnonzero(counts > 1).tolist():
        z = np.where(labels == label, np.abs(residual) / row.sigma[label], np.inf)
        labels[(labels == label) & (z > 2.8) & (z > np.min(z) + 1.5)] = -1
    slowest = int(np.argmin(row.speed))
    sisters = labels == labels[slowest]
    sisters[slowest] = False
    once = np.sum(counts > 1) == 1  # no other target was repeated: the row was driven once
    if (row.calm or once) and _may_idle(row, labels, residual, slowest) and np.any(sisters):  # it idles near a target
        gap = np.min(residual[sisters]) - residual[slowest]
        if gap > (0.5 if row.calm else 1.0) * row.sigma[labels[slowest]]:
            labels[slowest] = -1
    return labels


def _may_idle(row: Row, labels: np.ndarray, residual: Floats, hold: int) -> bool:
    label = int(labels[hold])
    return label >= 0 and float(row.targets[label] + residual[hold]) < _FASTEST_IDLE_RPM


def _huber(z: Floats) -> Floats:
    size = np.abs(z)
    return np.where(size <= _KNEE, size**2, _KNEE * (2.0 * size - _KNEE))


def _starts(row: Row) -> Iterator[tuple[float, float]]:
    """(slope, rpm at the middle) of the most promising maps, spread over slopes and shifts."""
    middle, _ = _middle(row)
    slopes, shifts = (grid.ravel() for grid in np.meshgrid(_SLOPES, _SHIFTS, indexing="ij"))
    mapped = (slopes * middle + shifts)[:, None] + slopes[:, None] * (row.speed - middle)[None, :]
    labels, residual = _label(row, mapped)
    cost = np.where(labels >= 0, np.minimum(_huber(residual / row.sigma[labels]), 12.0), 12.0).sum(axis=1)
    bits = np.where(labels >= 0, np.uint64(1) << np.maximum(labels, 0).astype(np.uint64), np.uint64(0))
    held = np.bitwise_count(np.bitwise_or.reduce(bits, axis=1))
    cost = cost + 4.0 * (len(row.targets) - held) + (np.log(slopes) / _SD_LOG_SLOPE) ** 2
    step = float(np.min(np.diff(row.targets))) / 2.0
    cells = np.round(np.log(slopes) / 0.04).astype(int) * 10_000 + np.round(shifts / step).astype(int)
    order = np.argsort(cost, kind="stable")
    _, first = np.unique(cells[order], return_index=True)
    for index in order[np.sort(first)[:_CELLS_REFINED]]:
        yield float(slopes[index]), float(slopes[index] * middle + shifts[index])
    yield from _starts_by_pulses(row, middle)


def _starts_by_pulses(row: Row, middle: float) -> Iterator[tuple[float, float]]:
    """(slope, rpm at the middle) of the maps that go through zero frequency: one for each target that the slowest hold
    with a known frequency may be."""
    known = np.zeros(0, np.intp) if row.hz is None else np.flatnonzero(np.isfinite(row.hz))
    if row.hz is None or len(known) < _FEWEST_HZ or np.ptp(row.speed[known]) == 0.0:
        return
    per_speed, at_zero = (float(value) for value in np.polyfit(row.speed[known], row.hz[known], 1))
    slowest = float(np.min(row.hz[known]))
    for target in row.targets.tolist():
        turns = target / slowest  # rpm per Hz
        yield turns * per_speed, turns * (per_speed * middle + at_zero)


def _refine(row: Row, slope: float, value: float) -> Reading | None:
    """Fit a gently bent map to the labels, label again, until it stands."""
    middle, half = _middle(row)
    u = (row.speed - middle) / half
    span = float(np.ptp(row.targets))
    coefficients = np.array([value, slope * half, 0.0])
    design = np.column_stack([np.ones_like(u), u, u**2 - 0.5])
    labels, residual = _label(row, design @ coefficients)
    for _ in range(6):
        taken = labels >= 0
        if len(set(labels[taken].tolist())) < 2:
            return None
        sigma = row.sigma[labels[taken]]
        root = 1.0 / sigma / np.sqrt(1.0 + (residual[taken] / (3.0 * sigma)) ** 2)
        rows = np.vstack([design[taken] * root[:, None], [0.0, 0.0, 1.0 / (_SD_BEND * span)]])
        coefficients, *_ = np.linalg.lstsq(rows, np.r_[row.targets[labels[taken]] * root, 0.0], rcond=None)
        last = labels
        labels, residual = _label(row, design @ coefficients)
        labels = _without_poor_repeats(row, labels, residual)
        if np.array_equal(last, labels):
            break
    if not _plausible(coefficients, half):
        return None
    return _scored(row, coefficients, labels, residual)


def _plausible(coefficients: Floats, half: float) -> bool:
    slope, bend = coefficients[1] / half, 2.0 * coefficients[2] / half
    return bool(0.55 <= slope <= 1.8 and slope - abs(bend) > 0.15)


def _scored(row: Row, coefficients: Floats, labels: np.ndarray, residual: Floats) -> Reading | None:
    middle, half = _middle(row)

    def at(speed: float) -> float:
        u = (speed - middle) / half
        return float(coefficients @ [1.0, u, u**2 - 0.5])

    u = (row.speed - middle) / half
    mapped = coefficients[0] + coefficients[1] * u + coefficients[2] * (u**2 - 0.5)
    taken = np.unique(labels[labels >= 0]).tolist()
    if len(taken) < 3:
        return None
    below = tuple(range(taken[0]))
    above = tuple(range(taken[-1] + 1, len(row.targets)))
    inside = tuple(index for index in range(taken[0], taken[-1]) if index not in taken)
    bottom = at(row.bottom.speed) if row.bottom is not None else None
    top = at(row.top.speed) if row.top is not None else None
    z = np.abs(residual[labels >= 0] / row.sigma[labels[labels >= 0]])
    z = np.maximum(z, _pulse_misfit(row, labels)[labels >= 0])  # both see the same reading errors: not counted twice
    cost = float(np.sum(_huber(z))) + (coefficients[2] / (_SD_BEND * float(np.ptp(row.targets)))) ** 2
    cost += _line_cost(row, coefficients[0], coefficients[1] / half, middle)
    cost += _stray_cost(row, mapped, labels) + _SKIPPED * len(inside)
    cost += _end_cost(row, row.bottom, bottom, below, at_top=False)
    cost += _end_cost(row, row.top, top, above, at_top=True)
    return Reading(tuple(labels.tolist()), cost, mapped, below, inside, above)


def _pulse_misfit(row: Row, labels: np.ndarray) -> Floats:
    """By how many standard deviations each hold's target is off what its pulse frequency says, (n,); 0 where unknown.

    rpm = turns · frequency with one number for all; that number is fitted, so a wrong count assumed does not matter.
    """
    off = np.zeros(len(labels))
    known = np.zeros(len(labels), np.bool_) if row.hz is None else (labels >= 0) & np.isfinite(row.hz)
    if row.hz is None or len(set(labels[known].tolist())) < _FEWEST_HZ:
        return off
    target, hz = row.targets[labels[known]], row.hz[known]
    sigma = np.hypot(row.sigma[labels[known]], _HZ_SHARE * target)
    weight = np.ones(len(hz))
    for _ in range(4):  # a hold that was taken to a wrong target must not bend the rest
        turns = float(np.sum(weight * target * hz / sigma**2) / np.sum(weight * (hz / sigma) ** 2))
        z = np.abs(target - turns * hz) / sigma
        weight = 1.0 / np.maximum(1.0, z / _KNEE)
    off[known] = z
    return off


def _line_cost(row: Row, value: float, slope: float, middle: float) -> float:
    """What the map asks of the provisional line: its slope, and its speed at zero signal, kept or scaled with
    it.
    """
    zero = value + slope * (row.zero_speed - middle)
    off = min(abs(zero - row.zero_speed), abs(zero - slope * row.zero_speed))
    return float((np.log(slope) / _SD_LOG_SLOPE) ** 2 + (off / _SD_ZERO_RPM) ** 2)


def _stray_cost(row: Row, mapped: Floats, labels: np.ndarray) -> float:
    """Holds without a target, repeats of one speed counted once; one at idle speed below the row is expected."""
    strays = np.sort(mapped[labels < 0]).tolist()
    speeds = [
        rpm for number, rpm in enumerate(strays) if not number or rpm - strays[number - 1] > max(60.0, 0.02 * rpm)
    ]
    cost = 0.0
    if speeds and speeds[0] < row.targets[0]:
        cost += min(_IDLE + ((speeds.pop(0) - _IDLE_RPM) / _SD_IDLE_RPM) ** 2, _LOW_STRAY)
    else:
        cost += _NO_IDLE + _IDLE_AS_TARGET * (row.calm and float(np.min(mapped)) < _FASTEST_IDLE_RPM)
    return cost + sum(_LOW_STRAY if 0.0 < rpm < row.targets[0] else _STRAY for rpm in speeds)


def _end_cost(
    row: Row, pinned: PinnedEnd | None, mapped: float | None, missing: tuple[int, ...], at_top: bool
) -> float:
    """Targets without a hold at one end: cheap where a pinned stretch explains them and its time is enough."""
    if pinned is None or mapped is None:
        return _SKIPPED_END + _NEXT_AT_END * (len(missing) - 1) if missing else 0.0
    if not missing:
        if pinned.from_hold:
            return _IMPOSSIBLE
        return min((min(pinned.targets_worth) / _SD_WORTH) ** 2, 3.0) if at_top else 0.5
    cost = pinned.extra + _PINNED_TARGET * len(missing)
    excess = min((len(missing) - worth for worth in pinned.targets_worth), key=abs)
    if not at_top:  # before the row the signal may have been flat for any time
        excess = max(0.0, excess - 0.5)
    cost += min((excess / _SD_WORTH) ** 2, 6.0)
    least = 1.0 if pinned.from_hold else -2.5
    for index in missing:
        gap = (row.targets[index] - mapped) * (1.0 if at_top else -1.0)
        # a dead converter may stand far below its line, but a living one that stands on it is no dead one
        below = not at_top and pinned.flat and gap < -2.5 * row.sigma[index]
        if gap < least * row.sigma[index] and (at_top or pinned.from_hold) and not below:
            cost += _CONTRADICTION
    return cost
