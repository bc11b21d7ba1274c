"""Where a plateau begins and ends: a hinge between ramp and plateau, not the ends of a window."""

from dataclasses import dataclass

import numpy as np

from stream.live.steadiness import BIN_S, Steadiness, bin_ticks, bins
from stream.units import Counts, Floats

CONTEXT_S = 1.5  # how far beyond a stretch one looks for its ramps
RAMP_BANDS = 3.0  # a ramp is followed up to this many bands away from the plateau: there it is still straight
OUTWARD_S = 0.5  # how far beyond the stretch an edge may lie
SHORTEST_S = 0.4  # of plateau between the edges
TIE = 0.1  # pairs of edges that fit as well as this, relative, are alike: the longer plateau is taken
NEAR_S = 6.0  # a longer stretch has each edge placed by what is near it: a drift further on says nothing of it; chosen
OUT_OF_BAND = 1.0  # bands that a ramp must cover to be one, and not a swing of the foot


@dataclass(frozen=True, slots=True)
class Edges:
    """First tick of the plateau and the tick behind its last, counted from the start of the stretch; and the slopes
    of the ramps on both sides, rpm/s, 0 where no ramp shows (the stream begins, a gap, the stream ends)."""

    first: int
    end: int
    ramp_before: float
    ramp_behind: float


def plateau_edges(before: Floats, stretch: Floats, behind: Floats, steady: Steadiness) -> Edges:
    """The edges of a stretch of rpm ticks, given the ticks just before and behind it.

    Ramp, plateau and ramp are fitted together by least squares, p + k·min(t - a, 0) + m·max(t - b, 0), over all pairs
    of edges a < b: two slow ramps about a short pause share its level, so that neither is taken for plateau.
    """
    near = round(NEAR_S / BIN_S) * bin_ticks(steady.rate_hz)
    if len(stretch) > 2 * near:
        left = plateau_edges(before, stretch[:near], stretch[:0], steady)
        right = plateau_edges(stretch[:0], stretch[-near:], behind, steady)
        return Edges(left.first, len(stretch) - near + right.end, left.ramp_before, right.ramp_behind)
    level = float(np.median(stretch))
    band, limit = steady.band(level), steady.drift_limit(level)
    reach = RAMP_BANDS * band
    size = bin_ticks(steady.rate_hz)
    ramp_in = _ramp(before[::-1], level, reach, steady.rate_hz)[::-1]
    ramp_in = ramp_in[len(ramp_in) % size :]  # so that a bin border falls on the stretch's first tick
    ramp_out = _ramp(behind, level, reach, steady.rate_hz)
    y, dt = bins(np.concatenate((ramp_in, stretch, ramp_out)), steady.rate_hz)
    start = len(ramp_in) // size
    end = start + len(stretch) // size
    outward = round(OUTWARD_S / dt)

    def leaves(outside: Floats) -> bool:
        return bool(np.any(np.abs(outside - level) > band))

    # Without a ramp outside, what bends inside is the foot: the edge stays where the stream begins or ends.
    none = np.zeros(1, dtype=np.int64)
    first_places = np.arange(max(0, start - outward), end) if leaves(y[:start]) else none
    last_places = len(y) - np.arange(start + 1, min(len(y), end + outward) + 1) if leaves(y[end:]) else none
    before_side = _Side.of(y, first_places, dt).steeper(limit, level - float(np.median(y)))
    behind_side = _Side.of(y[::-1], last_places, dt).steeper(limit, level - float(np.median(y)))
    if before_side is None or behind_side is None:
        # Speed leaves the band no faster than a hold may drift: no ramp on that side, and nothing outside belongs here.
        return plateau_edges(
            before[:0] if before_side is None else before,
            stretch,
            behind[:0] if behind_side is None else behind,
            steady,
        )
    a, b = _best_pair(y, before_side, behind_side, round(SHORTEST_S / dt))
    ramp_before = _checked(before_side, a, y, band, limit, dt)
    ramp_behind = -_checked(behind_side, b, y[::-1], band, limit, dt)
    first = (int(before_side.places[a]) - start) * size if ramp_before else 0
    last = (len(y) - int(behind_side.places[b]) - start) * size if ramp_behind else len(stretch)
    return Edges(first, last, ramp_before, ramp_behind)


def _ramp(outside: Floats, level: float, reach: float, rate_hz: float) -> Floats:
    """The part of what lies outside, going outwards, that is still near the plateau."""
    near = outside[: round(CONTEXT_S * rate_hz)]
    far = np.flatnonzero(np.abs(near - level) > reach)
    return near[: int(far[0])] if len(far) else near


@dataclass(frozen=True, slots=True)
class _Side:
    """For each place of one edge, the sums of the ramp u = min(t - place, 0) with itself, with 1 and with y."""

    places: Counts
    uu: Floats
    u1: Floats
    uy: Floats

    @classmethod
    def of(cls, y: Floats, places: Counts, dt: float) -> "_Side":
        # Over the first `place` bins u = (t - place)·dt; sums over a prefix come from running sums about the median.
        t = np.arange(len(y), dtype=np.float64)
        centred = y - np.median(y)
        sum_y = np.concatenate(([0.0], np.cumsum(centred)))
        sum_ty = np.concatenate(([0.0], np.cumsum(t * centred)))
        n = places.astype(np.float64)
        u1 = -n * (n + 1) / 2.0 * dt
        uu = n * (n + 1) * (2 * n + 1) / 6.0 * dt**2
        uy = (sum_ty[places] - n * sum_y[places]) * dt
        return cls(places, uu, u1, uy)

    def steeper(self, limit: float, level: float) -> "_Side | None":
        """The places whose ramp is steeper than the drift that a hold may have, rpm/s, and those without one; None
        where there is a ramp to be found and none is. `level` is the plateau's, about the median."""
        slope = (self.uy - level * self.u1) / np.where(self.uu > 0, self.uu, np.inf)
        steep = np.abs(slope) > limit
        if len(self.places) == 1 or steep.all():
            return self
        if not steep.any():
            return None
        return _Side(self.places[steep], self.uu[steep], self.u1[steep], self.uy[steep])

    def terms(self) -> tuple[Floats, Floats, Floats]:
        """What a free ramp slope takes off: the sum of squares, the sum of y, and the count."""
        safe = np.where(self.uu > 0, self.uu, 1.0)
        return self.uy**2 / safe, self.u1 * self.uy / safe, self.u1**2 / safe


def _best_pair(y: Floats, before: _Side, behind: _Side, shortest: int) -> tuple[int, int]:
    """Indices of the pair of places with the smallest sum of squares about ramp, plateau and ramp."""
    centred = y - np.median(y)
    a_square, a_sum, a_count = (term[:, np.newaxis] for term in before.terms())
    b_square, b_sum, b_count = (term[np.newaxis, :] for term in behind.terms())
    left = float(np.sum(centred)) - a_sum - b_sum
    count = len(y) - a_count - b_count
    error = float(centred @ centred) - a_square - b_square - left**2 / np.maximum(count, 1e-9)
    gap = (len(y) - behind.places)[np.newaxis, :] - before.places[:, np.newaxis]
    error = np.where((gap >= shortest) & (count > 0.5), error, np.inf)
    good = np.where(error <= (1.0 + TIE) * np.min(error), gap, -1)
    a, b = np.unravel_index(int(np.argmax(good)), error.shape)
    return int(a), int(b)


def _checked(side: _Side, number: int, y: Floats, band: float, limit: float, dt: float) -> float:
    """The ramp's slope at a place, rpm/s, or 0 where it does not leave the band and so may be a swing of the foot, or
    is no steeper than a hold may drift."""
    place = int(side.places[number])
    if place < 2:
        return 0.0
    plateau = float(np.median(y[place : place + max(2, round(1.0 / dt))]))
    u = (np.arange(place) - place) * dt
    slope = float(u @ (y[:place] - plateau) / (u @ u))
    return slope if abs(slope) * place * dt > OUT_OF_BAND * band and abs(slope) > limit else 0.0
