"""All channels of a session on one even clock: engine speed, load, and what else was logged, for studies of cells.

The live stage keeps engine speed and load alone; the rest is read from raw and averaged over each step.
"""

from dataclasses import dataclass

import numpy as np

from stream.car import Car, Channel, Role
from stream.record.session import Session, open_session
from stream.study.conditions import HPA_PER_UNIT
from stream.study.load import StudySession
from stream.study.pull_traces import speed_lag
from stream.study.trace import Array

ROWS_HZ = 20.0  # a mixture sensor answers in about 0.1 s; twice as fast as that is enough


@dataclass(frozen=True, slots=True)
class Rows:
    """Rows of one session, evenly spaced; NaN is missing.

    time_s, speed_rpm, load   (n,); engine speed has the converter's lag off; load as the live stage gives it
    channels                  channel name to (n,), in the channel's own unit, values outside its range missing
    """

    time_s: Array
    speed_rpm: Array
    load: Array
    channels: dict[str, Array]
    step_s: float


def read_rows(session: StudySession, roles: tuple[Role, ...], rate_hz: float = ROWS_HZ) -> Rows:
    """The session on a clock of `rate_hz`, or its own rate where that is slower, with all channels of these roles.

    A step's value is the mean of its samples. Raises InputError where the file turns out to be damaged.
    """
    with open_session(session.path) as file:
        wanted = [
            channel for channel in session.car.channel if channel.role in roles and channel.name in file.info.names
        ]
        step = max(1.0 / rate_hz, 1.0 / session.rate_hz)
        count = int(file.duration_s / step + 1e-9)
        channels = _means(file, wanted, step, count)
    middle = np.asarray((np.arange(count) + 0.5) * step - 0.5 / session.rate_hz, dtype=np.float64)
    lag = speed_lag(session.car)[0]
    live = session.live
    return Rows(
        time_s=middle,
        speed_rpm=_on(middle + lag, live.time_s, live.speed_rpm.astype(np.float64), step),
        load=_on(middle, live.time_s, live.load.astype(np.float64), step),
        channels=channels,
        step_s=step,
    )


def in_unit(channel: Channel, unit: str) -> float:
    """What a pressure channel's values are multiplied by to be in `unit`; 1 where either unit is not known."""
    own, other = HPA_PER_UNIT.get(channel.unit.strip().lower()), HPA_PER_UNIT.get(unit.strip().lower())
    return 1.0 if own is None or other is None else own / other


def named(car: Car, rows: Rows, role: Role) -> Channel | None:
    """The first channel with this role that was recorded, or None."""
    return next((channel for channel in car.channel if channel.role == role and channel.name in rows.channels), None)


def _means(file: Session, wanted: list[Channel], step: float, count: int) -> dict[str, Array]:
    if not wanted:
        return {}
    columns = [file.info.names.index(channel.name) for channel in wanted]
    place = np.minimum((file.sample_index() / file.rate_hz / step + 1e-9).astype(np.intp), count)
    total, hits = np.zeros((len(wanted), count + 1)), np.zeros((len(wanted), count + 1))
    for row, samples in file.slabs():
        bins = place[row : row + len(samples)]
        for number, (channel, column) in enumerate(zip(wanted, columns, strict=True)):
            values = samples[:, column].astype(np.float64)
            good = np.isfinite(values)
            if channel.range is not None:
                good &= (values >= channel.range[0]) & (values <= channel.range[1])
            total[number] += np.bincount(bins[good], values[good], minlength=count + 1)
            hits[number] += np.bincount(bins[good], minlength=count + 1)
    with np.errstate(invalid="ignore"):
        means = np.where(hits > 0, total / np.maximum(hits, 1), np.nan)[:, :count]
    return {channel.name: means[number] for number, channel in enumerate(wanted)}


def _on(wanted: Array, time: Array, values: Array, step: float) -> Array:
    """Values at wanted times, straight between finite neighbours; NaN where none is within a step."""
    good = np.isfinite(values)
    if not good.any():
        return np.full(len(wanted), np.nan)
    time, values = time[good], values[good]
    result = np.interp(wanted, time, values, left=np.nan, right=np.nan)
    after = np.clip(np.searchsorted(time, wanted), 1, len(time) - 1)
    near = np.minimum(np.abs(wanted - time[after]), np.abs(wanted - time[after - 1]))
    return np.where(near <= 1.5 * step, result, np.nan)
