"""Spikes: excursions of a few samples, far beyond what stands around them, that come back to where they left."""

from dataclasses import dataclass

import numpy as np

from stream.units import Floats

LONGEST_S = 0.010
CONTEXT = 8  # samples on each side that must be quiet
SCATTERS = 6.0
BACK = 0.25  # of its height: how near it must come back
MOST_IN_A_RUN = 50


@dataclass(frozen=True, slots=True)
class Spike:
    """height: signed, from where it left; value: what it showed."""

    height: float
    value: float


def spikes_in(values: Floats, rate_hz: float) -> list[Spike]:
    """Candidates in a run without a gap; which of them count depends on the session's span and noise."""
    steps = np.diff(values)
    size = np.abs(steps)
    widest = min(max(1, round(LONGEST_S * rate_hz)), 3)
    big = np.flatnonzero(size > 10.0 * float(np.median(size))) if len(size) else np.empty(0, np.int64)
    big = big[(big >= CONTEXT) & (big < len(values) - CONTEXT - widest - 1)]
    if len(big) > 2 * MOST_IN_A_RUN:
        big = np.sort(big[np.argsort(size[big])[-2 * MOST_IN_A_RUN :]])
    found: list[Spike] = []
    free_from = 0
    for place in big.tolist():
        if place < free_from:
            continue
        height = float(steps[place])
        for width in range(1, widest + 1):
            back = place + 1 + width
            if abs(float(values[back] - values[place])) > BACK * abs(height):
                continue
            around = np.concatenate((values[place - CONTEXT + 1 : place + 1], values[back : back + CONTEXT]))
            if SCATTERS * float(np.std(around)) < abs(height):
                found.append(Spike(height, float(values[place + 1])))
                free_from = back
            break
    return found


def counted(spikes: list[Spike], *, rate_hz: float, span: float, noise: float, step: float,
            rails: tuple[float, ...]) -> int:  # fmt: skip
    """How many candidates count: beyond 5 % of the span, twelve times the noise and four steps.

    Under 100 Hz a real event may be as short as a sample, so there only one that lands on zero or a rail counts.
    """
    least = max(0.05 * span, 12.0 * noise, 4.0 * step)
    near = max(1.5 * step, 3.0 * noise, 1e-3 * span)
    return sum(
        1
        for spike in spikes
        if abs(spike.height) > least and (rate_hz >= 100.0 or any(abs(spike.value - rail) <= near for rail in rails))
    )
