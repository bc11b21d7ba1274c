"""Runs of True in a row of flags."""

import numpy as np
import numpy.typing as npt

from stream.units import Flags


def runs_of(flags: Flags, bridge: int = 0) -> list[tuple[int, int]]:
    """(first, end) of each run of True, in order; runs that lie up to `bridge` apart are one."""
    edges = run_edges(flags)
    runs: list[tuple[int, int]] = []
    for first, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if runs and first - runs[-1][1] <= bridge:
            runs[-1] = (runs[-1][0], end)
        else:
            runs.append((first, end))
    return runs


def longest_run(flags: Flags) -> int:
    """Length of the longest run of True."""
    edges = run_edges(flags)
    return int(np.max(edges[1::2] - edges[::2])) if len(edges) else 0


def run_edges(flags: Flags) -> npt.NDArray[np.intp]:
    """Where the runs of True begin and end, in turn."""
    padded = np.concatenate(([False], flags, [False]))
    return np.flatnonzero(padded[1:] != padded[:-1])
