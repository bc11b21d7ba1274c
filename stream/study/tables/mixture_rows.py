"""Rows of a session that tell the mixture: λ over target at the moment it was burnt, and why others do not count."""

from collections import Counter
from dataclasses import dataclass

import numpy as np

from stream.car import Channel
from stream.findings import Finding, warning
from stream.live.steadiness import runs_of
from stream.study.dataset import Dataset, EvenRows
from stream.study.pulls import TEMPERATURE_NAMES
from stream.study.tables.load_axis import RUNNING_RPM, LoadAxes
from stream.study.tables.mixture_delay import Delay
from stream.study.tables.mixture_lambda import CLOSED_PCT, Sensor, closed_throttle, overrun
from stream.study.tables.user_table import UserTable
from stream.units import CELSIUS_FROM, Flags, Floats, plain_unit

# Common practice, no source, for all of these.
WARM_C = 60.0
OVERRUN_LAMBDA = 1.15
AFTER_OVERRUN_S = 1.0  # a sensor that has smelt air needs this long to come back, walls to be wet again
TIP_IN_PCT_S = 60.0
TIP_IN_KPA_S = 60.0
AFTER_TIP_IN_S = 0.6
LEAN_LIMIT = 1.40  # λ at which a spark engine no longer fires each time
JUMP = 0.15  # above the running median of two seconds: unburnt oxygen of a misfire
AROUND_JUMP_S = 0.4
TRIM_LIMIT = 0.20  # of fuel: controllers end their correction at 20 to 30 %
TRIM_HELD, TRIM_HELD_S = (
    0.08,
    3.0,
)  # chosen: so far out and exactly so long at the end of what is seen, it is at its limit
TRIM_STILL = 0.0005  # a trim that moves less in a whole session was learnt before, or is stuck


@dataclass(frozen=True, slots=True)
class MixtureRows:
    """Rows that count, at the moment they were burnt, (k,) each.

    second      in the fuel grid's own unit
    ratio       λ over wanted times the trim: what the fuel must be multiplied by
    cautious    the same, with a trim that never moved left out where it takes fuel away
    shift       how much `ratio` changes where the delay is off by its uncertainty
    wanted      wanted λ
    other_high  high load by the quantity that is not the table's axis, or by this one, as measured
    silent      (rpm, second) of rows with fuel in which λ was missing, misfire-lean or still, (2, j)
    left_out    why how many other rows do not count, in seconds
    """

    time_s: Floats
    rpm: Floats
    second: Floats
    ratio: Floats
    cautious: Floats
    shift: Floats
    wanted: Floats
    other_high: Flags
    silent: Floats
    left_out: Counter[str]


@dataclass(frozen=True, slots=True)
class Lean:
    """λ far above the wanted one while the engine ran with fuel, whatever else speaks against the row, (k,) each."""

    rpm: Floats
    second: Floats
    lam: Floats
    wanted: Floats
    high: Flags
    run: np.typing.NDArray[np.intp]
    step_s: float


@dataclass(frozen=True, slots=True)
class Trim:
    """What closed loop multiplies the fuel by, all trims of a session together, (rows,).

    limited   rows in which it is at its end and controls no more
    still     it never moves: learnt before, or stuck
    """

    factor: Floats
    limited: Flags
    still: bool
    logged: bool
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class Drive:
    """One session, read for its mixture. `second` is the fuel grid's axis in its unit, `wanted` λ on the rows."""

    data: Dataset
    rows: EvenRows
    axes: LoadAxes
    sensor: Sensor
    trim: "Trim"
    second: Floats
    target_second: Floats


def mixture_rows(drive: Drive, target: UserTable, delay: Delay) -> MixtureRows:
    """The rows of one session that count. λ seen at t was burnt a delay before: so target, trim, cell."""
    from scipy import ndimage

    rows, lam, axes = drive.rows, drive.sensor.values, drive.axes
    rpm_then, second_then, wanted = _burnt_at(drive, target, delay, 0.0)
    index = _index(drive, delay)
    trim_then = _at(drive.trim.factor, index)
    ratio = lam / wanted * trim_then
    early, late = (
        lam
        / _burnt_at(drive, target, delay, sign * delay.u_s)[2]
        * _at(drive.trim.factor, _index(drive, delay, sign * delay.u_s))
        for sign in (-1, 1)
    )
    cautious = lam / wanted * np.maximum(trim_then, 1.0) if drive.trim.still else ratio
    good = np.isfinite(lam) & np.isfinite(rpm_then) & np.isfinite(second_then)
    cut = _widened(_cut(drive), AFTER_OVERRUN_S + max(delay.constant_s, 0.0), rows.step_s)
    misfire = _misfire(lam, rows.step_s)
    left: Counter[str] = Counter()
    for why, out in (
        ("dead-sensor", np.full(len(lam), drive.sensor.dead)),
        ("not-running", ~(rpm_then > RUNNING_RPM)),
        ("cold", _cold(drive)),
        ("overrun", cut),
        ("tip-in", _widened(_tip_in(drive), AFTER_TIP_IN_S, rows.step_s)),
        ("misfire", misfire),
        ("still-sensor", drive.sensor.still),
        ("outside", ~np.isfinite(wanted)),
        ("no-trim", ~np.isfinite(trim_then)),
        ("trim-limit", _at(drive.trim.limited.astype(float), index) > 0),
    ):
        left[why] += int((good & out).sum())
        good &= ~out
    reach = round((AROUND_JUMP_S + delay.constant_s) / rows.step_s) + 2  # a misfire's margin reaches back over a cut
    near_cut = ndimage.binary_dilation(cut, np.ones(2 * reach + 1, dtype=np.bool_))
    fuelled = (rpm_then > RUNNING_RPM) & np.isfinite(second_then) & ~near_cut
    silent = fuelled & (~np.isfinite(lam) | misfire | drive.sensor.still)
    high = _at(axes.high().astype(float), index) > 0.5
    return MixtureRows(
        rows.time_s[good],
        rpm_then[good],
        second_then[good],
        ratio[good],
        cautious[good],
        np.nan_to_num(np.abs(early - late)[good] / 2),
        wanted[good],
        high[good],
        np.stack([rpm_then[silent], second_then[silent]]),
        left,
    )


def lean_rows(drive: Drive, target: UserTable, delay: Delay, above: float, least_s: float) -> Lean:
    """Rows with λ at least `above` the wanted one, in stretches of `least_s` and more, at whatever load."""
    rows, lam = drive.rows, drive.sensor.values
    rpm_then, second_then, wanted = _burnt_at(drive, target, delay, 0.0)
    out = _widened(_cut(drive), AFTER_OVERRUN_S + max(delay.constant_s, 0.0), rows.step_s)
    out |= _widened(_tip_in(drive), AFTER_TIP_IN_S, rows.step_s) | ~(rpm_then > RUNNING_RPM)
    with np.errstate(invalid="ignore"):
        lean = ~out & (lam - wanted >= above - 1e-9)
    run = np.full(len(lam), -1, dtype=np.intp)
    for number, (first, last) in enumerate(runs_of(lean)):
        if (last - first) * rows.step_s >= least_s - 1e-9:
            run[first:last] = number
    kept = (run >= 0) & np.isfinite(second_then)
    high = _at(drive.axes.high().astype(float), _index(drive, delay)) > 0.5
    return Lean(rpm_then[kept], second_then[kept], lam[kept], wanted[kept], high[kept], run[kept], rows.step_s)


def _index(drive: Drive, delay: Delay, late_s: float = 0.0) -> Floats:
    """Where on the rows what λ shows now was burnt."""
    steps = delay.steps(drive.rows, drive.axes.pressure_kpa)
    return np.asarray(np.arange(len(steps)) - steps - late_s / drive.rows.step_s)


def _at(values: Floats, index: Floats) -> Floats:
    return np.interp(index, np.arange(len(values)), values, left=np.nan, right=np.nan)


def _burnt_at(drive: Drive, target: UserTable, delay: Delay, late_s: float) -> tuple[Floats, Floats, Floats]:
    """(rpm, second axis of the grid, wanted λ) where it was burnt."""
    index = _index(drive, delay, late_s)
    rpm = _at(drive.rows.speed_rpm, index)
    return rpm, _at(drive.second, index), target.at(rpm, _at(drive.target_second, index))


def read_trim(data: Dataset, rows: EvenRows) -> Trim:
    """All trims of a session multiplied."""
    total, logged = np.ones(len(rows.time_s)), False
    for channel in data.recorded("fuel_trim"):
        total, logged = total * _factor(channel, rows.channels[channel.name]), True
    known = np.isfinite(total) & (rows.speed_rpm > RUNNING_RPM)
    if not logged or not known.any():
        return Trim(total, np.zeros(len(total), dtype=np.bool_), False, logged, ())
    seen = total[known]
    still = float(np.ptp(seen)) < TRIM_STILL and abs(float(seen[0]) - 1) > TRIM_STILL
    limited = np.abs(total - 1) >= TRIM_LIMIT
    for end in () if still else (float(seen.min()), float(seen.max())):
        for first, last in runs_of(known & (np.abs(total - end) < TRIM_STILL)):
            if abs(end - 1) >= TRIM_HELD and (last - first) * rows.step_s >= TRIM_HELD_S:
                limited[first:last] = True
    findings = []
    if (limited & known).sum() * rows.step_s >= 1.0:
        most = float(total[limited & known][np.argmax(np.abs(total[limited & known] - 1))])
        seconds = float((limited & known).sum()) * rows.step_s
        findings.append(warning("trim-at-limit", session=data.path.name, seconds=seconds, trim_pct=100 * (most - 1)))
    if still:
        findings.append(warning("trim-stands-still", session=data.path.name, trim_pct=100 * (float(seen[0]) - 1)))
    return Trim(total, limited, still, True, tuple(findings))


def _factor(channel: Channel, values: Floats) -> Floats:
    seen = values[np.isfinite(values)]
    is_factor = channel.unit.strip() != "%" and len(seen) > 0 and bool((np.abs(seen - 1) < 0.5).all())
    return values if is_factor else 1 + values / 100


def _cold(drive: Drive) -> Flags:
    cold = np.zeros(len(drive.rows.time_s), dtype=np.bool_)
    for channel in drive.data.recorded("temperature"):
        if engine_temperature(channel):
            factor, added = CELSIUS_FROM.get(plain_unit(channel.unit), (1.0, 0.0))
            cold |= drive.rows.channels[channel.name] * factor + added < WARM_C
    return cold


def engine_temperature(channel: Channel) -> bool:
    """Whether a temperature channel tells if the engine is warm: by its name, air and intake do not."""
    name = channel.name.lower()
    key = next((key for key, words in TEMPERATURE_NAMES if any(word in name for word in words)), "coolant_c")
    return key == "coolant_c" and "exhaust" not in name and "egt" not in name


def _cut(drive: Drive) -> Flags:
    """Overrun by a closed throttle; by the pressure only together with a λ that says the fuel is cut."""
    cut, throttle = overrun(drive.rows, drive.axes), closed_throttle(drive.axes)
    lean = cut & (drive.sensor.values > OVERRUN_LAMBDA)
    return np.asarray(lean if throttle is None else lean | (cut & (throttle < CLOSED_PCT)))


def _tip_in(drive: Drive) -> Flags:
    rows, axes = drive.rows, drive.axes
    fast = np.zeros(len(rows.time_s), dtype=np.bool_)
    for values, most in ((axes.throttle_pct, TIP_IN_PCT_S), (axes.pressure_kpa, TIP_IN_KPA_S)):
        if values is not None and len(values) > 2:
            width = max(round(0.1 / rows.step_s), 1)
            rate = np.full(len(values), np.nan)
            rate[width:] = (values[width:] - values[:-width]) / (width * rows.step_s)
            fast |= np.abs(np.nan_to_num(rate)) > most
    return fast


def _misfire(lam: Floats, step: float) -> Flags:
    """λ that no firing engine shows, or that jumps above what it was: oxygen of a cycle that did not burn."""
    from scipy import ndimage

    filled = np.where(np.isfinite(lam), lam, np.nanmedian(lam) if np.isfinite(lam).any() else 1.0)
    usual = ndimage.median_filter(filled, max(round(2.0 / step) | 1, 3), mode="nearest")
    lean = (filled > LEAN_LIMIT) | (filled > usual + JUMP)
    return np.asarray(
        ndimage.binary_dilation(lean, np.ones(2 * max(round(AROUND_JUMP_S / step), 1) + 1, dtype=np.bool_))
    )


def _widened(out: Flags, after_s: float, step: float) -> Flags:
    """Also the time behind each stretch."""
    count = max(round(after_s / step), 1)
    ahead = np.concatenate((np.zeros(count, dtype=np.int64), np.cumsum(out, dtype=np.int64)))
    total = np.cumsum(out, dtype=np.int64)
    return np.asarray(out | (total > ahead[: len(total)]))
