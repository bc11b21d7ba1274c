"""Road load from coastdowns: F = A + B v + C v².

The equation of motion is integrated once, M (v(0) - v(t)) = A t + B x(t) + C q(t), with x and q the integrals of v and
v². That is linear in the coefficients, needs no derivative of a noisy speed, and keeps the noise of the left side
white. Runs in opposite directions share A, B and C; what changes sign with the direction, grade (a force) and wind
along the road (a force proportional to speed), is fitted beside them, so it cancels even where the runs differ in
length. Wind also leaves C w² in A, which is taken off again with the wind so found.

A wind that changes between two runs does not cancel: it looks like B. It is a stated term, a draw of each run, which
the runs' own differences correct once there are more than two of them.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import msgspec
import numpy as np

from stream.errors import InputError
from stream.findings import Finding, note, warning
from stream.study.stats import t_quantile
from stream.units import Floats as Array

GRAVITY = 9.80665
MASS_FACTOR = 1.03  # turning wheels only, in neutral: about 3 % of the mass (SAE J1263, ISO 10521; from memory)
# Gusts and the road's unevenness are taken as a force that is new every so often; how strong it is, the residuals
# show, less what the fit has taken up of it. Measured on 180 drives of the rehearsal car (two runs of 75 s, 90 of them
# with car and weather of their own): 1.96 u held the truth in 94 to 100 %; batches of residuals, 10 s each, in 77 to
# 94 %, since the seven unknowns of two runs leave the batches little to show.
FORCE_S = 1.0
# Wind that changes between a run and its partner, m/s, standard; stated, since two runs cannot show it. Chosen: what a
# day within the 3 m/s of mean wind that road-load standards allow (from memory) does in the minutes between two runs.
WIND_CHANGE_MPS = 1.5
ROUNDS = 3  # of the head winds; each leaves about a hundredth of the error before it
WIND_PRIOR = 4.0  # chosen: so many runs' worth of evidence the stated wind change counts against what the runs show
# What one direction alone cannot show: standard uncertainties of an unnoticed slope and of wind along the road.
# Common practice, no source.
UNSEEN_GRADE = 0.003
UNSEEN_WIND_MPS = 2.0
STRONG_WIND_MPS = 3.0  # mean wind up to which road-load standards allow a coastdown (ISO 10521; from memory)
STEP_KMH = 10.0  # coast times are taken over reference speed ± 5 km/h (UN GTR 15, annex 4; from memory)
SMOOTH_S = 2.0


class StepTime(msgspec.Struct, frozen=True, kw_only=True):
    """Coast time over a reference speed ± 5 km/h, mean of `pairs` (there and back, harmonic), and its precision
    100 t s / (√n T) in %, None for one pair.
    """

    speed_kmh: float
    time_s: float
    pairs: int
    precision_pct: float | None


class CoastVerdict(msgspec.Struct, frozen=True, kw_only=True):
    """One glide of the session. `way` is 1 or -1 along the road; `why_not` is '' for a used one, else words joined by
    hyphens.
    """

    number: int
    start_s: float
    end_s: float
    from_mps: float
    to_mps: float
    way: int
    used: bool
    why_not: str


class RoadLoad(msgspec.Struct, frozen=True, kw_only=True):
    """The answer of `coastdown`, as its JSON; u_* are standard uncertainties, that of the mass left out.

    from_mps, to_mps   the speeds that were glided through; beyond them nothing is known
    wind_change_mps    standard uncertainty of the wind's change between a run and its partner, as used
    covariance         (3, 3) of A, B and C, which err together
    """

    a_n: float
    b_n_per_mps: float
    c_n_per_mps2: float
    u_a: float
    u_b: float
    u_c: float
    runs: int
    from_mps: float
    to_mps: float
    wind_change_mps: float
    precision: tuple[StepTime, ...] = ()
    coastdowns: tuple[CoastVerdict, ...] = ()
    findings: tuple[Finding, ...] = ()
    covariance: tuple[tuple[float, ...], ...] = ()

    def force_n(self, speed_mps: float) -> float:
        """Road load at a speed, N."""
        return self.a_n + self.b_n_per_mps * speed_mps + self.c_n_per_mps2 * speed_mps**2

    def u_force_n(self, speed_mps: float) -> float:
        """Standard uncertainty of the road load at a speed, N."""
        row = np.array([1.0, speed_mps, speed_mps**2])
        return float(np.sqrt(row @ np.array(self.covariance) @ row))


@dataclass(frozen=True, slots=True)
class CoastRun:
    """One coastdown in neutral: time s and road speed m/s, shape (rows,); `way` 1 or -1 along the road."""

    time_s: Array
    speed_mps: Array
    way: int = 1


def fit_road_load(
    runs: Sequence[CoastRun],
    mass_kg: float,
    mass_factor: float = MASS_FACTOR,
    wind_change_mps: float = WIND_CHANGE_MPS,
) -> RoadLoad:
    """Fit A, B and C to one or more coastdowns, each of 20 rows or more in order of time.

    mass_kg           as driven, people included
    wind_change_mps   standard uncertainty of the wind's change between a run and its partner
    """
    if not runs:
        raise InputError("no coastdown in the session; let the car roll in neutral from high speed, both ways")
    fit = _Fit(runs, mass_kg * mass_factor, wind_change_mps)
    coefficients, covariance = fit.coefficients()
    findings: list[Finding] = []
    if fit.paired:
        if abs(fit.wind_mps) > STRONG_WIND_MPS:
            findings.append(warning("coast-wind", wind_mps=abs(fit.wind_mps)))
        if sum(run.way for run in runs):
            findings.append(warning("coast-odd-runs", runs=len(runs)))
        findings.append(note("coast-wind-change", wind_mps=fit.wind_change_mps, stated_mps=wind_change_mps))
    else:
        covariance = covariance + _unseen(mass_kg, float(coefficients[2]))
        findings.append(warning("coast-one-alone") if len(runs) == 1 else warning("coast-one-way"))
    speeds = np.concatenate([run.speed_mps for run in runs])
    findings += _oddities(coefficients, speeds)
    u_a, u_b, u_c = (float(u) for u in np.sqrt(np.diag(covariance)))
    a, b, c = (float(value) for value in coefficients)
    return RoadLoad(
        a_n=a,
        b_n_per_mps=b,
        c_n_per_mps2=c,
        u_a=u_a,
        u_b=u_b,
        u_c=u_c,
        runs=len(runs),
        from_mps=float(min(_smooth(run).min() for run in runs)),
        to_mps=float(max(_smooth(run).max() for run in runs)),
        wind_change_mps=fit.wind_change_mps,
        precision=step_times(runs),
        findings=tuple(findings),
        covariance=tuple(tuple(row) for row in covariance.tolist()),
    )


class _Fit:
    """Least squares of M (v(0) - v(t)) on t, x and q [and on t and x with the sign of the way] and one start speed for
    each run, with the covariance from three causes: white noise of the speed, a disturbing force that is new every
    FORCE_S, and a wind of each run's own.

    A force that pushes for a while shifts all later left sides of its run, which the fit partly takes up as A, B, C:
    so its strength is what the residuals are over what would be left of it (as in restricted maximum likelihood).
    """

    def __init__(self, runs: Sequence[CoastRun], mass: float, wind_change_mps: float) -> None:
        from scipy.linalg import null_space

        self.runs, self.mass = runs, mass
        ways = np.array([run.way for run in runs])
        self.paired = len(set(ways.tolist())) > 1
        columns, wanted = self._system()
        # Winds of single runs show only against runs of the same way: their mean is B, their difference the wind.
        apart = np.column_stack([ways == way for way in sorted(set(ways.tolist()))]).astype(float)
        contrasts = np.asarray(null_space(apart.T), dtype=np.float64)
        count, heads = columns.shape[1], np.zeros(len(runs))
        self.wind_mps, own = 0.0, np.zeros(contrasts.shape[1])
        c = max(float(_least_squares(columns, wanted)[0][2]), 0.0)
        for _ in range(ROUNDS):  # C h² of each run's head wind h is no part of A
            since, moved = self._by_run()
            wider = np.column_stack([columns, 2 * c * moved @ contrasts]) if c > 0 else columns
            self.wanted = wanted - c * since @ heads**2
            self.solution = _least_squares(wider, self.wanted)[0]
            c = max(float(self.solution[2]), 0.0)
            self.wind_mps = float(self.solution[4] / (2 * c)) if self.paired and c > 0 else 0.0
            own = self.solution[count:]
            heads = ways * self.wind_mps + (contrasts @ own if len(own) else 0.0)
        strength, covariance = self._disturbed(wider)
        self.wind_change_mps = wind_change_mps
        if len(own):  # a stated change that the runs do not bear out is widened, never narrowed
            seen = float((own**2).sum() - np.trace(covariance[count:, count:]))
            variance = (WIND_PRIOR * wind_change_mps**2 / 2 + max(seen, 0.0)) / (WIND_PRIOR + len(own))
            self.wind_change_mps = max(wind_change_mps, float(np.sqrt(2 * variance)))
        winds = 2 * c * (moved + since * heads) * self.wind_change_mps / np.sqrt(2)
        self.covariance = self._covariance(wider, strength, winds)

    def coefficients(self) -> tuple[Array, Array]:
        """(A, B, C), (3, 3) covariance; that of the wind which was taken off A is in it."""
        values, transfer = self.solution[:3].copy(), np.eye(3, len(self.solution))
        if self.paired and values[2] > 0:
            transfer[0, 4], transfer[0, 2] = -self.wind_mps, self.wind_mps**2
        return values, transfer @ self.covariance @ transfer.T

    def _system(self) -> tuple[Array, Array]:
        """(rows, A B C [grade wind] then one start speed for each run), (rows,) left sides N s."""
        blocks, sides = [], []
        for index, run in enumerate(self.runs):
            since, moved, swept = _integrals(run)
            starts = np.zeros((len(since), len(self.runs)))
            starts[:, index] = -self.mass
            directed = [run.way * since, run.way * moved] if self.paired else []
            blocks.append(np.column_stack([since, moved, swept, *directed, starts]))
            sides.append(-self.mass * run.speed_mps)
        return np.concatenate(blocks), np.concatenate(sides)

    def _by_run(self) -> tuple[Array, Array]:
        """(t, x), each (rows, runs): time and way since each run's first row, 0 in the other runs' rows."""
        since, moved = np.zeros((2, sum(len(run.time_s) for run in self.runs), len(self.runs)))
        row = 0
        for index, run in enumerate(self.runs):
            rows = slice(row, row + len(run.time_s))
            since[rows, index], moved[rows, index], _ = _integrals(run)
            row = rows.stop
        return since, moved

    def _disturbed(self, columns: Array) -> tuple[float, Array]:
        """(strength of the disturbing force N², covariance from noise and that force)."""
        solution, q, _ = _least_squares(columns, self.wanted)
        residual = self.wanted - columns @ solution
        energy, left = float(residual @ residual), 0.0
        for rows, pushed, run in self._pushes():
            seen = q[rows].T @ pushed
            left += float((pushed**2).sum() - (seen**2).sum())
            share = len(run.time_s) * (1 - columns.shape[1] / len(columns))
            energy -= self.mass**2 * _white(run.speed_mps) * share
        strength = max(energy, 0.0) / left if left > 0 else 0.0
        return strength, self._covariance(columns, strength, np.zeros((len(columns), 0)))

    def _covariance(self, columns: Array, strength: float, winds: Array) -> Array:
        _, q, back = _least_squares(columns, self.wanted)
        inner = np.zeros((columns.shape[1], columns.shape[1]))
        for rows, pushed, run in self._pushes():
            seen = q[rows].T @ pushed
            inner += strength * seen @ seen.T + self.mass**2 * _white(run.speed_mps) * q[rows].T @ q[rows]
        blown = q.T @ winds
        return np.asarray(back @ (inner + blown @ blown.T) @ back.T, np.float64)

    def _pushes(self) -> list[tuple[slice, Array, CoastRun]]:
        """Of each run: its rows, (rows, steps) N s of 1 N in each FORCE_S at each row, and the run."""
        found, row = [], 0
        for run in self.runs:
            since = run.time_s - run.time_s[0]
            pushed = np.clip(since[:, None] - np.arange(0.0, since[-1], FORCE_S), 0.0, FORCE_S)
            found.append((slice(row, row + len(since)), pushed, run))
            row += len(since)
        return found


def _least_squares(columns: Array, wanted: Array) -> tuple[Array, Array, Array]:
    """(solution, orthonormal columns, what turns their coefficients into the solution)."""
    scale = np.sqrt((columns**2).mean(axis=0))
    scale[scale == 0] = 1.0
    q, r = np.linalg.qr(columns / scale)
    back = np.linalg.pinv(r) / scale[:, None]
    return back @ (q.T @ wanted), q, back


def _integrals(run: CoastRun) -> tuple[Array, Array, Array]:
    """(t, x, q) of a run: time, way, and the integral of the squared speed, each from its first row."""
    step, speed = np.diff(run.time_s), run.speed_mps
    moved = np.concatenate(([0.0], np.cumsum(step * (speed[1:] + speed[:-1]) / 2)))
    squares = speed**2 - _white(speed)
    swept = np.concatenate(([0.0], np.cumsum(step * (squares[1:] + squares[:-1]) / 2)))
    return run.time_s - run.time_s[0], moved, swept


def _white(speed: Array) -> float:
    """Variance of the white noise of a speed, from its second differences."""
    return float(np.var(np.diff(speed, 2)) / 6)


def _unseen(mass_kg: float, c: float) -> Array:
    """(3, 3) covariance of A, B, C from a slope and a wind that runs in one direction cannot show."""
    return np.diag([(mass_kg * GRAVITY * UNSEEN_GRADE) ** 2, (2 * abs(c) * UNSEEN_WIND_MPS) ** 2, 0.0])


def _oddities(coefficients: Array, speeds: Array) -> list[Finding]:
    low, high = float(speeds.min()), float(speeds.max())
    found = []
    if coefficients[2] < 0:
        found.append(warning("coast-c-negative"))
    if coefficients[0] < 0:
        found.append(warning("coast-a-negative"))
    if high < 1.5 * low:
        found.append(warning("coast-narrow", from_kmh=3.6 * low, to_kmh=3.6 * high))
    return found


def _smooth(run: CoastRun) -> Array:
    """Speed over SMOOTH_S, never rising, (rows,)."""
    from scipy import ndimage

    rows = max(round(SMOOTH_S / float(np.median(np.diff(run.time_s)))) | 1, 3)
    return np.minimum.accumulate(ndimage.uniform_filter1d(run.speed_mps, rows, mode="nearest"))


def step_times(runs: Sequence[CoastRun]) -> tuple[StepTime, ...]:
    """Coast times over the reference speeds that whole pairs cross, with the statistical precision of road-load
    standards, 100 t s / (√n T): t Student's factor for 95 %, s the pairs' standard deviation, T their mean.

    Runs of one way alone count each by itself.
    """
    ways = [[run for run in runs if run.way == way] for way in (1, -1)]
    pairs = list(zip(*ways, strict=False)) if all(ways) else [(run,) for run in runs]
    rows = []
    for speed_kmh in np.arange(STEP_KMH, 3.6 * max(run.speed_mps.max() for run in runs), STEP_KMH):
        times = [_pair_time(pair, float(speed_kmh)) for pair in pairs]
        known = np.array([time for time in times if time is not None])
        if not len(known):
            continue
        mean, n, precision = float(known.mean()), len(known), None
        if n > 1:
            precision = 100 * t_quantile(n - 1) * float(known.std(ddof=1)) / (n**0.5 * mean)
        rows.append(StepTime(speed_kmh=float(speed_kmh), time_s=mean, pairs=n, precision_pct=precision))
    return tuple(rows)


def _pair_time(pair: Sequence[CoastRun], speed_kmh: float) -> float | None:
    """Harmonic mean of the runs' times over a reference speed; None where one of them does not cross it whole."""
    high, low, times = (speed_kmh + STEP_KMH / 2) / 3.6, (speed_kmh - STEP_KMH / 2) / 3.6, []
    for run in pair:
        speed = _smooth(run)
        if not speed[-1] <= low < high <= speed[0]:
            return None
        times.append(float(np.interp(-low, -speed, run.time_s) - np.interp(-high, -speed, run.time_s)))
    return len(times) / sum(1 / time for time in times) if all(time > 0 for time in times) else None
