"""Rows of a session that tell the mixture: λ over target at the moment it was burnt, and why others do not count."""

from collections import Counter
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from stream.car import Channel
from stream.errors import InputError
from stream.study.dataset import Dataset, EvenRows
from stream.study.pulls import TEMPERATURE_NAMES
from stream.study.tables.mixture_delay import Delay
from stream.study.tables.user_table import UserTable
from stream.units import Flags as BoolArray
from stream.units import Floats as Array
from stream.units import unit_factor

# Common practice, no source, for all of these.
WARM_C = 60.0
CLOSED_PCT = 2.0  # of throttle, above the least seen
CLOSED_STOP_PCT = 10.0  # the most that a closed throttle is logged as
OVERRUN_RPM = 1300.0
OVERRUN_KPA = 35.0  # where there is no throttle channel: low pressure and a λ that says fuel is cut
OVERRUN_LAMBDA = 1.15
AFTER_OVERRUN_S = 1.0  # a sensor that has smelt air needs this long to come back, walls to be wet again
TIP_IN_PCT_S = 60.0
TIP_IN_KPA_S = 60.0
AFTER_TIP_IN_S = 0.6
LEAN_LIMIT = 1.40  # λ at which a spark engine no longer fires each time
JUMP = 0.15  # above the running median of two seconds: unburnt oxygen of a misfire
AROUND_JUMP_S = 0.4
RUNNING_RPM = 500.0
SECOND_UNITS = {"manifold_pressure": "kPa", "throttle": "%"}


@dataclass(frozen=True, slots=True)
class MixtureRows:
    """Rows that count, at the moment they were burnt.

    ratio                    λ over target times the trim: what the fuel must be multiplied by
    shift                    how much `ratio` changes where the delay is off by its doubt
    visit                    number of the unbroken stretch the row is from
    left_out                 why how many other rows do not count
    """

    time_s: Array
    rpm: Array
    second: Array
    ratio: Array
    shift: Array
    left_out: Counter[str]
    trimmed: bool


def lambda_of(session: Dataset, rows: EvenRows, stoichiometric: float) -> tuple[Array, str]:
    """(λ on the rows' clock, words where it is from an air-fuel ratio). Raises InputError where it cannot be one."""
    channel = session.first("lambda")
    if channel is None:
        session.car.need("lambda", "advise-mixture")
        raise InputError(
            f"{session.path}: the λ channel of its car file was not recorded; log it, or leave this session out"
        )
    unit = channel.unit.strip().lower()
    if unit in ("v", "mv"):
        raise InputError(
            f'{session.path}: channel {channel.name!r} is in {channel.unit}; give it in λ (unit "") or AFR, by the '
            "sensor's own scale"
        )
    values = rows.channels[channel.name].copy()
    afr = "afr" in unit
    below = np.flatnonzero(values < 0)
    if len(below):
        raise InputError(
            f"{session.path}: channel {channel.name!r} is {values[below[0]]:.3g} at {rows.time_s[below[0]]:.1f} s: "
            "λ is never below zero; mend the sensor's scale"
        )
    values[values == 0] = np.nan  # how a controller logs a sensor that is not ready
    if np.isfinite(values).any() and not afr and float(np.nanmedian(values)) > 5:
        raise InputError(
            f"{session.path}: channel {channel.name!r} is about {np.nanmedian(values):.3g}: an air-fuel ratio; write "
            'unit = "AFR" in the car file'
        )
    words = f"λ is {channel.name!r} over {stoichiometric:g}, the stoichiometric ratio that was stated" if afr else ""
    return values / stoichiometric if afr else values, words


def second_axis(session: Dataset, rows: EvenRows, target: UserTable) -> Array:
    """The target's second axis on the rows' clock, in the table's unit. Raises InputError where it was not logged."""
    channel = session.first(target.axis)
    if channel is None:
        raise InputError(
            f"{session.path}: no channel with role {target.axis!r}, the axis of {target.path}; log it, or use "
            "a table with the other axis"
        )
    return rows.channels[channel.name] * unit_factor(channel.unit, target.unit or SECOND_UNITS[target.axis])


def mixture_rows(session: Dataset, rows: EvenRows, lam: Array, target: UserTable, delay: Delay) -> MixtureRows:
    """The rows of one session that count. λ seen at t was burnt a delay before: so target, trim, cell."""
    second = second_axis(session, rows, target)
    pressure, throttle = _pressure(session, rows), throttle_above_closed(session, rows)
    trim, trimmed = _trim(session, rows)
    steps, doubt = delay.steps(rows, pressure), delay.doubt_s / rows.step_s
    count = len(lam)
    index = np.arange(count)

    def burnt(values: Array, late: float = 0.0) -> Array:
        return np.interp(index - steps - late, index, values, left=np.nan, right=np.nan)

    rpm_then, second_then = burnt(rows.speed_rpm), burnt(second)
    wanted = target.at(rpm_then, second_then)
    ratio = lam / wanted * burnt(trim)
    early = lam / target.at(burnt(rows.speed_rpm, -doubt), burnt(second, -doubt)) * burnt(trim, -doubt)
    late = lam / target.at(burnt(rows.speed_rpm, doubt), burnt(second, doubt)) * burnt(trim, doubt)
    shift = np.abs(early - late) / 2
    good = np.isfinite(lam) & np.isfinite(rpm_then) & np.isfinite(second_then)
    left: Counter[str] = Counter()
    for why, out in (
        ("engine not running", ~(rpm_then > RUNNING_RPM)),
        ("cold engine", _cold(session, rows)),
        ("overrun", _widened(_overrun(rows, lam, pressure, throttle), AFTER_OVERRUN_S, rows.step_s)),
        ("tip-in", _widened(_tip_in(rows, pressure, throttle), AFTER_TIP_IN_S, rows.step_s)),
        ("misfire-lean", _misfire(lam, rows.step_s)),
        ("outside the target table", ~np.isfinite(wanted)),
        ("no trim then", ~np.isfinite(burnt(trim))),
    ):
        left[why] += int((good & out).sum())
        good &= ~out
    return MixtureRows(
        rows.time_s[good], rpm_then[good], second_then[good], ratio[good], np.nan_to_num(shift[good]), left, trimmed
    )


def _pressure(session: Dataset, rows: EvenRows) -> Array | None:
    """Manifold pressure, kPa, or None."""
    channel = session.first("manifold_pressure")
    return None if channel is None else rows.channels[channel.name] * unit_factor(channel.unit, "kPa")


def throttle_above_closed(session: Dataset, rows: EvenRows) -> Array | None:
    """Throttle above closed, %, or None. Closed is the least seen where that may be a stop; else 0."""
    channel = session.first("throttle")
    if channel is None or not np.isfinite(values := rows.channels[channel.name]).any():
        return None
    least, most = np.nanpercentile(values, [1, 99])
    return np.asarray(values - least) if least < CLOSED_STOP_PCT and most > least + CLOSED_STOP_PCT else values


def _trim(session: Dataset, rows: EvenRows) -> tuple[Array, bool]:
    """(what closed loop multiplies the fuel by, whether one was logged): all trims of the session multiplied."""
    total, found = np.ones(len(rows.time_s)), False
    for channel in session.car.channel:
        if channel.role == "fuel_trim" and channel.name in rows.channels:
            total, found = total * _factor(channel, rows.channels[channel.name]), True
    return total, found


def _factor(channel: Channel, values: Array) -> Array:
    seen = values[np.isfinite(values)]
    is_factor = channel.unit.strip() != "%" and len(seen) > 0 and bool((np.abs(seen - 1) < 0.5).all())
    return values if is_factor else 1 + values / 100


def _cold(session: Dataset, rows: EvenRows) -> BoolArray:
    cold = np.zeros(len(rows.time_s), dtype=np.bool_)
    for channel in session.car.channel:
        if channel.role != "temperature" or channel.name not in rows.channels or not engine_temperature(channel):
            continue
        unit = channel.unit.strip().lower().replace("°", "").removeprefix("deg")
        values = rows.channels[channel.name]
        celsius = (values - 32) / 1.8 if unit == "f" else values - 273.15 if unit == "k" else values
        cold |= celsius < WARM_C
    return cold


def engine_temperature(channel: Channel) -> bool:
    """Whether a temperature channel tells if the engine is warm: by its name, air and intake do not."""
    name = channel.name.lower()
    key = next((key for key, words in TEMPERATURE_NAMES if any(word in name for word in words)), "coolant_c")
    return key == "coolant_c" and "exhaust" not in name and "egt" not in name


def _overrun(rows: EvenRows, lam: Array, pressure: Array | None, throttle: Array | None) -> BoolArray:
    fast = rows.speed_rpm > OVERRUN_RPM
    if throttle is not None:
        return np.asarray(fast & (throttle < CLOSED_PCT))
    if pressure is None:
        return np.zeros(len(fast), dtype=np.bool_)
    return np.asarray(fast & (pressure < OVERRUN_KPA) & (lam > OVERRUN_LAMBDA))


def _tip_in(rows: EvenRows, pressure: Array | None, throttle: Array | None) -> BoolArray:
    fast = np.zeros(len(rows.time_s), dtype=np.bool_)
    for values, most in ((throttle, TIP_IN_PCT_S), (pressure, TIP_IN_KPA_S)):
        if values is not None and len(values) > 2:
            width = max(round(0.1 / rows.step_s), 1)
            rate = np.full(len(values), np.nan)
            rate[width:] = (values[width:] - values[:-width]) / (width * rows.step_s)
            fast |= np.abs(np.nan_to_num(rate)) > most
    return fast


def _misfire(lam: Array, step: float) -> BoolArray:
    """λ that no firing engine shows, or that jumps above what it was: oxygen of a cycle that did not burn."""
    filled = np.where(np.isfinite(lam), lam, np.nanmedian(lam) if np.isfinite(lam).any() else 1.0)
    usual = ndimage.median_filter(filled, max(round(2.0 / step) | 1, 3), mode="nearest")
    lean = (filled > LEAN_LIMIT) | (filled > usual + JUMP)
    return np.asarray(
        ndimage.binary_dilation(lean, np.ones(2 * max(round(AROUND_JUMP_S / step), 1) + 1, dtype=np.bool_))
    )


def _widened(out: BoolArray, after_s: float, step: float) -> BoolArray:
    """Also the time behind each stretch."""
    count = max(round(after_s / step), 1)
    ahead = np.concatenate((np.zeros(count, dtype=np.int64), np.cumsum(out, dtype=np.int64)))
    total = np.cumsum(out, dtype=np.int64)
    return np.asarray(out | (total > ahead[: len(total)]))
