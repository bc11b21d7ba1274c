"""What the Controller log page works out: the log's place on the session's clock, and both traces. No Qt in here."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from stream.sources.log_columns import ControllerLog
from stream.study.clock import Alignment
from stream.study.dataset import Dataset
from stream.units import Floats
from ui.text.figures import one_line
from ui.text.findings import say, say_all

DRAWN_ROWS = 20_000  # of a trace; more is not seen


@dataclass(frozen=True, slots=True)
class Laid:
    """A log laid over a session.

    session_s, session_rpm   (rows,) as drawn, the converter's lag taken off
    log_s, log_rpm           (rows,) on the session's clock
    left_rpm                 (rows,) log less session at the log's stamps, after the straight line between the two
                             speeds; NaN outside the session
    rms_rpm                  root mean square of what is left
    shared_s                 seconds that both cover
    """

    session: Dataset
    log: ControllerLog
    found: Alignment
    session_s: Floats
    session_rpm: Floats
    log_s: Floats
    log_rpm: Floats
    left_rpm: Floats
    rms_rpm: float
    shared_s: float
    notes: tuple[str, ...]


def lay(session_path: str, log_path: Path, car_path: Path) -> Laid:
    """Read both and find the log's place. Raises InputError: a file, no match, or more than one."""
    from stream.car import load_car
    from stream.sources.log_columns import read_controller_log
    from stream.study.clock import align_log
    from stream.study.dataset import open_dataset

    car = load_car(car_path)
    session = open_dataset(session_path)
    log = read_controller_log(log_path, car)
    found = align_log(session, log)
    time = session.time_s - session.speed_lag[0]
    speed = session.speed_rpm
    log_s = log.time_s * (1 + 1e-6 * found.rate_ppm) + found.offset_s
    good = np.isfinite(speed)
    at = np.interp(log_s, time[good], speed[good], left=np.nan, right=np.nan)
    both = np.isfinite(at) & np.isfinite(log.rpm)
    left = np.full(len(log_s), np.nan)
    line = np.polyfit(at[both], log.rpm[both], 1)
    left[both] = log.rpm[both] - np.polyval(line, at[both])
    step = max(1, len(time) // DRAWN_ROWS)
    shared = max(0.0, min(float(log_s[-1]), session.duration_s) - max(float(log_s[0]), 0.0))
    return Laid(
        session,
        log,
        found,
        time[::step],
        speed[::step],
        log_s,
        log.rpm,
        left,
        float(np.sqrt(np.mean(left[both] ** 2))),
        shared,
        tuple(say_all((*car.findings, *log.findings))),
    )


def write(laid: Laid, target: Path, tell: Callable[[int, int], None]) -> str:
    """Write the session that holds both, as `align -o` does; returns what was done, in words."""
    from stream.drive.offline import write_merged
    from stream.study.clock import merged_source

    rows = laid.session.rows
    merger = merged_source(laid.session, laid.log, laid.found)
    write_merged(merger, laid.session, laid.log, target, lambda done: tell(done, rows), say)
    return f"Written: {one_line(target.name)}, with {', '.join(map(one_line, merger.added))} from the log."


def title(laid: Laid) -> tuple[str, str, str]:
    """(state shape, the answer, what it rests on)."""
    found = laid.found
    way = "slow" if found.rate_ppm > 0 else "fast"
    answer = f"The log's 0 s is {found.offset_s:.3f} ± {1.96 * found.u_offset_s:.3f} s on the session's clock"
    detail = (
        f"Its clock runs {abs(found.rate_ppm):.0f} ppm {way}. It covers {laid.shared_s:.0f} of the session's "
        f"{laid.session.duration_s:.0f} s; correlation {found.correlation:.4f}, "
        f"residual {laid.rms_rpm:.0f} rpm (root mean square). ± is 95 %."
    )
    return "wait", answer, detail  # the person has not said yet
