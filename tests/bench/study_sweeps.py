"""Sweeps of advance on engines drawn here: how many bands get an answer, how often its interval holds, the largest
error, and the torque left on the table against a perfect tuner, after n pulls.

PYTHONPATH=. python tests/bench/study_sweeps.py 100 [FIRST_SEED]

Each seed draws an engine (best advance over speed, curvature, lopsidedness, optionally a bump of a tuned intake) and a
day (scatter of pulls, roughness, an error of each session). A tuner's loop begins 3 to 9 degrees before the best and
takes what is proposed, at full load, nobody hearing knock; a perfect tuner is at the best. The loop is
driven twice: each setting in one session, so that a session's error passes for advance; and the first two turn and turn
about, as the advice asks for.
"""

import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from stream.study.pulls import PullTrace
from stream.study.tables.gate import AdvanceCell
from stream.study.tables.ignition_full import Asked, full_load
from stream.study.tables.knock import Listening, knock_map
from stream.study.tables.user_table import AdvanceList

RPM = np.arange(1000.0, 8001.0, 250.0)
START, END, RATE = 2000.0, 6000.0, 500.0


@dataclass(frozen=True, slots=True)
class Engine:
    """Best advance over RPM, share lost a squared degree, how much steeper 10 degrees beyond it."""

    best: np.ndarray
    curvature: float
    skew: float

    def share(self, rpm: np.ndarray, degrees: np.ndarray) -> np.ndarray:
        """Share of the best torque."""
        off = degrees - np.interp(rpm, RPM, self.best)
        return 1 - self.curvature * off**2 * (1 + self.skew * np.clip(off, -12, 12) / 10)


@dataclass(frozen=True, slots=True)
class Day:
    """What a drive adds, relative standard deviations."""

    session: float = 0.005
    pull: float = 0.008
    rough: float = 0.006


def engine(rng: np.random.Generator, skew: float = 0.0, bump: float = 0.0) -> Engine:
    best = 14 + 18 * (1 - np.exp(-RPM / 3200)) + rng.uniform(-4, 4) + rng.uniform(-3, 3) * (RPM / 4000 - 1)
    best = best + bump * np.exp(-(((RPM - rng.uniform(3000, 5000)) / 500) ** 2))
    return Engine(best, 5.5e-4 * float(np.exp(0.25 * rng.standard_normal())), skew)


def drive(
    rng: np.random.Generator, motor: Engine, tune: str, degrees: np.ndarray, day: Day, pulls: int, place: int
) -> list[PullTrace]:
    """One session of one tune: pulls of a constant rate of gain, torque by the engine."""
    time_s = np.arange(0.0, (END - START) / RATE, 0.02)
    rpm = START + RATE * time_s
    torque = (1 + 0.2 * np.exp(-(((rpm - 4000) / 1500) ** 2))) * motor.share(rpm, np.interp(rpm, RPM, degrees))
    torque = torque * (1 + day.session * rng.standard_normal())
    bumps = np.arange(START, END + 1, 250.0)
    return [
        PullTrace(
            time_s=time_s,
            speed_rpm=rpm,
            tune=tune,
            session=f"s{place}",
            gear=3,
            unit="mV/V",
            start_s=0.0,
            started=1e4 * place + 60.0 * n,
            order=100 * place + n,
            number=n + 1,
            load=torque
            * (1 + day.pull * rng.standard_normal())
            * (1 + day.rough * np.interp(rpm, bumps, rng.standard_normal(len(bumps)))),
        )
        for n in range(pulls)
    ]


def advise(pulls: list[PullTrace], tunes: dict[str, np.ndarray], now: str, step: float = 2.0) -> list[AdvanceCell]:
    table = AdvanceList(Path("advance.csv"), {name: (RPM, degrees) for name, degrees in tunes.items()})
    knock = knock_map([], table, now, Listening(none_heard=True), 250.0, {})
    return full_load(pulls, {}, Asked(table, now, step, 250.0, None, (), {}), knock)[0]


def sweep(seed: int, settings: int, pulls: int, spacing: float, day: Day, skew: float, bump: float) -> np.ndarray:
    """(bands, 3): error of the best, half its interval, whether it held; NaN without an answer."""
    rng = np.random.default_rng([seed, 12])
    motor = engine(rng, skew, bump)
    first = rng.uniform(-9, -3)
    tunes = {f"t{n}": motor.best + first + spacing * n for n in range(settings)}
    made = [pull for n, (tune, deg) in enumerate(tunes.items()) for pull in drive(rng, motor, tune, deg, day, pulls, n)]
    rows = []
    for cell in advise(made, tunes, "t0"):
        truth = float(np.interp(cell.rpm, RPM, motor.best))
        if cell.estimate is None or cell.low is None or cell.high is None:
            held = (cell.low is None or cell.low <= truth) and (cell.high is None or truth <= cell.high)
            rows.append((np.nan, np.nan, float(held)))
        else:
            rows.append((cell.estimate - truth, (cell.high - cell.low) / 2, float(cell.low <= truth <= cell.high)))
    return np.array(rows)


def tuned(seed: int, rounds: int, day: Day, skew: float, order: tuple[str, ...] = ("t0", "t1")) -> np.ndarray:
    """(rounds, bands) share of torque left on the table at what is in the car, before each round's step; `order` of the
    first sessions."""
    rng = np.random.default_rng([seed, 13])
    motor = engine(rng, skew)
    start = motor.best + rng.uniform(-9, -3)
    tunes = {"t0": start - 4.0, "t1": start}
    made = [pull for n, tune in enumerate(order) for pull in drive(rng, motor, tune, tunes[tune], day, 3, n)]
    left = []
    for number in range(rounds):
        now = f"t{number + 1}"
        cells = advise(made, tunes, now, 4.0)
        rpm = np.array([cell.rpm for cell in cells])
        left.append(1 - motor.share(rpm, np.interp(rpm, RPM, tunes[now])))
        change = np.interp(RPM, rpm, [cell.proposal.change_deg for cell in cells])
        tunes[f"t{number + 2}"] = tunes[now] + change
        made += drive(rng, motor, f"t{number + 2}", tunes[f"t{number + 2}"], day, 3, number + len(order))
    return np.array(left)


ONCE, ABOUT = ("t0", "t1"), ("t0", "t1", "t1", "t0")
CASES = {
    "three settings 5° apart, four pulls": (3, 4, 5.0, Day(), 0.0, 0.0),
    "the same, session error 1 %": (3, 4, 5.0, Day(session=0.01), 0.0, 0.0),
    "five settings 4° apart, skew +0.3": (5, 4, 4.0, Day(), 0.3, 0.0),
    "five settings 4° apart, skew -0.3": (5, 4, 4.0, Day(), -0.3, 0.0),
    "three settings, a bump of 3° in the best": (3, 4, 5.0, Day(), 0.0, 3.0),
    "three settings, one pull each": (3, 1, 5.0, Day(), 0.0, 0.0),
}


def main(seeds: int, first: int) -> None:
    for name, (settings, pulls, spacing, day, skew, bump) in CASES.items():
        began = time.perf_counter()
        rows = np.concatenate(
            [sweep(s, settings, pulls, spacing, day, skew, bump) for s in range(first, first + seeds)]
        )
        answered = np.isfinite(rows[:, 0])
        error, half = rows[answered, 0], rows[answered, 1]
        print(
            f"{name}: {100 * answered.mean():.0f} % of {len(rows)} bands answered, interval held "
            f"{100 * rows[:, 2].mean():.1f} % (answered {100 * rows[answered, 2].mean():.1f} %), rms error "
            f"{np.sqrt((error**2).mean()):.1f}°, largest {np.abs(error).max():.1f}°, "
            f"half interval {np.median(half):.1f}°, {time.perf_counter() - began:.0f} s"
        )
    for order, skew in ((order, skew) for order in (ONCE, ABOUT) for skew in (0.0, -0.2)):
        left = 100 * np.array([tuned(seed, 5, Day(), skew, order) for seed in range(first, first + seeds)])
        for number in range(left.shape[1]):
            mean, ninth, most = left[:, number].mean(), np.percentile(left[:, number], 90), left[:, number].max()
            print(
                f"tuner, {len(order)} sessions first, skew {skew:+.1f}, after {3 * (len(order) + number)} pulls: left "
                f"on the table {mean:.2f} % on average, {ninth:.2f} % in nine bands of ten, {most:.2f} % at most, "
                f"{100 * (left[:, number] <= 1.5).mean():.0f} % of bands within 1.5 %"
            )


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:]]
    main(given[0] if given else 100, given[1] if len(given) > 1 else 1)
