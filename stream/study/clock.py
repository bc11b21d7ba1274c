"""Two clocks into one: a controller's log laid over a session by their traces of engine speed.

session time = log time * (1 + rate) + offset

Coarse: both traces on one even grid, their correlation for every shift, holes masked (Padfield, IEEE Trans.
Image Processing 21 (2012) 2670). Fine: least squares on offset, rate and a straight line between the two
speeds (neither calibration is believed), robust against stray rows; the log is never resampled, so dropped
rows and coarse steps do no harm.

A match is refused where it is poor, where its detail (change within two seconds) does not agree, where its pieces
each want a shift of their own, as two drives of one script do, or where another place is about as likely. Places are
weighed by likelihood: the variance of the residuals, and as many samples as they are worth, since they run together.
"""

import math
from dataclasses import dataclass
from itertools import pairwise

import msgspec
import numpy as np

from stream.block import ChannelInfo
from stream.car import Car, Channel, parse_car
from stream.errors import InputError
from stream.sources.log_columns import ControllerLog
from stream.sources.replay import MergedSource
from stream.study.dataset import Dataset
from stream.study.joined import beside, car_with
from stream.units import Flags, Floats

GRID_S = 0.1
LEAST_SHARE = 0.2  # of the shorter trace that must overlap
LEAST_OVERLAP_S = 10.0
LEAST_SD_RPM = 60.0  # less movement than this cannot place anything
LEAST_CORRELATION = 0.9
LEAST_DETAIL = 0.5
DETAIL_S = 2.0
CANDIDATES = 12
MOST_RATE = 3e-3  # a crystal is off by 1e-4, a resonator by 5e-3 at the worst; common practice, no source
LIKELIER = 10.0  # in ln(likelihood): another place that much less likely is none
VARIANCES = 2.0  # and its residuals must have so many times the variance, for equal ones differ by chance too
# The shift that each piece of the log wants. Mean square of shift over uncertainty, on copies of published cycles and
# on drives of two models with noise, coarse steps, dropped rows, a bent and clipped converter: 0.01 to 0.95 for the
# same drive, 0.6 to 79 for another day of one script. Residuals ran together for 0.1 to 0.5 s, and for 1.0 to 4 s.
PIECE_S = 6.0
KNOTS = 16
PIECE_U_S, PIECE_U_RPM = 0.012, 4.0  # what the lag of a filter and what is left of a bent converter may make of it
PIECE_KNOWN_S = 0.08  # pieces that tell their shift no better than this tell nothing
FEWEST_PIECES = 3
MOST_SCATTER, SUSPECT_SCATTER = 1.3, 0.3
TOGETHER_S = 1.0
LEAST_GAIN_RPM_S = 100.0  # slower changes tell no time
RIVAL_OVERLAP = 0.85
HOLE_S = 2.0
HUBER = 2.0
STEADY = 0.5
SLOPE_S = 0.8
STEPS = 25
SETTLED_S = 1e-4
RANKING_ROWS = 4000
RANKING_S = 0.5  # and no wider apart: a piece of six seconds has to show its shift
FINEST_S = 0.02
BATCH_S = 5.0
# Measured on copies of a published speed cycle with known offset: errors were 1.2 (smooth rpm) to 1.5 (rpm in
# steps of 50) times what the batches alone promise.
DOUBT_FACTOR = 1.4


class Alignment(msgspec.Struct, frozen=True, kw_only=True):
    """The answer of `align`, as its JSON: session_s = log_s (1 + rate_ppm 1e-6) + offset_s.

    `u_offset_s` is the standard uncertainty of the offset at log_s = 0; it grows where the overlap lies far
    from there.
    """

    offset_s: float
    rate_ppm: float
    u_offset_s: float
    correlation: float


@dataclass(frozen=True, slots=True)
class _Fit:
    offset: float
    rate: float
    u_offset: float
    correlation: float
    detail: float
    overlap_s: float
    variance: float  # of the residuals, rpm²
    worth: float  # independent samples among them
    scatter: float  # mean square of the pieces' own shifts over their uncertainties; NaN where they tell nothing

    @property
    def astray(self) -> bool:
        """Whether the pieces contradict each other."""
        slow = self.overlap_s > TOGETHER_S * self.worth
        return self.scatter > (SUSPECT_SCATTER if slow else MOST_SCATTER)

    def less_likely_by(self, best: "_Fit") -> float:
        """ln(likelihood) that is missing to the best place's, from the variances, by the fewer independent samples."""
        return 0.5 * min(self.worth, best.worth) * math.log(max(self.variance, 1e-9) / max(best.variance, 1e-9))


def align(
    session_s: Floats, session_rpm: Floats, log_s: Floats, log_rpm: Floats, lag_s: float = 0.0, what: str = "the log"
) -> Alignment:
    """Find the log's place on the session's clock.

    session_s, session_rpm   (rows,) at the live rate, NaN or missing rows where samples were lost
    log_s, log_rpm           (rows,) as written, any rate from about 2 Hz, uneven where rows were dropped
    lag_s                    how much later the session's speed arrives than it happened
    what                     what an error calls the log

    Raises InputError where a trace is too short or does not move, where nothing matches, or more than one
    place does.
    """
    session = _clean(session_s - lag_s, session_rpm, "the session")
    log = _no_finer(*_clean(log_s, log_rpm, what))
    every = min(len(log[0]) // RANKING_ROWS, int(RANKING_S * len(log[0]) / np.ptp(log[0])))
    thin = slice(None, None, max(every, 1))
    few = (log[0][thin], log[1][thin])
    tried = (_refine(session, few, shift) for shift in _coarse(session, log))
    fits = sorted([fit for fit in tried if fit is not None], key=_weight, reverse=True)
    best = _judged(fits, what)
    best = _refine(session, log, best.offset, best.rate) or best
    return Alignment(
        offset_s=best.offset,
        rate_ppm=1e6 * best.rate,
        u_offset_s=best.u_offset,
        correlation=best.correlation,
    )


def _judged(fits: list[_Fit], what: str) -> _Fit:
    """The place that the log has. `fits` are the likeliest ones, best first. Raises InputError where there is none, or
    more than one."""
    if not fits or fits[0].correlation < LEAST_CORRELATION or fits[0].detail < LEAST_DETAIL:
        why = f"best correlation {fits[0].correlation:.2f}" if fits else "they hardly overlap"
        raise InputError(
            f"{what}'s rpm matches the session nowhere ({why}); is it of the same drive?", "log-matches-nowhere"
        )
    best = fits[0]
    if best.astray:
        raise InputError(
            f"{what}'s rpm goes as the session's does, but its changes are early or late by "
            f"{1000 * PIECE_U_S * math.sqrt(best.scatter):.0f} ms and more, each by its own; it is of another drive, "
            "perhaps of the same script on another day",
            "log-of-another-drive",
        )
    if math.isnan(best.scatter):
        raise InputError(
            f"{what} matches the session in too few changes of speed to be sure that it is of the same drive; use a "
            "longer one",
            "log-changes-too-little",
        )
    for other in fits[1:]:
        if abs(other.offset - best.offset) < DETAIL_S or other.detail < LEAST_DETAIL or other.astray:
            continue
        equal = other.less_likely_by(best) < LIKELIER or other.variance < VARIANCES * best.variance
        if equal and other.overlap_s > RIVAL_OVERLAP * best.overlap_s:
            raise InputError(
                f"{what} fits the session at {best.offset:.1f} s and as well at {other.offset:.1f} s; "
                "use a longer log, or one with a change of speed that does not repeat",
                "log-fits-twice",
            )
    return best


def _weight(fit: _Fit) -> float:
    """Fisher's z times the root of the overlap: a long match beats a short one of the same quality."""
    return math.atanh(min(max(fit.correlation, 0.0), 0.999999)) * math.sqrt(fit.overlap_s)


def _clean(time: Floats, rpm: Floats, what: str) -> tuple[Floats, Floats]:
    """Finite samples in order of time, one for each stamp."""
    good = np.isfinite(time) & np.isfinite(rpm)
    stamps, first = np.unique(time[good], return_index=True)
    values = rpm[good][first]
    if len(stamps) < 20 or stamps[-1] - stamps[0] < LEAST_OVERLAP_S:
        raise InputError(f"{what}: too few rows with an rpm to align by; {LEAST_OVERLAP_S:g} s at least are needed")
    if values.std() < LEAST_SD_RPM:
        raise InputError(f"{what}: engine speed hardly changes, so there is nothing to align by")
    return stamps, values


def _no_finer(time: Floats, rpm: Floats) -> tuple[Floats, Floats]:
    """Means over FINEST_S where rows come much closer than that: the session's own trace tells no more."""
    place = ((time - time[0]) / FINEST_S).astype(np.int64)
    _, place, count = np.unique(place, return_inverse=True, return_counts=True)
    if len(time) < 1.5 * len(count):
        return time, rpm
    return np.bincount(place, time) / count, np.bincount(place, rpm) / count


def _on_grid(time: Floats, rpm: Floats) -> tuple[Floats, Floats]:
    """(values about their mean, mask) every GRID_S from the first stamp; 0 and 0 in holes."""
    grid = time[0] + GRID_S * np.arange(int((time[-1] - time[0]) / GRID_S) + 1)
    after = np.clip(np.searchsorted(time, grid, side="left"), 1, len(time) - 1)
    mask = (time[after] - time[after - 1] <= HOLE_S).astype(float)
    values = np.interp(grid, time, rpm) - rpm.mean()
    return values * mask, mask


def _coarse(session: tuple[Floats, Floats], log: tuple[Floats, Floats]) -> list[float]:
    """The likeliest shifts (session clock minus log clock), best first, from masked normalised
    correlation."""
    from scipy import fft

    (a, mask_a), (b, mask_b) = _on_grid(*session), _on_grid(*log)
    size = fft.next_fast_len(len(a) + len(b), real=True)

    def cross(left: Floats, right: Floats) -> Floats:
        product = fft.rfft(left, size) * np.conj(fft.rfft(right, size))
        return np.asarray(fft.irfft(product, size))

    count = np.maximum(cross(mask_a, mask_b), 1e-9)
    sum_a, sum_b = cross(a, mask_b), cross(mask_a, b)
    scatter_a = cross(a * a, mask_b) - sum_a**2 / count
    scatter_b = cross(mask_a, b * b) - sum_b**2 / count
    needed = max(LEAST_SHARE * min(mask_a.sum(), mask_b.sum()), LEAST_OVERLAP_S / GRID_S)
    least = count * LEAST_SD_RPM**2 / 4
    usable = (count >= needed) & (scatter_a > least) & (scatter_b > least)
    r = np.zeros(size)
    covariance = cross(a, b) - sum_a * sum_b / count
    r[usable] = covariance[usable] / np.sqrt(scatter_a[usable] * scatter_b[usable])
    score = np.where(usable, np.arctanh(np.clip(r, 0, 0.999)) * np.sqrt(count), 0.0)
    shifts = np.fft.fftfreq(size, 1 / size) * GRID_S + session[0][0] - log[0][0]
    order = np.argsort(shifts)
    return _peaks(score[order], shifts[order])


def _peaks(score: Floats, shifts: Floats) -> list[float]:
    from scipy import ndimage

    around = int(2 * DETAIL_S / GRID_S) + 1
    top = np.flatnonzero((score == ndimage.maximum_filter1d(score, around)) & (score > 0))
    return [float(shifts[index]) for index in top[np.argsort(score[top])[::-1]][:CANDIDATES]]


def _refine(session: tuple[Floats, Floats], log: tuple[Floats, Floats], shift: float, rate: float = 0.0) -> _Fit | None:
    """Least squares from a coarse shift; the session smoothed first widely, then just against its own
    noise."""
    from scipy import ndimage

    time, rpm = log
    guess = time * (1 + rate) + shift
    near = (guess >= session[0][0] - DETAIL_S) & (guess <= session[0][-1] + DETAIL_S)
    if near.sum() < 20:
        return None
    centre = float(time[near].mean())
    span = max(float(np.ptp(time[near])), 1.0)
    place = (shift + rate * centre, rate * span)  # offset at the centre, seconds gained over the span
    step = float(np.median(np.diff(session[0])))
    for smooth_s in (1.5, 0.4, 0.2):
        smooth = ndimage.uniform_filter1d(session[1], max(round(smooth_s / step) | 1, 1), mode="nearest")
        solved = _solve(session[0], smooth, time, rpm, (time - centre) / span, span, place)
        if solved is None:
            return None
        inside, place, covariance = solved
    moved = time + place[0] + place[1] * (time - centre) / span
    at = np.interp(moved[inside], session[0], smooth)
    correlation = float(np.corrcoef(at, rpm[inside])[0, 1]) if min(at.std(), rpm[inside].std()) > 0 else 0.0
    rate = place[1] / span
    if abs(rate) >= MOST_RATE:
        return None  # no clock runs so wrong: what was fitted is no clock
    variance, worth, scatter = _residuals(session[0], smooth, moved[inside], rpm[inside])
    to_zero = np.array([1.0, -centre / span])
    return _Fit(
        offset=place[0] - rate * centre,
        rate=rate,
        u_offset=DOUBT_FACTOR * math.sqrt(max(float(to_zero @ covariance @ to_zero), 0.0)),
        correlation=correlation,
        detail=_detail(time[inside], at, rpm[inside]),
        overlap_s=float(np.ptp(time[inside])),
        variance=variance,
        worth=worth,
        scatter=scatter,
    )


def _solve(
    clock: Floats, smooth: Floats, time: Floats, rpm: Floats, along: Floats, span: float, start: tuple[float, float]
) -> tuple[Flags, tuple[float, float], Floats] | None:
    """Gauss-Newton with Huber's weights on (offset at centre, seconds gained over the span).

    along   (rows,) place in the span, in spans from its centre
    Gives (rows of the log inside the session, solution, its covariance); None where too few rows are left.
    """
    place = np.array(start)
    for _ in range(STEPS):
        moved = time + place[0] + place[1] * along
        after = np.clip(np.searchsorted(clock, moved), 1, len(clock) - 1)
        inside = (moved > clock[0]) & (moved < clock[-1]) & (clock[after] - clock[after - 1] < HOLE_S)
        if inside.sum() < 20:
            return None
        own, level = moved[inside], rpm[inside]
        # Over SLOPE_S, not from row to row, where the session's noise would pass for slope.
        gain = (np.interp(own + SLOPE_S / 2, clock, smooth) - np.interp(own - SLOPE_S / 2, clock, smooth)) / SLOPE_S
        # The session's speed is explained by the log's, by a line, and by the shifts that are looked for.
        columns = np.column_stack([-gain, -gain * along[inside], level - level.mean(), np.ones(len(own))])
        wanted = np.interp(own, clock, smooth)
        # A steady speed tells no time, and there a coarse step is a lasting error: such rows count for
        # little.
        moving = np.clip(np.abs(gain) / (STEADY * float(np.sqrt((gain**2).mean())) + 1e-9), 0.01, 1.0)
        weights = moving
        for _ in range(3):
            weighted = columns * weights[:, None]
            solution = np.linalg.pinv(weighted.T @ columns, hermitian=True) @ (weighted.T @ wanted)
            residual = wanted - columns @ solution
            scale = 1.4826 * float(np.median(np.abs(residual))) + 1e-9
            weights = moving * np.minimum(1.0, HUBER * scale / np.maximum(np.abs(residual), 1e-12))
        place = place + np.clip(solution[:2], -DETAIL_S, DETAIL_S)
        place[1] = np.clip(place[1], -MOST_RATE * span, MOST_RATE * span)
        if np.abs(solution[:2]).max() < SETTLED_S:
            break
    return inside, (float(place[0]), float(place[1])), _covariance(columns, residual, weights, time[inside])


def _covariance(columns: Floats, residual: Floats, weights: Floats, time: Floats) -> Floats:
    """Of the two shifts. Residuals run together (coarse steps, smoothing): batches of BATCH_S are the
    replicates."""
    batch = ((time - time[0]) / BATCH_S).astype(int)
    pushes = np.zeros((batch[-1] + 1, columns.shape[1]))
    np.add.at(pushes, batch, columns * (weights * residual)[:, None])
    used = max(len(np.unique(batch)), 2)
    bread = np.linalg.pinv((columns * weights[:, None]).T @ columns, hermitian=True)
    return np.asarray((bread @ (pushes.T @ pushes) @ bread)[:2, :2] * used / (used - 1))


def _residuals(clock: Floats, smooth: Floats, own: Floats, rpm: Floats) -> tuple[float, float, float]:
    """(variance of the residuals, independent samples among them, scatter of the pieces' own shifts).

    clock, smooth   the session's speed
    own, rpm        (rows,) of the log inside the session, on the session's clock
    A line of many pieces takes up what bends the one speed against the other, so that a bent converter, its dead band
    and its ceiling do not pass for wrong times.
    """
    wanted = np.interp(own, clock, smooth)
    gain = (np.interp(own + SLOPE_S / 2, clock, smooth) - np.interp(own - SLOPE_S / 2, clock, smooth)) / SLOPE_S
    knots = np.linspace(float(rpm.min()), float(rpm.max()), KNOTS)
    bend = np.column_stack([np.interp(rpm, knots, row) for row in np.eye(KNOTS)])
    residual = wanted - bend @ np.linalg.lstsq(bend, wanted, rcond=None)[0]
    noise = float(np.std(np.diff(residual))) / 2**0.5
    step = float(np.median(np.diff(np.unique(rpm)))) if np.ptp(rpm) > 0 else 0.0  # in which the log counts
    pieces = ((own - own[0]) / PIECE_S).astype(int)
    edges = np.searchsorted(pieces, np.arange(pieces[-1] + 2)).tolist()
    shifts = [_shift(gain[a:b], residual[a:b], noise, step) for a, b in pairwise(edges)]
    squares = sorted((shift / error) ** 2 for shift, error in filter(None, shifts) if error < PIECE_KNOWN_S)
    if len(squares) < FEWEST_PIECES:
        return float(np.mean(residual**2)), _worth(residual), math.nan
    kept = squares[: len(squares) - math.ceil(len(squares) / 5)]  # one in five may hold a clipped top or an end
    return float(np.mean(residual**2)), _worth(residual), float(np.mean(kept))


def _shift(gain: Floats, residual: Floats, noise: float, step: float) -> tuple[float, float] | None:
    """(shift that a piece wants, its standard uncertainty), s; None where it does not move."""
    n = len(gain)
    if n < 6 or (moves := float(np.sqrt(np.mean(gain**2)))) < LEAST_GAIN_RPM_S:
        return None
    columns = np.column_stack([np.ones_like(gain), gain])
    inverse = np.linalg.pinv(columns.T @ columns, hermitian=True)
    shift = float((inverse @ (columns.T @ residual))[1])
    known = noise * math.sqrt(max(float(inverse[1, 1]), 0.0))
    coarse = step / 12**0.5 / moves / math.sqrt(max(moves * PIECE_S / max(step, 1.0), 1.0))
    return shift, math.hypot(known, coarse, PIECE_U_RPM / moves, PIECE_U_S)


def _worth(residual: Floats) -> float:
    """How many independent samples the residuals are worth: n over 1 + 2 times their correlations, summed while they
    are positive (Geyer, Statistical Science 7 (1992) 473)."""
    from scipy import fft

    n = len(residual)
    size = fft.next_fast_len(2 * n, real=True)
    correlation = fft.irfft(np.abs(fft.rfft(residual - residual.mean(), size)) ** 2, size)[:n]
    if correlation[0] <= 0:
        return float(n)
    correlation = correlation / correlation[0]
    ends = np.flatnonzero(correlation <= 0)
    return max(n / (1.0 + 2.0 * float(np.sum(correlation[1 : ends[0] if len(ends) else n]))), 1.0)


def _detail(time: Floats, at: Floats, rpm: Floats) -> float:
    """Correlation of how much both change within DETAIL_S."""
    later = time + DETAIL_S
    keep = later <= time[-1]
    if keep.sum() < 10:
        return 0.0
    changes = [np.interp(later[keep], time, trace) - trace[keep] for trace in (at, rpm)]
    if min(change.std() for change in changes) == 0:
        return 0.0
    return float(np.corrcoef(changes[0], changes[1])[0, 1])


def align_log(session: Dataset, log: ControllerLog) -> Alignment:
    """Find the log's place on the session's clock; the lag of the session's converter is taken off.

    Raises InputError, naming both files, where there is no place, or more than one.
    """
    lag, uncertainty = session.speed_lag
    speed = session.speed_rpm
    try:
        found = align(session.time_s, speed, log.time_s, log.rpm, lag)
    except InputError as error:
        raise InputError(f"{log.path} against {session.path}: {error}") from None
    return msgspec.structs.replace(found, u_offset_s=float(np.hypot(found.u_offset_s, uncertainty)))


@dataclass(frozen=True, slots=True)
class Merger:
    """What a merged session is made from: the source, its car, and how its new columns came to their names."""

    source: MergedSource
    car: Car
    added: tuple[str, ...]


def merged_source(session: Dataset, log: ControllerLog, found: Alignment) -> Merger:
    """The session's raw channels with the log's columns beside them, and a car file that names both.

    The log's engine speed comes as a channel of role `other`: a car file has one engine_speed only.
    """
    rpm = Channel(name=_column_name(log.rpm_column), role="other", unit="rpm")
    channels = beside(session.car, set(session.names), [rpm, *log.channels])
    time = log.time_s * (1 + 1e-6 * found.rate_ppm) + found.offset_s
    values = np.column_stack([log.rpm, log.values])
    infos = [ChannelInfo(channel.name, channel.unit) for channel in channels]
    where = f"{session.path} with {log.path}"
    car = car_with(parse_car(session.session.car_text, where), channels, where)
    return Merger(MergedSource(session.path, infos, time, values), car, tuple(channel.name for channel in channels))


def _column_name(cell: str) -> str:
    """A column's name without the unit in brackets."""
    return cell.split("[")[0].split("(")[0].strip() or "rpm"
