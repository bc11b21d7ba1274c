"""Declare a stretch of a session as zero load: checked on the raw samples, written to /zeros."""

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from stream.calibrate.link import zero as rule
from stream.calibrate.speed.york import Floats
from stream.car import Car, Channel, parse_car
from stream.errors import InputError
from stream.record import layout, tables
from stream.record.change import change_session
from stream.record.session import Session, open_session
from stream.record.tables import Zero

STANDING = "standing, in neutral, brakes off, level"
ROLLING = "free roll in neutral"
_KMH = {"km/h": 1.0, "m/s": 3.6, "mph": 1.609344}


def declare_zero(path: str | Path, start_s: float, end_s: float, *, rolling: bool = False) -> tuple[Zero, str]:
    """Take the zero of a stretch, seconds of the session's clock, and write it; returns it with the load's unit.

    The gap to the zero nearest in time is the doubt of both: what bushes and a wound-up driveline hide shows only
    there. Raises InputError, and nothing is changed: no load channel, no such stretch, lost or clipped samples,
    moving.
    """
    with open_session(path) as session:
        car = parse_car(session.car_text, f"{session.path}: the car file in it")
        load = car.need("load", "zero")
        taken = _taken(session, car, load, start_s, end_s, rolling)
        zeros = with_new_zero(session.zeros, taken)
    change_session(path, lambda file: _write(file, zeros))
    return next(zero for zero in zeros if zero.start_s == start_s and zero.end_s == end_s), load.unit


def with_new_zero(zeros: Sequence[Zero], new: Zero) -> tuple[Zero, ...]:
    """The zeros with one more, in order of time, its gap to the nearest in the doubt of both.

    Raises InputError where it overlaps one that is there.
    """
    for old in zeros:
        if new.start_s < old.end_s and old.start_s < new.end_s:
            raise InputError(
                f"zero: {new.start_s:g} to {new.end_s:g} s overlaps the zero from {old.start_s:g} to {old.end_s:g} s; "
                "take another stretch"
            )
    if not zeros:
        return (new,)
    nearest = min(zeros, key=lambda old: abs(old.start_s + old.end_s - new.start_s - new.end_s))
    widened = [_with_gap(old, new) if old is nearest and len(zeros) == 1 else old for old in zeros]
    return tuple(sorted([*widened, _with_gap(new, nearest)], key=lambda zero: zero.start_s))


def stretch_of(session: Session, channel: Channel, start_s: float, end_s: float, what: str) -> Floats:
    """Raw samples of a channel between two times on the session's clock, float64 (n,).

    Raises InputError: not a stretch of this session, samples lost or clipped in it.
    """
    if not (math.isfinite(start_s) and math.isfinite(end_s) and 0 <= start_s < end_s):
        raise InputError(f"{what}: {start_s:g} to {end_s:g} s is no stretch; give a start and a later end, in seconds")
    if end_s > session.duration_s + 1e-6:
        raise InputError(
            f"{what}: {end_s:g} s is behind the end of {session.path}, {session.duration_s:.1f} s; mend it"
        )
    index = session.sample_index()
    rows = np.flatnonzero((index >= start_s * session.rate_hz) & (index < end_s * session.rate_hz))
    values = session.raw(channel.name)[rows].astype(np.float64)
    due = round((end_s - start_s) * session.rate_hz)
    if len(rows) < due - 1 or not np.all(np.isfinite(values)):
        raise InputError(
            f"{what}: samples are missing between {start_s:g} and {end_s:g} s; take a stretch without a gap"
        )
    if channel.range is not None and np.any((values < channel.range[0]) | (values > channel.range[1])):
        raise InputError(
            f"{what}: {channel.name} is outside its range between {start_s:g} and {end_s:g} s; mend the link"
        )
    return values


def _taken(session: Session, car: Car, load: Channel, start_s: float, end_s: float, rolling: bool) -> Zero:
    values = stretch_of(session, load, start_s, end_s, "zero")
    how = ROLLING if rolling else STANDING
    zero = rule.take_zero(
        values,
        session.rate_hz,
        start_s=start_s,
        full_scale=_strong_pull(session) or _widest(session, load),
        road_speed_kmh=None if rolling else _road_speed(session, car, start_s, end_s),
        how=how,
    )
    return Zero(start_s=start_s, end_s=end_s, mean=zero.mean, doubt=zero.doubt, how=how)


def _strong_pull(session: Session) -> float | None:
    """Load of a strong pull in this session, None where it has none."""
    live = session.live()
    loads = [
        np.abs(live.load[(live.time_s >= pull.start_s) & (live.time_s < pull.end_s)])
        for pull in session.pulls
        if pull.verdict == "clean"
    ]
    values = np.concatenate(loads) if loads else np.empty(0)
    values = values[np.isfinite(values)]
    return float(np.quantile(values, 0.9)) if len(values) else None


def _widest(session: Session, load: Channel) -> float | None:
    """How far the load goes from its middle in a session whose pulls nobody has looked for; None where it is flat."""
    values = session.raw(load.name).astype(np.float64)
    values = values[np.isfinite(values)]
    return float(np.quantile(np.abs(values - np.median(values)), 0.9)) or None if len(values) else None


def _road_speed(session: Session, car: Car, start_s: float, end_s: float) -> Floats | None:
    channel = car.by_role("road_speed")
    if channel is None or channel.name not in session.info.names or channel.unit not in _KMH:
        return None
    index = session.sample_index()
    rows = (index >= start_s * session.rate_hz) & (index < end_s * session.rate_hz)
    values = session.raw(channel.name)[rows].astype(np.float64)
    return values[np.isfinite(values)] * _KMH[channel.unit] if np.any(np.isfinite(values)) else None


def _with_gap(zero: Zero, other: Zero) -> Zero:
    return msgspec.structs.replace(zero, doubt=math.hypot(zero.doubt, zero.mean - other.mean))


def _write(file: Any, zeros: Sequence[Zero]) -> None:
    tables.replace_rows(file, layout.ZEROS, tables.zero_rows(zeros))
