"""How often the coastdown's 95 % interval holds the truth when the wind changes between runs, by days.

PYTHONPATH=. python tests/bench/study_coastdown.py 400

Each day: one to four pairs of runs there and back, wind along the road of N(0, 1.5) m/s that changes from run to run by
as much as the column says (standard deviation of the change between a run and its partner, or, 'fixed', that much with
either sign), gusts of 0.5 m/s that last 4 s, a grade of 0.1 % and a road that rolls by 0.15 %. The motion is stepped by
Heun's rule on the force itself; generator and analysis share no code.
"""

import sys

import numpy as np

from stream.study.force.road_load import CoastRun, fit_road_load

A, B, C, MASS = 141.4312, 2.38063, 0.390612, 2750 * 0.45359237  # a roadster of the US EPA test car list 2022
TURNING, STEP_S, ROWS = 1.03, 0.1, 750
SPEEDS = (12.0, 20.0, 30.0)


def drives(rng: np.random.Generator, days: int, pairs: int, change: float, fixed: bool) -> list[np.ndarray]:
    """Speeds of each run, there and back in turns, (ROWS, days)."""
    steady, length, runs = rng.normal(0, 1.5, days), rng.uniform(250, 450, days), []
    before = np.zeros(days)
    for number in range(2 * pairs):
        way = 1 - 2 * (number % 2)
        own = rng.choice((-1.0, 1.0), days) * change / 2 if fixed else rng.normal(0, change / 2**0.5, days)
        if fixed and number % 2:  # the partner differs from it by just this much
            own = -before
        before = own
        v, x, gust = np.full(days, 38.0), np.zeros(days), np.zeros(days)
        phase, speeds = rng.uniform(0, 2 * np.pi, days), np.empty((ROWS, days))
        for row in range(ROWS):
            speeds[row] = v
            head = way * (steady + own) + gust

            def slower(
                v: np.ndarray, x: np.ndarray, head: np.ndarray = head, phase: np.ndarray = phase, way: int = way
            ) -> np.ndarray:
                grade = way * 0.001 + 0.0015 * np.sin(2 * np.pi * x / length + phase)
                return -(A + B * v + C * (v + head) ** 2 + MASS * 9.80665 * grade) / (TURNING * MASS)

            first = slower(v, x)
            second = slower(v + STEP_S * first, x + STEP_S * v)
            x, v = x + STEP_S * (v + STEP_S * first / 2), v + STEP_S * (first + second) / 2
            gust = gust * np.exp(-STEP_S / 4) + 0.5 * np.sqrt(1 - np.exp(-STEP_S / 2)) * rng.standard_normal(days)
        runs.append(speeds + rng.normal(0, 0.02, speeds.shape))
    return runs


def coverage(days: int, pairs: int, change: float, fixed: bool = False, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """(share held, mean u over the errors' root mean square) of A, B, C and the force at SPEEDS."""
    shapes = np.array([[1, 0, 0], [0, 1, 0], [0, 0, 1], *([1, v, v * v] for v in SPEEDS)], dtype=float)
    speeds = drives(np.random.default_rng([seed, pairs]), days, pairs, change, fixed)
    time, errors, doubts = STEP_S * np.arange(ROWS), [], []
    for day in range(days):
        runs = [CoastRun(time, run[:, day], 1 - 2 * (place % 2)) for place, run in enumerate(speeds)]
        found = fit_road_load(runs, MASS)
        errors.append(shapes @ (np.array([found.a_n, found.b_n_per_mps, found.c_n_per_mps2]) - (A, B, C)))
        doubts.append(np.sqrt(np.diag(shapes @ np.array(found.covariance) @ shapes.T)))
    error, doubt = np.array(errors), np.array(doubts)
    return (np.abs(error) <= 1.96 * doubt).mean(axis=0), doubt.mean(axis=0) / np.sqrt((error**2).mean(axis=0))


def main(days: int) -> None:
    print("pairs  wind change m/s   95 % interval holds: A, B, C, force at 12, 20, 30 m/s   (u over true error)")
    for pairs in (1, 2, 4):
        for change, fixed in ((0.5, False), (1.5, False), (2.0, False), (2.0, True)):
            held, ratio = coverage(days, pairs, change, fixed)
            told = "  ".join(f"{100 * h:3.0f} % ({r:.2f})" for h, r in zip(held, ratio, strict=True))
            print(f"{pairs:5d}  {change:4.1f}{' fixed' if fixed else '      '}        {told}", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 400)
