"""The engine controller's own log of a rehearsal: its clock is off by what the recording's truth says."""

from pathlib import Path

import numpy as np

from stream.sources.rehearsal.record import Recording
from stream.sources.rehearsal.sensors import EXTRA, true_value
from tests.example_logs import write_table

CONTROLLER = ("throttle", "lambda", "advance", "manifold_pressure")
READOUT_RPM = 10.0


def write_controller_log(recording: Recording, path: str | Path, rate_hz: float = 20.0, seed: int = 0) -> None:
    """The engine controller's own log: its clock, rpm to 10, throttle, lambda, advance, manifold pressure.

    Its clock is off by what `truth.controller` says. Raises StorageError where it cannot be written.
    """
    clock = recording.truth.controller
    rng = np.random.default_rng([seed, 11])
    rate = 1.0 + clock.rate_ppm * 1e-6
    # log seconds start at a whole number, as the controller was on before or after the recording began
    first = np.ceil(max(-clock.offset_s / rate, 0.0))
    last = (recording.motion.duration_s - clock.offset_s) / rate
    log_s = np.arange(first, last, 1.0 / rate_hz)
    session_s = log_s * rate + clock.offset_s
    rpm = recording.motion.at("rpm", session_s)
    columns = [log_s, np.rint(rpm / READOUT_RPM) * READOUT_RPM]
    for name in CONTROLLER:
        columns.append(
            true_value(recording.motion, name, session_s) + EXTRA[name].noise * rng.standard_normal(len(log_s))
        )
    header = [
        "time [s]",
        "rpm",
        *(f"{name} [{EXTRA[name].unit}]".replace(" []", "") for name in CONTROLLER),
    ]
    write_table(Path(path), header, np.column_stack(columns), [3, 0, 1, 3, 1, 1])
