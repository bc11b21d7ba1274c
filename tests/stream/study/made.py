"""Pulls made by hand for the tests of the study."""

from collections.abc import Callable
from typing import Any

import numpy as np

from stream.study.pulls import PullTrace


def pull(
    tune: str = "heron",
    level: float = 1.0,
    shape: Callable[[np.ndarray], np.ndarray] = np.ones_like,
    start_rpm: float = 2000.0,
    end_rpm: float = 6000.0,
    rate: float = 500.0,
    step_s: float = 0.01,
    **more: Any,
) -> PullTrace:
    """A pull of constant rate of gain and load level * shape(rpm), noiseless."""
    time = np.arange(0, (end_rpm - start_rpm) / rate + step_s / 2, step_s)
    rpm = start_rpm + rate * time
    fields: dict[str, Any] = {"session": "one", "gear": 3, "unit": "mV/V"}
    return PullTrace(time_s=time, speed_rpm=rpm, load=level * shape(rpm), tune=tune, **{**fields, **more})


def day(levels: list[tuple[str, float]], **more: Any) -> list[PullTrace]:
    """Pulls of (tune, level) one minute apart; a new session whenever the tune changes."""
    made, session, last = [], 0, ""
    for index, (tune, level) in enumerate(levels):
        session += tune != last
        last = tune
        fields = {"session": f"s{session}", "started": 60.0 * index, "order": index, **more}
        made.append(pull(tune, level, **fields))
    return made
