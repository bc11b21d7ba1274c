"""Holds found once more, with the pinned stretches taken out.

A speed held just above a dead band lies in one band with the stuck signal below it, so that both were taken for one
stretch, or the stuck one ate the start of the other. Known stretches are gaps for the finder, and it sees the rest.
"""

import numpy as np

from stream.live.history import History
from stream.live.holds import HoldFinder
from stream.live.records import Hold, Pinned
from stream.live.steadiness import Steadiness


def holds_beside(
    pinned: list[Pinned], history: History, line: tuple[float, float], steady: Steadiness, start_s: float
) -> list[Hold]:
    """The holds of a session's ticks outside its pinned stretches, in order."""
    free = np.ones(len(history.tick), dtype=np.bool_)
    time_s = start_s + history.tick / steady.rate_hz
    for stretch in pinned:
        free &= (time_s < stretch.start_s) | (time_s >= stretch.end_s)
    tick = history.tick[free]
    columns = np.vstack((history.signal[free], history.load[free], history.speed_clipped[free].astype(np.float64)))
    finder = HoldFinder(steady, line, start_s)
    for run in np.split(np.arange(len(tick)), np.flatnonzero(np.diff(tick) != 1) + 1):
        if len(run):
            finder.begin_run(int(tick[run[0]]))
            finder.push(columns[:, run])
    finder.end_run()
    return [found.record for found in finder.found]
