"""Road load from coastdowns: F = A + B v + C v².

The equation of motion is integrated once, M (v(0) - v(t)) = A t + B x(t) + C q(t), with x and q the integrals
of v and v². That is linear in the coefficients, needs no derivative of a noisy speed, and keeps the noise of
the left side white. Runs in opposite directions share A, B and C; what changes sign with the direction, grade
(a force) and wind along the road (a force proportional to speed), is fitted beside them, so it cancels even
where the runs differ in length. Wind also leaves C w² in A, which is taken off again with the wind so found.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import msgspec
import numpy as np

from stream.errors import InputError
from stream.units import Floats as Array

GRAVITY = 9.80665
MASS_FACTOR = 1.03  # turning wheels only, in neutral: about 3 % of the mass (SAE J1263, ISO 10521; from memory)
LEAST_ROWS = 20
LEAST_FALL = 0.2  # of the speed at the start
MOST_DECELERATION = 2.0  # m/s²; no road load does this, brakes do
# Gusts and the road's unevenness are taken as a force that is new every so often; how strong it is, the residuals
# show, less what the fit has taken up of it. Measured on 180 drives of the rehearsal car (two runs of 75 s, 90 of them
# with car and weather of their own): 1.96 u held the truth in 94 to 100 %; batches of residuals, 10 s each, in 77 to
# 94 %, since the seven unknowns of two runs leave the batches little to show.
FORCE_S = 1.0
# What one direction alone cannot show: standard doubts of an unnoticed slope and of wind along the road.
# Common practice, no source.
UNSEEN_GRADE = 0.003
UNSEEN_WIND_MPS = 2.0


class RoadLoad(msgspec.Struct, frozen=True, kw_only=True):
    """The answer of `coastdown`, as its JSON; u_* are standard uncertainties, that of the mass left out."""

    a_n: float
    b_n_per_mps: float
    c_n_per_mps2: float
    u_a: float
    u_b: float
    u_c: float
    runs: int
    warnings: tuple[str, ...]
    covariance: tuple[tuple[float, ...], ...] = ()  # (3, 3) of A, B and C, which err together

    def force_n(self, speed_mps: float) -> float:
        """Road load at a speed, N."""
        return self.a_n + self.b_n_per_mps * speed_mps + self.c_n_per_mps2 * speed_mps**2


@dataclass(frozen=True, slots=True)
class CoastRun:
    """One coastdown in neutral: time s and road speed m/s, shape (rows,)."""

    time_s: Array
    speed_mps: Array


def coastdown(
    runs: Sequence[CoastRun],
    mass_kg: float | None,
    same_direction: bool = False,
    mass_factor: float = MASS_FACTOR,
) -> RoadLoad:
    """Fit A, B and C to one or more coastdowns.

    mass_kg          as driven, people included
    same_direction   all runs went one way; else each run goes against the one before

    Raises InputError where the mass is missing, there is no run, or a run is too short or braked.
    """
    if mass_kg is None or not (np.isfinite(mass_kg) and mass_kg > 0):
        raise InputError("car.mass_kg: coastdown needs the mass as driven, people included; add it to the car file")
    if not runs:
        raise InputError("no coastdown in the session; let the car roll in neutral from high speed, both ways")
    mass = mass_kg * mass_factor
    cleaned = [_clean(run, number) for number, run in enumerate(runs, 1)]
    way = np.array([1.0 if same_direction or index % 2 == 0 else -1.0 for index in range(len(runs))])
    paired = len(set(way)) > 1
    columns, wanted = _system(cleaned, way, mass, paired)
    solution, covariance = _solve(columns, wanted, cleaned, mass)
    coefficients, covariance = solution[:3].copy(), covariance[:3, :3]
    warnings = []
    if paired:
        wind_force = solution[4]
        if coefficients[2] > 0:
            coefficients[0] -= wind_force**2 / (4 * coefficients[2])
            if abs(wind_force) / (2 * coefficients[2]) > 3:
                wind = abs(wind_force) / (2 * coefficients[2])
                warnings.append(f"wind of about {wind:.0f} m/s along the road; wait for a calmer day")
        if len(runs) % 2:
            warnings.append("an odd number of runs: one has no partner in the other direction")
    else:
        covariance = covariance + _unseen(mass_kg, float(coefficients[2]))
        alone = "one coastdown alone" if len(runs) == 1 else "all coastdowns went one way"
        warnings.append(f"{alone}: grade and wind are unknown, and the doubt is wider for it")
    speeds = np.concatenate([speed for _, speed in cleaned])
    warnings += _oddities(coefficients, speeds)
    u_a, u_b, u_c = (float(u) for u in np.sqrt(np.diag(covariance)))
    a, b, c = (float(value) for value in coefficients)
    return RoadLoad(
        a_n=a, b_n_per_mps=b, c_n_per_mps2=c, u_a=u_a, u_b=u_b, u_c=u_c, runs=len(runs),
        warnings=tuple(warnings), covariance=tuple(tuple(row) for row in covariance.tolist()),
    )  # fmt: skip


def in_gear(engine_rpm: Array, speed_mps: Array) -> bool:
    """Whether engine and road speed keep one ratio through a run, shape (rows,) each: then it was no
    coastdown."""
    good = np.isfinite(engine_rpm) & np.isfinite(speed_mps) & (speed_mps > 1)
    if good.sum() < LEAST_ROWS:
        return False
    ratio = engine_rpm[good] / speed_mps[good]
    return bool(np.std(ratio) < 0.03 * abs(np.mean(ratio)) and np.ptp(speed_mps[good]) > 2)


def _clean(run: CoastRun, number: int) -> tuple[Array, Array]:
    good = np.isfinite(run.time_s) & np.isfinite(run.speed_mps)
    time, speed = run.time_s[good], run.speed_mps[good]
    if len(time) < LEAST_ROWS or not (np.diff(time) > 0).all():
        raise InputError(f"coastdown {number}: fewer than {LEAST_ROWS} rows in order of time; let it roll longer")
    tenth = max(len(speed) // 10, 1)
    first, last = float(speed[:tenth].mean()), float(speed[-tenth:].mean())
    if first - last < LEAST_FALL * first:
        raise InputError(f"coastdown {number}: speed falls only from {first:.1f} to {last:.1f} m/s; start faster")
    pieces = np.array_split(np.arange(len(time)), 8)
    steepest = min(float(np.polyfit(time[piece] - time[piece[0]], speed[piece], 1)[0]) for piece in pieces)
    if steepest < -MOST_DECELERATION:
        raise InputError(f"coastdown {number}: slows by {-steepest:.1f} m/s²; that is a brake or a gear, not road load")
    return time, speed


def _system(runs: Sequence[tuple[Array, Array]], way: Array, mass: float, paired: bool) -> tuple[Array, Array]:
    """(columns A B C [grade wind] then one start speed for each run; left sides N s)."""
    blocks, sides = [], []
    for index, (time, speed) in enumerate(runs):
        step = np.diff(time)
        since = time - time[0]
        moved = np.concatenate(([0.0], np.cumsum(step * (speed[1:] + speed[:-1]) / 2)))
        squares = speed**2 - _white(speed)
        swept = np.concatenate(([0.0], np.cumsum(step * (squares[1:] + squares[:-1]) / 2)))
        starts = np.zeros((len(time), len(runs)))
        starts[:, index] = -mass
        directed = [way[index] * since, way[index] * moved] if paired else []
        blocks.append(np.column_stack([since, moved, swept, *directed, starts]))
        sides.append(-mass * speed)
    return np.concatenate(blocks), np.concatenate(sides)


def _white(speed: Array) -> float:
    """Variance of the white noise of a speed, from its second differences."""
    return float(np.var(np.diff(speed, 2)) / 6)


def _solve(columns: Array, wanted: Array, runs: Sequence[tuple[Array, Array]], mass: float) -> tuple[Array, Array]:
    """Least squares; covariance from white noise of the speed and from a disturbing force, see FORCE_S.

    A force that pushes for a while shifts all later left sides of its run, which the fit partly takes up as A, B, C: so
    its strength is what the residuals are over what would be left of it (as in restricted maximum likelihood).
    """
    scale = np.sqrt((columns**2).mean(axis=0))
    q, r = np.linalg.qr(columns / scale)
    solution = np.linalg.lstsq(columns / scale, wanted)[0]
    residual = wanted - columns / scale @ solution
    count, unknowns = columns.shape
    energy, left, row = float(residual @ residual), 0.0, 0
    taken, white = np.zeros((unknowns, unknowns)), np.zeros((unknowns, unknowns))
    for time, speed in runs:
        since, part = time - time[0], q[row : row + len(time)]
        starts = np.arange(0.0, since[-1], FORCE_S)
        pushed = np.clip(since[:, None] - starts, 0.0, FORCE_S)  # N s of 1 N in each step, at each row
        seen = part.T @ pushed
        taken += seen @ seen.T
        left += float((pushed**2).sum() - (seen**2).sum())
        noise = mass**2 * _white(speed)
        white += noise * part.T @ part
        energy -= noise * len(time) * (count - unknowns) / count
        row += len(time)
    inverse = np.linalg.pinv(r) / scale[:, None]
    return solution / scale, inverse @ (white + taken * max(energy, 0.0) / left) @ inverse.T


def _unseen(mass_kg: float, c: float) -> Array:
    """(3, 3) covariance of A, B, C from a slope and a wind that runs in one direction cannot show."""
    return np.diag([(mass_kg * GRAVITY * UNSEEN_GRADE) ** 2, (2 * abs(c) * UNSEEN_WIND_MPS) ** 2, 0.0])


def _oddities(coefficients: Array, speeds: Array) -> list[str]:
    low, high = float(speeds.min()), float(speeds.max())
    words = []
    if coefficients[2] < 0:
        words.append("C is negative, which no air does: start faster and roll further, or use the sum only")
    if coefficients[0] < 0:
        words.append("A is negative, which no tyre does: roll on to a lower speed, or look for a slope")
    if high < 1.5 * low:
        words.append(f"speeds from {low:.0f} to {high:.0f} m/s only: A, B and C are hardly told apart")
    return words
