"""The step of an analogue-to-digital converter, from the differences of successive samples: all are multiples of it."""

import numpy as np

from stream.units import Floats

MOST_STEPS = 50  # differences of up to this many steps are asked
ON_GRID = 0.12  # of a step: how near to a multiple a difference must be
SHARE = 0.98
CANDIDATES = 40
FEWEST = 20


def step_of(differences: Floats, largest: float) -> float | None:
    """The step in the channel's unit, or None where the differences have no common one.

    differences: sizes above zero; largest: of the values themselves, for how fine float32 can tell them apart.
    """
    grain = max(abs(largest), 1e-30) * 2.0**-23
    sizes = differences[differences > 4.0 * grain]
    if len(sizes) < FEWEST:
        return None
    sizes = np.sort(sizes)
    # Sizes that are the same up to float32's grain are one candidate.
    starts = np.concatenate(([True], np.diff(sizes) > 4.0 * grain))
    for candidate in sizes[starts][:CANDIDATES].tolist():
        if candidate < 12.0 * grain:
            continue
        step = _confirmed(sizes, float(candidate), grain)
        if step is not None:
            return step
    return None


def _confirmed(sizes: Floats, step: float, grain: float) -> float | None:
    """The candidate made exact, where nearly all small differences are multiples of it."""
    near = sizes[sizes < (MOST_STEPS + 0.5) * step]
    if len(near) < FEWEST:
        return None
    tolerance = max(ON_GRID * step, 3.0 * grain)
    for reach in (4.5, 12.5, MOST_STEPS + 0.5):  # the multiples that are already exact make the next ones so
        part = near[near < reach * step]
        multiples = np.rint(part / step)
        on = (np.abs(part - multiples * step) <= tolerance) & (multiples > 0)
        if np.count_nonzero(on) < max(3, SHARE * len(part)):
            return None
        step = float(multiples[on] @ part[on] / (multiples[on] @ multiples[on]))
    return step
