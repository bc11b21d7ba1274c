"""Load as a function of engine speed: one number per pull and rev band.

Inside a band a pull contributes the integral of load over speed, divided by the band's width. A band whose
two edges a pull has not both crossed is empty (NaN), never zero.

The converter's lag. A first-order converter delays speed; the exact inverse is speed + lag * d(speed)/dt, a
shift in time is speed(t + lag). They differ by lag² / 2 times the second derivative: for 0.1 s and 500 rpm/s²
that is 2.5 rpm. The derivative, though, multiplies noise near the 10 Hz corner by six at that lag, and the
shift by one. So the study shifts; the converter's settling, which a shift cannot mend, is over with the 0.4 s
that are left out anyway.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from stream.errors import InputError
from stream.live.pull_faults import TIP_IN_S
from stream.study.pulls import PullTrace
from stream.units import Floats

DEFAULT_WIDTH_RPM = 250.0

HOLE_STEPS = 2.5  # a step longer than this many usual ones is a hole in the data
MOST_BANDS = 600


@dataclass(frozen=True, slots=True)
class BandTable:
    """What each pull gives in each band.

    width   rpm
    rpm     (bands,) middles of the bands
    load    (pulls, bands) mean load over speed, NaN where empty
    rate    (pulls, bands) rate of gain, rpm/s, NaN where empty
    coarse  pulls (by row) that have a band crossed without a single sample inside
    """

    width: float
    rpm: Floats
    load: Floats
    rate: Floats
    coarse: tuple[int, ...] = ()


def lag_removed(pull: PullTrace) -> tuple[Floats, Floats, Floats]:
    """(time, speed, load) of the used part of a pull: lag off, tip-in left out, missing samples dropped.

    The stamps of a pull must rise.
    """
    seen = np.isfinite(pull.speed_rpm)
    seen &= np.isfinite(pull.time_s)
    whole = bool(seen.all())
    clock, as_read = (pull.time_s, pull.speed_rpm) if whole else (pull.time_s[seen], pull.speed_rpm[seen])
    load = pull.load if whole else pull.load[seen]
    if len(clock) < 2:
        empty = np.empty(0)
        return empty, empty, empty
    start = clock[0] if pull.start_s is None else pull.start_s
    end = clock[-1] if pull.end_s is None else pull.end_s
    first = np.searchsorted(clock, start - pull.lag_s + TIP_IN_S - 1e-9)
    part = slice(first, np.searchsorted(clock, end - pull.lag_s + 1e-9, side="right"))
    time, load = clock[part], load[part]
    speed = np.interp(time + pull.lag_s, clock, as_read) if pull.lag_s else as_read[part]
    kept = np.isfinite(load)
    if pull.lag_s and len(time):
        after = np.clip(np.searchsorted(clock, time + pull.lag_s), 1, len(clock) - 1)
        kept &= clock[after] - clock[after - 1] <= HOLE_STEPS * usual_step(clock)
    if kept.all():
        return time, speed, load
    return time[kept], speed[kept], load[kept]


def usual_step(time: Floats) -> float:
    """The step most stamps keep, s; from about 200 of them, which is enough."""
    steps = np.diff(time)
    return float(np.median(steps[:: max(len(steps) // 200, 1)]))


def band_table(pulls: Sequence[PullTrace], width: float = DEFAULT_WIDTH_RPM) -> BandTable:
    """Band means of every pull; bands from the lowest to the highest that any pull fills.

    Raises InputError where the width is not a positive number or makes more bands than a person could read.
    """
    if not (np.isfinite(width) and width > 0):
        raise InputError(
            f"a band width of {width:g} rpm cannot be used; give a positive number, 250 is usual",
            code="band-width",
            width=width,
        )
    traces = [lag_removed(pull) for pull in pulls]
    speeds = [speed for _, speed, _ in traces if len(speed) > 1]
    if not speeds:
        none = np.empty((len(pulls), 0))
        return BandTable(width, np.empty(0), none, none)
    slowest, fastest = (float(end) for end in (min(map(np.min, speeds)), max(map(np.max, speeds))))
    if fastest - slowest > width * MOST_BANDS:
        raise InputError(
            f"a band width of {width:g} rpm gives more than {MOST_BANDS} bands; use a wider one, 250 rpm is usual",
            code="band-width-many",
            width=width,
            bands=MOST_BANDS,
        )
    first, last = int(np.floor(slowest / width)), int(np.ceil(fastest / width))
    edges = np.arange(first, last + 1, dtype=np.float64) * np.float64(width)
    load = np.full((len(pulls), len(edges) - 1), np.nan)
    rate = load.copy()
    coarse = []
    for row, (time, speed, force) in enumerate(traces):
        if len(time) > 1:
            load[row], rate[row], thin = _one_pull(time, speed, force, edges)
            if thin:
                coarse.append(row)
    filled = np.flatnonzero(np.isfinite(load).any(axis=0))
    keep = slice(filled[0], filled[-1] + 1) if len(filled) else slice(0, 0)
    return BandTable(width, (edges[:-1] + np.float64(width / 2))[keep], load[:, keep], rate[:, keep], tuple(coarse))


def band_means(pulls: Sequence[PullTrace], values: Sequence[Floats | None], table: BandTable) -> Floats:
    """(pulls, bands) means over speed of something else that was recorded beside the pulls, on the bands of `table`.

    values   for each pull (rows,) on its own stamps; None where there is no such channel
    """
    rows = np.full(table.load.shape, np.nan)
    have = [row for row, value in enumerate(values) if value is not None]
    if not have:
        return rows
    beside = [replace(pulls[row], load=value) for row in have if (value := values[row]) is not None]
    found = band_table(beside, table.width)
    column = {round(rpm): number for number, rpm in enumerate(found.rpm)}
    for number, rpm in enumerate(table.rpm):
        if round(rpm) in column:
            rows[have, number] = found.load[:, column[round(rpm)]]
    return rows


def _one_pull(time: Floats, speed: Floats, load: Floats, edges: Floats) -> tuple[Floats, Floats, bool]:
    """(mean load per band, rate of gain per band, whether a band without samples was left empty)."""
    rising = np.maximum.accumulate(speed)  # where speed dips, nothing is added until it is past its peak again
    step = np.diff(rising)
    filled_to = np.concatenate(([0.0], np.cumsum(step * (load[1:] + load[:-1]) / 2)))
    hole = np.flatnonzero(np.diff(time) > HOLE_STEPS * usual_step(time))
    crossed = (edges >= rising[0]) & (edges <= rising[-1])
    whole = crossed[:-1] & crossed[1:]
    for index in hole:
        whole &= (edges[1:] <= rising[index]) | (edges[:-1] >= rising[index + 1])
    inside = np.diff(np.searchsorted(rising, edges)) > 0
    thin = bool((whole & ~inside).any())
    whole &= inside
    width = edges[1] - edges[0]
    mean = np.where(whole, np.diff(np.interp(edges, rising, filled_to)) / width, np.nan)
    spent = np.diff(np.interp(edges, rising, time))
    rate = np.divide(width, spent, out=np.full(len(spent), np.nan), where=whole & (spent > 0))
    return mean, rate, thin
