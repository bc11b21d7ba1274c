"""Known weights and shunt steps read from a session's raw load samples."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from stream.calibrate.link.bridge import ForceFit, fit_weights
from stream.calibrate.link.zero import batch_sem
from stream.errors import InputError
from stream.study.dataset import open_dataset

_LEAST_N = 0.1  # no hung weight is known better


@dataclass(frozen=True, slots=True)
class Step:
    """Mean load of a stretch, in the link's unit, with its standard error."""

    start_s: float
    mean: float
    sem: float


def load_steps(path: str | Path, starts_s: Sequence[float], seconds: float, what: str) -> tuple[list[Step], str]:
    """The mean load of a stretch of so many seconds from each start, and the load's unit. Raises InputError."""
    if not (np.isfinite(seconds) and seconds >= 1.0):
        raise InputError(
            f"{seconds:g} s is too short for a mean; give 1 or more", code="load-step-seconds", seconds=seconds
        )
    with open_dataset(path) as data:
        load = data.car.need("load", what)
        rows = [data.stretch(load, start, start + seconds, what) for start in starts_s]
        steps = [
            Step(start, float(values.mean()), batch_sem(values, data.rate_hz))
            for start, values in zip(starts_s, rows, strict=True)
        ]
    return steps, load.unit


def weigh(
    path: str | Path, known: Sequence[tuple[float, float]], seconds: float, weight_error_pct: float
) -> tuple[ForceFit, list[Step], str]:
    """Newtons per unit of the link from (start_s, newtons) pairs; also the steps, and the link's unit.

    weight_error_pct: of each weight, standard. Raises InputError.
    """
    if not 0 <= weight_error_pct < 100:
        raise InputError(
            f"a weight error of {weight_error_pct:g} % cannot be used; give percent from 0 (a bathroom scale: 1)",
            code="weight-error",
            pct=weight_error_pct,
        )
    steps, unit = load_steps(path, [start for start, _ in known], seconds, "weigh")
    forces = [force for _, force in known]
    errors = [max(abs(force) * weight_error_pct / 100.0, _LEAST_N) for force in forces]
    if len(set(forces)) < 2:
        raise InputError("weigh: all weights are the same; hang different ones, nothing hung counts as one")
    return fit_weights([s.mean for s in steps], forces, [s.sem for s in steps], errors), steps, unit
