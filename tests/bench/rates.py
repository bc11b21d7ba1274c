"""How often the comparison claims a change that is not there, and how often its intervals hold the truth.

Pulls come from a generator that shares nothing with the study: an engine speed integrated from a made-up rate
of gain, a made-up load curve, and on it an offset common to each pull, noise that wanders with speed
(neighbouring bands go together), white noise, and one zero error per session. Run `python -m
tests.bench.rates 1000` for the full count.
"""

import sys
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from stream.calibrate.link.zero import PullZero, ZeroPart
from stream.study.compare.answer import Comparison
from stream.study.compare.compare import compare
from stream.study.pulls import PullTrace
from tests.bench.figure import Figure

RATE_HZ = 100.0
FULL_LOAD = 0.8  # mV/V, about what the made-up curve gives


@dataclass(frozen=True)
class Day:
    """How the simulated day is driven. `sessions` is a row of (tune, pulls); zeros are relative to FULL_LOAD, a
    session's own error, a drift from the first pull to the last, and the level of one odd pull to the load."""

    sessions: tuple[tuple[str, int], ...] = (("heron", 5), ("plover", 5))
    pull_sd: float = 0.008
    band_sd: float = 0.006
    zero_error: float = 0.0
    zero_stated: float = 0.0
    session_error: float = 0.0
    drift: float = 0.0
    odd: float | None = None
    change: Callable[[np.ndarray], np.ndarray] = lambda rpm: np.zeros_like(rpm)


def curve(rpm: np.ndarray) -> np.ndarray:
    """The made-up load of the base tune, mV/V."""
    return FULL_LOAD * (0.8 + 0.25 * np.sin((rpm - 1500) / 1900) - 0.06 * ((rpm - 4500) / 2500) ** 2)


def speed_trace(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """(time, rpm) of one pull, about 2 300 to 7 000 rpm in eight seconds."""
    time = np.arange(0, 11, 1 / RATE_HZ)
    gain = rng.normal(600, 15) * (1 + 0.15 * np.sin(time / 3))
    rpm = rng.normal(2300, 60) + np.cumsum(gain) / RATE_HZ
    return time[rpm < 7000], rpm[rpm < 7000]


def wandering(rng: np.random.Generator, rpm: np.ndarray) -> np.ndarray:
    """Noise of unit deviation over speed: first-order autoregressive on knots 100 rpm apart, 0.6 to the
    next."""
    knots = np.arange(1800, 7400, 100.0)
    noise = np.empty(len(knots))
    noise[0] = rng.normal()
    for index in range(1, len(knots)):
        noise[index] = 0.6 * noise[index - 1] + 0.8 * rng.normal()
    return np.interp(rpm, knots, noise)


def drive(day: Day, rng: np.random.Generator) -> list[PullTrace]:
    """All pulls of a simulated day, in the order they were driven."""
    pulls: list[PullTrace] = []
    total = sum(count for _, count in day.sessions)
    odd = int(rng.integers(total)) if day.odd is not None else -1
    for number, (tune, count) in enumerate(day.sessions):
        own = rng.normal() * day.session_error
        error = rng.normal() * day.zero_error * FULL_LOAD
        stated = PullZero(0.0, (ZeroPart(f"zero {number}", day.zero_stated * FULL_LOAD),))
        for _ in range(count):
            time, rpm = speed_trace(rng)
            load = curve(rpm) * (1 + (day.change(rpm) if tune == "plover" else 0.0))
            load = load * (1 + own + day.drift * (len(pulls) / max(total - 1, 1) - 0.5))
            load = load * (day.odd if len(pulls) == odd and day.odd is not None else 1.0)
            load = load * (1 + rng.normal() * day.pull_sd + day.band_sd * wandering(rng, rpm))
            load += rng.normal(size=len(rpm)) * 0.01 + error
            pulls.append(
                PullTrace(
                    time_s=time,
                    speed_rpm=rpm + rng.normal(size=len(rpm)) * 2,
                    load=load,
                    tune=tune,
                    gear=3,
                    session=f"session {number}",
                    started=60.0 * len(pulls),
                    unit="mV/V",
                    zero=stated,
                )
            )
    return pulls


@dataclass
class Rates:
    """Counts over the simulated days; `band` counts bands."""

    days: int = 0
    any_band: int = 0
    overall: int = 0
    any_claim: int = 0
    band: int = 0
    band_held: int = 0
    overall_held: int = 0
    order_only: int = 0
    width_sum: float = 0.0

    def add(self, result: Comparison, day: Day) -> None:
        """Count one day."""
        self.days += 1
        some = any(band.resolved for band in result.bands)
        self.any_band += some
        self.overall += result.overall.resolved
        self.any_claim += some or result.overall.resolved
        self.order_only += result.order_only
        logs = []
        for band in result.bands:
            if band.low_pct is None or band.high_pct is None:
                continue
            rpm = np.linspace(band.rpm - 125, band.rpm + 125, 51)
            truth = (curve(rpm) * (1 + day.change(rpm))).mean() / curve(rpm).mean() - 1
            logs.append(np.log1p(truth))
            self.band += 1
            self.band_held += band.low_pct <= 100 * truth <= band.high_pct
        truth = 100 * np.expm1(np.mean(logs))
        low, high = result.overall.low_pct, result.overall.high_pct
        self.overall_held += low is not None and high is not None and low <= truth <= high
        self.width_sum += (high or 0.0) - (low or 0.0)

    def row(self) -> dict[str, float]:
        """Per cent: false or true claims, coverage, and the mean width of the overall interval."""
        return {
            "any band resolved": 100 * self.any_band / self.days,
            "overall resolved": 100 * self.overall / self.days,
            "any claim": 100 * self.any_claim / self.days,
            "bands hold truth": 100 * self.band_held / self.band,
            "overall holds truth": 100 * self.overall_held / self.days,
            "in this order only": 100 * self.order_only / self.days,
            "overall width": self.width_sum / self.days,
        }


def some_change(rpm: np.ndarray) -> np.ndarray:
    """The made-up tune: 2 % more, and 3 % about 5 000 rpm on top."""
    return 0.02 + 0.03 * np.exp(-(((rpm - 5000) / 900) ** 2))


ONE_EACH = Day()
TURNS = Day(sessions=(("heron", 4), ("plover", 4), ("heron", 4), ("plover", 4)))
SHARED = {"zero_error": 0.01, "zero_stated": 0.01}
DAYS: dict[str, Day] = {
    "A-A": ONE_EACH,
    "A-A, three pulls": Day(sessions=(("heron", 3), ("plover", 3))),
    "A-A, turns": TURNS,
    "A-A, shared zero": replace(ONE_EACH, **SHARED),
    "A-A, shared zero, turns": replace(TURNS, **SHARED),
    "A-A, zero error not stated, turns": replace(TURNS, zero_error=0.01),
    "A-B": replace(ONE_EACH, change=some_change),
    "A-B, turns": replace(TURNS, change=some_change),
    "A-B, shared zero": replace(ONE_EACH, change=some_change, **SHARED),
    "A-B, shared zero, turns": replace(TURNS, change=some_change, **SHARED),
}


def simulate(day: Day, count: int, seed: int) -> Rates:
    """Drive and compare `count` days."""
    rng = np.random.default_rng(seed)
    rates = Rates()
    for _ in range(count):
        rates.add(compare(drive(day, rng), "heron", "plover"), day)
    return rates


def run_rates(count: int = 1000, seed: int = 1) -> dict[str, dict[str, float]]:
    """Rates in per cent for every kind of day, printed as they come."""
    rows = {}
    for number, (name, day) in enumerate(DAYS.items()):
        rows[name] = simulate(day, count, seed + number).row()
        print(f"{name:36s}", "  ".join(f"{key} {value:.1f}" for key, value in rows[name].items()), flush=True)
    return rows


def run(smoke: bool) -> list[Figure]:
    """For the bench: false claims and coverage of 1 000 days of each kind; a small dose of it is among the tests."""
    if smoke:
        return []
    figures = []
    for number, (name, day) in enumerate(DAYS.items()):
        row = simulate(day, 1000, 1 + number).row()
        if name.startswith("A-A") and "not stated" not in name:
            figures.append(
                Figure(f"{name}: days with a false 'resolved', %", row["any band resolved"], 6.0, "at most", "truth")
            )
        if name.startswith("A-B"):
            for key in ("bands hold truth", "overall holds truth"):
                figures.append(Figure(f"{name}: {key}, %", row[key], 93.0, "at least", "truth"))
    return figures


if __name__ == "__main__":
    run_rates(int(sys.argv[1]) if len(sys.argv) > 1 else 1000)
