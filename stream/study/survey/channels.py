"""Every channel's noise, step, spikes and clipping, from one pass over the raw samples."""

from collections.abc import Sequence

import numpy as np

from stream.calibrate.link.bridge import to_microstrain
from stream.car import Car, Channel
from stream.record import layout
from stream.record.session import Session
from stream.study.survey.records import ChannelSurvey, Dropouts
from stream.study.survey.tally import ChannelTally, Joiner, counted, step_of, window_rows

STILLEST = 0.2  # of the windows
FEWEST_WINDOWS = 3
STUCK_SHARE = 0.01  # of the span: how near to a stuck level a window is taken for stuck
RAIL_NOISE = 0.7  # of a step: with less noise a signal may stand at its top and be well


def tally_channels(session: Session, car: Car) -> list[ChannelTally]:
    """One pass over the session, in slabs."""
    spans = [None if (channel := car.by_name(name)) is None else channel.range for name in session.info.names]
    rows = max(8 * window_rows(session.rate_hz), 4096)
    step = max(rows, layout.chunk_rows(session.rate_hz))
    tallies = [ChannelTally(session.rate_hz, max(1, session.rows // step), span) for span in spans]
    joiner = Joiner(step)
    for block in session.blocks(step):
        for run in joiner.push(block):
            _push(tallies, run)
    for run in joiner.flush():
        _push(tallies, run)
    return tallies


def _push(tallies: list[ChannelTally], run: np.ndarray) -> None:
    values = run.astype(np.float64)
    for column, tally in enumerate(tallies):
        tally.push(np.ascontiguousarray(values[:, column]))


def dropouts(session: Session) -> Dropouts:
    """What was lost, from the session's own list of gaps."""
    lost = session.gaps["lost"].astype(np.int64)
    minutes = max(session.duration_s / 60.0, 1e-9)
    count = int(np.count_nonzero(lost))
    return Dropouts(
        lost_samples=int(lost.sum()),
        gaps=count,
        gaps_per_minute=count / minutes,
        longest_gap_s=float(lost.max(initial=0)) / session.rate_hz,
        restarts=int(np.count_nonzero(lost == 0)),
    )


def channel_survey(
    name: str,
    unit: str,
    tally: ChannelTally,
    channel: Channel | None,
    rpm_per_unit: float | None,
    minutes: float,
    stuck: Sequence[float] = (),
) -> ChannelSurvey:
    """The record of one channel. rpm_per_unit: slope of the line in force, for engine speed; stuck: levels at which the
    signal does not follow the engine, where its noise is not that of the chain at work."""
    role = "other" if channel is None else channel.role
    unit = unit or ("" if channel is None else channel.unit)
    largest = max(abs(tally.lowest), abs(tally.highest)) if tally.finite else 0.0
    step = step_of(tally.differences, largest)
    noise, u_noise, scatter = _noise(tally, step, stuck)
    windows = tally.windows
    span = float(np.ptp(np.quantile(windows[:, 3], [0.01, 0.99]))) if len(windows) else 0.0
    rails = (0.0, tally.lowest, tally.highest) + (tally.span or ())
    spikes = counted(tally.spikes, rate_hz=tally.rate_hz, span=span, noise=noise or 0.0, step=step or 0.0, rails=rails)
    slope = None if rpm_per_unit is None else abs(rpm_per_unit)
    return ChannelSurvey(
        name=name,
        role=role,
        unit=unit,
        noise=noise,
        u_noise=u_noise,
        noise_rpm=_times(noise, slope),
        noise_microstrain=microstrain(noise, unit, channel),
        scatter=scatter,
        resolution=step,
        resolution_rpm=_times(step, slope),
        resolution_microstrain=microstrain(step, unit, channel),
        missing_cells=tally.missing,
        spikes=spikes,
        spikes_per_minute=spikes / minutes,
        clipped_samples=tally.clipped,
        railed_samples=_railed(tally, role, noise, step),
        lowest=tally.lowest if tally.finite else None,
        highest=tally.highest if tally.finite else None,
        flat=tally.finite > 2 and not tally.moved,
    )


def _noise(
    tally: ChannelTally, step: float | None, stuck: Sequence[float]
) -> tuple[float | None, float | None, float | None]:
    """(noise, its uncertainty, scatter) of the windows that move least. Movement is slow and noise fast, so to choose
    by the one does not bias the other. Under a third of a step noise hides, and the uncertainty says so."""
    windows = tally.windows
    if len(stuck) and len(windows):
        reach = STUCK_SHARE * float(np.ptp(windows[:, 3]))
        windows = windows[np.all(np.abs(windows[:, 3, None] - np.asarray(stuck)[None, :]) > reach, axis=1)]
    if len(windows) < FEWEST_WINDOWS or not tally.moved:
        return None, None, None
    order = np.argsort(windows[:, 0], kind="stable")
    still = windows[order[: max(FEWEST_WINDOWS, round(STILLEST * len(windows)))]]
    noise = float(np.median(still[:, 1]))
    spread = 1.2533 * float(np.std(still[:, 1])) / len(still) ** 0.5
    hidden = 0.0 if step is None or noise > step / 3.0 else step / 12.0**0.5
    return noise, float(np.hypot(spread, hidden)), float(np.median(still[:, 2]))


def _railed(tally: ChannelTally, role: str, noise: float | None, step: float | None) -> int | None:
    if tally.span is not None or role not in ("engine_speed", "load") or noise is None:
        return None
    if step is not None and noise < RAIL_NOISE * step:
        return None
    return tally.at_highest + (tally.at_lowest if role == "load" else 0)


def _times(value: float | None, slope: float | None) -> float | None:
    return None if value is None or slope is None else value * slope


def microstrain(value: float | None, unit: str, channel: Channel | None) -> float | None:
    """A small signal in microstrain, where unit and bridge tell it."""
    if value is None or channel is None or channel.role != "load":
        return None
    if unit == "microstrain":
        return value
    if unit != "mV/V" or channel.bridge is None or channel.gauge_factor is None:
        return None
    return float(abs(to_microstrain(value, channel.bridge, channel.gauge_factor)))
