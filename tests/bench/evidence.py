"""Verdicts under use: how often a change is claimed that is not there by a person who looks after every pull, sessions
that differ, drifts, odd pulls; how often a true one is found; how often the intervals hold.

The generator is that of `rates.py`, which shares nothing with the study. `python -m tests.bench.evidence 200` prints
the table; the full bench judges it.
"""

import sys
from dataclasses import dataclass, replace

import numpy as np

from stream.study.bands import band_table
from stream.study.compare.compare import compare
from stream.study.compare.looks import LOOKS
from stream.study.compare.scatter import PRIOR, PastDay, Scatter, learn, turn_numbers
from stream.study.pulls import in_time_order
from tests.bench.figure import Figure
from tests.bench.rates import Day, curve, drive

EVERY = tuple((("heron", "plover")[n % 2], 1) for n in range(24))  # one pull a turn, as the coach asks
TURNS = (("heron", 3), ("plover", 3)) * 2
BLOCKS = (("heron", 6), ("plover", 6))
LEARNED_DAYS = 10


def same(gain: float) -> Day:
    """A day on which the trial tune gives so much more at every speed."""
    return Day(change=lambda rpm: np.full_like(rpm, gain))


def middle(gain: float) -> Day:
    """A day on which it gives so much more from 3500 to 5000 rpm alone."""
    return Day(change=lambda rpm: gain * ((rpm > 3500) & (rpm < 5000)))


@dataclass(frozen=True)
class Case:
    """`stopping`: looked at after every pull, else once at the end; `learned`: after ten days of the same kind."""

    day: Day
    stopping: bool = False
    learned: bool = False


CASES: dict[str, Case] = {
    "quiet, every pull looked at": Case(replace(same(0), sessions=EVERY), stopping=True),
    "session 0.5 %, every pull looked at": Case(replace(same(0), sessions=EVERY, session_error=0.005), stopping=True),
    "session 1 % learned, every pull looked at": Case(
        replace(same(0), sessions=EVERY, session_error=0.01), stopping=True, learned=True
    ),
    "session 0.5 %, four turns of three": Case(replace(same(0), sessions=TURNS, session_error=0.005)),
    "session 1 % unstated, four turns of three": Case(replace(same(0), sessions=TURNS, session_error=0.01)),
    "session 1 % learned, four turns of three": Case(
        replace(same(0), sessions=TURNS, session_error=0.01), learned=True
    ),
    "one session a tune, drift 2 %": Case(replace(same(0), sessions=BLOCKS, drift=0.02)),
    "2 %, quiet, every pull looked at": Case(replace(same(0.02), sessions=EVERY), stopping=True),
    "2 %, session 0.5 % learned, every pull": Case(
        replace(same(0.02), sessions=EVERY, session_error=0.005), stopping=True, learned=True
    ),
    "4 %, quiet, every pull looked at": Case(replace(same(0.04), sessions=EVERY), stopping=True),
    "5 %, session 0.5 %, four turns of three": Case(replace(same(0.05), sessions=TURNS, session_error=0.005)),
    "8 %, session 1 % learned, four turns of three": Case(
        replace(same(0.08), sessions=TURNS, session_error=0.01), learned=True
    ),
    "3 % in the middle, one session a tune, drift 2 %": Case(replace(middle(0.03), sessions=BLOCKS, drift=0.02)),
    "2 % in the middle, four turns of three, learned": Case(replace(middle(0.02), sessions=TURNS), learned=True),
    "2 % in the middle, every pull looked at": Case(replace(middle(0.02), sessions=EVERY), stopping=True),
    "4 %, one pull of twelve at 85 %": Case(replace(same(0.04), sessions=EVERY[:12], odd=0.85)),
}
FALSE = 5.0  # per cent of days, any band or overall
HELD = 93.0  # per cent, of 95 % intervals
SHAPE_FOUND = {  # per cent of days, the shape of any band; with the level of a look at 12 pulls, which is strict
    "3 % in the middle, one session a tune, drift 2 %": 75.0,
    "2 % in the middle, four turns of three, learned": 75.0,
    "2 % in the middle, every pull looked at": 95.0,
}
FOUND = {  # per cent of days, any band or overall
    "2 %, quiet, every pull looked at": 94.0,
    "4 %, quiet, every pull looked at": 99.0,
    "5 %, session 0.5 %, four turns of three": 90.0,
    "4 %, one pull of twelve at 85 %": 90.0,
}


@dataclass
class Row:
    """Per cent of days, of intervals; pulls at which a claim stood first."""

    claimed: float = 0.0
    shape: float = 0.0
    overall_held: float = 0.0
    bands_held: float = 0.0
    pulls: float = float("nan")


def simulate(case: Case, days: int, seed: int) -> Row:
    """Drive and compare so many days."""
    rng = np.random.default_rng(seed)
    claimed, shape, overall, bands, first = 0, 0, 0, [], []
    for _ in range(days):
        scatter = _past(case.day, rng) if case.learned else PRIOR
        pulls = drive(case.day, rng)
        at = None
        for count in [look for look in LOOKS if look < len(pulls)] * case.stopping + [len(pulls)]:
            found = compare(pulls[:count], "heron", "plover", scatter=scatter)
            if at is None and (found.overall.resolved or any(band.resolved for band in found.bands)):
                at = count
        claimed += at is not None
        shape += found.shape.resolved
        first += [] if at is None else [at]
        rows = [(band.low_pct, band.high_pct, band.rpm) for band in found.bands if band.low_pct is not None]
        truth = [_truth(case.day, rpm) for _, _, rpm in rows]
        bands.append(np.mean([low <= true <= high for (low, high, _), true in zip(rows, truth, strict=True)]))
        low, high = found.overall.low_pct or np.nan, found.overall.high_pct or np.nan
        overall += low <= 100 * np.expm1(np.mean(np.log1p(np.array(truth) / 100))) <= high
    share = 100 / days
    return Row(
        claimed * share,
        shape * share,
        overall * share,
        100 * float(np.mean(bands)),
        float(np.mean(first)) if first else float("nan"),
    )


def _truth(day: Day, rpm: float) -> float:
    at = np.linspace(rpm - 125, rpm + 125, 51)
    return float(100 * ((curve(at) * (1 + day.change(at))).mean() / curve(at).mean() - 1))


def _past(day: Day, rng: np.random.Generator) -> Scatter:
    """Ten earlier days of four turns of three, two tunes that differ by something of their own."""
    past = []
    for _ in range(LEARNED_DAYS):
        gain = rng.normal(0, 0.02)
        pulls = in_time_order(drive(replace(day, sessions=TURNS, change=lambda rpm, g=gain: np.full_like(rpm, g)), rng))
        load = band_table(pulls).load
        whole = np.isfinite(load).mean(axis=0) > 0.8
        turn = turn_numbers([(pull.session, pull.tune) for pull in pulls])
        past.append(PastDay(np.log(load[:, whole]), np.array([p.tune == "plover" for p in pulls]) * 1, turn, ()))
    return learn(past)


def run(smoke: bool) -> list[Figure]:
    """For the bench: 300 days a case; a small dose is among the tests."""
    if smoke:
        return []
    figures = []
    for number, (name, case) in enumerate(CASES.items()):
        row = simulate(case, 300, 50 + number)
        measured = {"shape_pct": row.shape, "first_at_pulls": row.pulls}
        if name in SHAPE_FOUND:
            figures.append(
                Figure(f"{name}: shape found, %", row.shape, SHAPE_FOUND[name], "at least", "truth", measured)
            )
            continue
        figures.append(Figure(f"{name}: shape false, %", row.shape, FALSE, "at most", "truth"))
        if name in FOUND:
            figures.append(Figure(f"{name}: found, %", row.claimed, FOUND[name], "at least", "truth", measured))
        elif not name[0].isdigit():
            goal = 2 * FALSE if "unstated" in name else FALSE
            figures.append(Figure(f"{name}: false, %", row.claimed, goal, "at most", "truth", measured))
        if "unstated" not in name and "drift" not in name:
            figures.append(Figure(f"{name}: bands hold truth, %", row.bands_held, HELD, "at least", "truth"))
            figures.append(Figure(f"{name}: overall holds truth, %", row.overall_held, HELD, "at least", "truth"))
    return figures


if __name__ == "__main__":
    for number, (name, case) in enumerate(CASES.items()):
        row = simulate(case, int(sys.argv[1]) if len(sys.argv) > 1 else 200, 50 + number)
        print(f"{name:48s} {row}", flush=True)
