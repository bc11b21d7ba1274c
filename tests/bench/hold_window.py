"""The hold detector's cost per block, from a window of 1 s to one of 60 s."""

import numpy as np

from stream.car import HoldRule
from stream.live.history import COLUMNS, RPM, SIGNAL, History
from stream.live.holds import HoldFinder
from stream.live.steadiness import Steadiness
from tests.bench.figure import Figure, interleaved
from tests.drives import RPM_AT_0V, RPM_PER_V, Plan

LIVE_HZ = 100.0
TICKS = 10  # a block of 0.1 s


def run(smoke: bool) -> list[Figure]:
    """Two drives: holds of 70 s, so that both windows find what they look for; and holds of 8 s, so that the long
    window is searched anew at every decision and never finds any."""
    return [_figure(f"holds of {seconds:g} s", seconds, smoke) for seconds in (70.0, 8.0)]


def _figure(name: str, hold_s: float, smoke: bool) -> Figure:
    plan = Plan(5, LIVE_HZ).hold(900, 5)
    while plan.time_s < (150 if smoke else 900):
        plan.ramp(plan.rng.uniform(1500, 6500), 300).hold(plan.now, hold_s, 20)
    volts = (plan.ramp(900, 700).rpm - RPM_AT_0V) / RPM_PER_V
    volts = volts + plan.rng.normal(size=len(volts)) * 0.001
    columns = np.zeros((COLUMNS, len(volts)))
    columns[SIGNAL], columns[RPM] = volts, volts * RPM_PER_V + RPM_AT_0V
    blocks = [columns[:, start : start + TICKS] for start in range(0, columns.shape[1], TICKS)]
    found: dict[float, int] = {}

    def find(min_s: float) -> None:
        steady = Steadiness.of(HoldRule(min_s=min_s), LIVE_HZ, provisional=True)
        history = History(LIVE_HZ)
        history.begin_run(0)
        finder = HoldFinder(history, steady, (RPM_PER_V, RPM_AT_0V), 0.0)
        finder.begin_run(0)
        for block in blocks:
            history.append(block)
            finder.push(history.run_end - block.shape[1], history.run_end)
        finder.end_run()
        found[min_s] = len(finder.found)

    best = interleaved({"1 s": lambda: find(1.0), "60 s": lambda: find(60.0)}, 5 if smoke else 9)
    if not found[1.0] or (found[60.0] == 0) == (hold_s > 60.0):
        raise RuntimeError(f"holds found, by window: {found}")
    cost = {window: 1e6 * seconds / len(blocks) for window, seconds in best.items()}
    return Figure(
        f"hold detector, {name}: cost with a window of 60 s / 1 s",
        cost["60 s"] / cost["1 s"],
        3.0,
        "at most",
        measured={"us_per_block_1s": cost["1 s"], "us_per_block_60s": cost["60 s"]},
    )
