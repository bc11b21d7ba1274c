"""The λ sensors of a session: what they read, whether they measure anything, and how late.

A sensor that says the same through fuel cuts and changes of speed measures nothing, whatever it says, and one on its
rail says no more than 'beyond'. Neither may move a fuel table.
"""

from dataclasses import dataclass

import numpy as np

from stream.car import Channel
from stream.errors import InputError
from stream.findings import Finding, note, warning
from stream.live.steadiness import runs_of
from stream.study.dataset import Dataset, EvenRows
from stream.study.tables.load_axis import RUNNING_RPM, LoadAxes
from stream.units import Flags, Floats, plain_unit

_LAMBDA_UNITS = ("", "1", "-", "λ", "lambda", "la")
LEAST_LAMBDA = 0.6  # below, no mixture burns and no sensor reads: a voltage, or another quantity
NOT_READY = 0.002  # chosen: a sensor that is not ready shows one value, to its last digit
MOST_LAMBDA = 2.2  # above what sensors show in air while logging λ; higher is a ratio or a voltage
STILL = 0.0007  # chosen: less than any display flickers by; a live λ wanders by 0.01 and more
TWO_LEVELS = 0.012  # a sensor that shows two neighbouring steps and no other flickers
STILL_S = 10.0
LIVE_RANGE = 0.03  # chosen: from one fuel cut alone a live λ moves by ten times as much
ANSWERS = (3, 0.25)  # chosen: of so many fuel cuts and more, the least share in which λ must change by LIVE_RANGE
FOLLOWS = (0.06, 0.02)  # wanted λ spread by this much, and λ smoothed over a second by less than that
DROP = 0.1  # chosen: λ cannot fall and come back by so much within DROP_S: exhaust gas mixes on its way
DROP_S, DROP_LEAST_HZ = 0.15, 20.0
DROP_AROUND_S = 0.2  # the live filter and the rows' means carry a drop so far
DROPS_SAID = 0.002  # of the samples
RAIL_S, RAIL_HOLD_S = 1.5, 4.0  # at its end at least so long while speed changes, or so long whatever
APART = 0.03  # of two sensors; common practice, no source: wideband sensors are good to 0.01 or 0.02
COARSE_MOST = 0.1
SAMPLES_LOOKED_AT = 2_000_000

CUT_RPM = 1300.0
CUT_S = 1.5
CLOSED_PCT = 2.0  # of throttle, above the least seen; common practice, no source
CLOSED_STOP_PCT = 10.0  # the most that a closed throttle is logged as
CUT_KPA = 35.0  # where there is no throttle channel


@dataclass(frozen=True, slots=True)
class Sensor:
    """λ of one session on its rows, (rows,): the leaner of those sensors that measure.

    values     NaN where nothing was read
    still      rows in which it stands still while the engine does not, or lies on its rail
    dead       it measures nothing in this session
    step       the least step that it resolves, 0 where that is fine
    """

    values: Floats
    still: Flags
    dead: bool
    step: float
    findings: tuple[Finding, ...]


# chosen: half a second holds enough samples to tell a rail from a passing extreme; a fifth of them at exactly one value
# while at least five others differ is no scatter of a live sensor
END_WINDOW_S, END_SHARE, END_DISTINCT, END_LEAST = 0.5, 0.2, 5, 100


def read_sensor(data: Dataset, rows: EvenRows, axes: LoadAxes, wanted: Floats, stoichiometric: float) -> Sensor:
    """All λ channels of a session as one. `wanted` λ on the rows. Raises InputError where a channel is no λ."""
    channels = data.recorded("lambda")
    if not channels:
        data.car.need("lambda", "a study of the mixture")
        raise InputError(
            f"{data.path}: the λ channel of its car file was not recorded; log it, or leave this session out"
        )
    findings: list[Finding] = []
    read = [_values(data, rows, one, stoichiometric, findings) for one in channels]
    states = [_state(values, step, rows, axes, wanted) for values, step in read]
    live = [place for place, (dead, _) in enumerate(states) if not dead]
    for place, (dead, _) in enumerate(states):
        if dead:
            level = float(np.nanmedian(read[place][0]))
            findings.append(warning("lambda-stuck", channel=channels[place].name, session=data.path.name, level=level))
    used = live or list(range(len(channels)))
    values = np.stack([read[place][0] for place in used])
    known = np.isfinite(values)
    leaner = np.where(known.any(axis=0), np.where(known, values, -np.inf).max(axis=0), np.nan)
    for other in used[1:]:
        apart = np.abs(read[used[0]][0] - read[other][0])
        apart = apart[np.isfinite(apart)]
        if len(apart) and float(np.median(apart)) > APART:
            names = (channels[used[0]].name, channels[other].name)
            findings.append(
                warning("lambda-sensors-differ", channels=names, apart=float(np.median(apart)), session=data.path.name)
            )
    still = np.logical_or.reduce([states[place][1] for place in used])
    still |= np.logical_or.reduce([_at_an_end(data, rows, channels[place]) for place in used])
    for place in used:
        share, near = _drops(data, rows, channels[place], stoichiometric)
        still |= near
        if share > DROPS_SAID:
            findings.append(
                warning("lambda-drops-out", channel=channels[place].name, session=data.path.name, share_pct=100 * share)
            )
    step = max(read[place][1] for place in used)
    if step >= 0.01:
        findings.append(note("lambda-coarse", step=step, session=data.path.name))
    return Sensor(leaner, still, not live, step, tuple(findings))


def closed_throttle(axes: LoadAxes) -> Floats | None:
    """Throttle above closed, %, or None. Closed is the least seen where that may be a stop; else 0."""
    values = axes.throttle_pct
    if values is None:
        return None
    least, most = np.nanpercentile(values, [1, 99])
    return np.asarray(values - least) if least < CLOSED_STOP_PCT and most > least + CLOSED_STOP_PCT else values


def overrun(rows: EvenRows, axes: LoadAxes) -> Flags:
    """Rows in which the car drives the engine and a controller may cut the fuel.

    A throttle that reads 15 % where it is closed is told by its least value together with a low manifold pressure.
    """
    fast, throttle = rows.speed_rpm > CUT_RPM, closed_throttle(axes)
    low = np.zeros(len(fast), dtype=np.bool_) if axes.pressure_kpa is None else axes.pressure_kpa < CUT_KPA
    if throttle is None:
        return np.asarray(fast & low)
    least, most = np.nanpercentile(throttle, [1, 99])
    at_least = (throttle < least + CLOSED_PCT) & bool(most > least + CLOSED_STOP_PCT)
    return np.asarray(fast & ((throttle < CLOSED_PCT) | (low & at_least)))


def _values(
    data: Dataset, rows: EvenRows, channel: Channel, stoichiometric: float, findings: list[Finding]
) -> tuple[Floats, float]:
    """(λ on the rows, least step). Raises InputError where the channel cannot be λ."""
    where, unit = f"{data.path}: channel {channel.name!r}", plain_unit(channel.unit)
    afr = is_ratio(channel)
    if not afr and unit not in _LAMBDA_UNITS:
        raise InputError(
            f'{where} is in {channel.unit}; give it in λ (unit "") or AFR, by the sensor\'s own scale', "lambda-unit"
        )
    values = rows.channels[channel.name].copy()
    below = np.flatnonzero(values < 0)
    if len(below):
        raise InputError(
            f"{where} is {values[below[0]]:.3g} at {rows.time_s[below[0]]:.1f} s: λ is never below zero; mend the "
            "sensor's scale"
        )
    values[values == 0] = np.nan  # how a controller logs a sensor that is not ready
    seen = np.isfinite(values) & (rows.speed_rpm > RUNNING_RPM)
    middle = float(np.median(values[seen])) if seen.any() else 1.0
    if not afr and middle > 5:
        raise InputError(f'{where} is about {middle:.3g}: an air-fuel ratio; write unit = "AFR" in the car file')
    if afr:
        values, middle = values / stoichiometric, middle / stoichiometric
        findings.append(note("lambda-from-ratio", channel=channel.name, stoichiometric=stoichiometric))
    below_all = values < LEAST_LAMBDA
    if below_all.any() and float(np.ptp(values[below_all])) <= NOT_READY:
        values[below_all] = np.nan  # one value while it warms up, beyond what it can measure
        seen &= ~below_all
    low = float((values[seen] < LEAST_LAMBDA).mean()) if seen.any() else 0.0
    if low > 0.02 or middle > MOST_LAMBDA:
        raise InputError(
            f"{where} reads λ {middle:.3g} in the middle and is below {LEAST_LAMBDA:g} in {100 * low:.0f} % of the "
            "rows: no λ, perhaps the sensor's voltage; write what it is in the car file, by the sensor's own scale"
        )
    scale = 1 / stoichiometric if afr else 1.0
    return values, min(_least_step(data, channel) * scale, COARSE_MOST)


def _drops(data: Dataset, rows: EvenRows, channel: Channel, stoichiometric: float) -> tuple[float, Flags]:
    """(share of the samples that are far below those just before and just behind, rows near one): a loose plug."""
    from scipy import ndimage

    near = np.zeros(len(rows.time_s), dtype=np.bool_)
    if data.rate_hz < DROP_LEAST_HZ or data.rows < 3:
        return 0.0, near
    deep = DROP * (stoichiometric if is_ratio(channel) else 1.0)
    width = max(round(DROP_S * data.rate_hz), 1)
    count = 0
    for start in range(0, data.rows, SAMPLES_LOOKED_AT):
        raw = data.session.raw(channel.name, start, start + SAMPLES_LOOKED_AT).astype(np.float64)
        known = np.where(np.isfinite(raw), raw, -np.inf)
        edge = np.full(width, -np.inf)
        highest = np.lib.stride_tricks.sliding_window_view(np.concatenate([edge, known, edge]), width).max(axis=1)
        before, behind = highest[: len(known)], highest[width + 1 :]
        low = np.isfinite(known) & (known < np.minimum(before, behind) - deep)
        count += int(low.sum())
        place = (np.flatnonzero(low) + start) / data.rate_hz
        near[np.clip(np.searchsorted(rows.time_s, place), 0, len(near) - 1)] = True
    reach = round(DROP_AROUND_S / rows.step_s) + 1
    return count / data.rows, np.asarray(ndimage.binary_dilation(near, np.ones(2 * reach + 1, dtype=np.bool_)))


def _at_an_end(data: Dataset, rows: EvenRows, channel: Channel) -> Flags:
    """Rows in which many raw samples are exactly the least or the greatest of the session while the others scatter: a
    rail under one-sided noise, which means over a row would hide. Coarse values are not meant: they repeat anywhere."""
    railed = np.zeros(len(rows.time_s), dtype=np.bool_)
    raw = data.session.raw(channel.name).astype(np.float64)
    known = np.isfinite(raw)
    width = max(round(END_WINDOW_S * data.rate_hz), 1)
    if known.sum() < END_LEAST or width < END_DISTINCT:
        return railed
    windows = len(raw) // width
    parts = np.where(known, raw, np.nan)[: windows * width].reshape(windows, width)
    distinct = (np.diff(np.sort(parts, axis=1), axis=1) > 0).sum(axis=1)
    for end in (float(raw[known].min()), float(raw[known].max())):
        caught = ((parts == end).mean(axis=1) >= END_SHARE) & (distinct >= END_DISTINCT)
        for window in np.flatnonzero(caught):
            times = np.array([window, window + 1]) * width / data.rate_hz
            railed[slice(*np.searchsorted(rows.time_s, times))] = True
    return railed


def is_ratio(channel: Channel) -> bool:
    """Whether a channel is an air-fuel ratio."""
    unit = plain_unit(channel.unit)
    return "afr" in unit or unit in ("a/f", "air/fuel")


def _least_step(data: Dataset, channel: Channel) -> float:
    """What neighbouring values of a channel differ by where few values make up most of it; else 0."""
    start = max((data.rows - SAMPLES_LOOKED_AT) // 2, 0)
    raw = data.session.raw(channel.name, start, start + SAMPLES_LOOKED_AT).astype(np.float64)
    raw = raw[np.isfinite(raw) & (raw > 0)]
    values, counts = np.unique(np.round(raw, 5), return_counts=True)
    order = np.argsort(counts)[::-1]
    needed = int(np.searchsorted(np.cumsum(counts[order]), 0.8 * len(raw))) + 1
    if len(values) < 2 or needed > 150 or len(raw) < 20 * needed:
        return 0.0
    common = np.sort(values[order[: max(needed, 2)]])
    return float(np.diff(common).min())


def _state(values: Floats, step: float, rows: EvenRows, axes: LoadAxes, wanted: Floats) -> tuple[bool, Flags]:
    """(measures nothing, rows in which it stands still or lies on its rail)."""
    from scipy import ndimage

    running = np.isfinite(values) & (rows.speed_rpm > RUNNING_RPM)
    cut = overrun(rows, axes)
    still = _frozen(values, rows, axes)
    railed = _railed(values, step, rows, running)
    judged = running & ~cut
    if not judged.any():
        return False, still | railed
    seen = values[running]
    moved = float(np.ptp(np.percentile(seen, [1, 99]))) >= LIVE_RANGE
    never = float(np.ptp(seen)) <= STILL and len(seen) * rows.step_s >= STILL_S
    cuts = [slice(*cut) for cut in runs_of(cut & np.isfinite(values)) if (cut[1] - cut[0]) * rows.step_s >= CUT_S]
    moved |= any(float(np.ptp([*values[part], np.median(seen)])) >= LIVE_RANGE for part in cuts)
    answered = [_answers(values, part, rows) for part in cuts]
    deaf = len(cuts) >= ANSWERS[0] and sum(answered) < ANSWERS[1] * len(cuts)
    follows = True
    asked = wanted[judged & np.isfinite(wanted)]
    if len(asked) and float(np.ptp(np.percentile(asked, [5, 95]))) > FOLLOWS[0]:
        width = max(round(1.0 / rows.step_s), 1)
        smooth = ndimage.uniform_filter1d(np.where(np.isfinite(values), values, np.median(seen)), width)
        follows = float(np.ptp(np.percentile(smooth[judged], [2.5, 97.5]))) >= FOLLOWS[1]
    levels = np.unique(np.round(seen, 5))
    flickers = len(levels) <= 2 and float(np.ptp(levels)) <= TWO_LEVELS and _engine_moved(slice(None), rows, axes)
    silent_in_cuts = len(cuts) >= 2 and not moved
    frozen = float(still[judged].mean()) > 0.5
    return never or flickers or silent_in_cuts or deaf or not follows or frozen, still | railed


def _answers(values: Floats, cut: slice, rows: EvenRows) -> bool:
    """Whether λ is another one in a fuel cut, or just behind it, than before it."""
    before = values[max(cut.start - round(2.0 / rows.step_s), 0) : cut.start]
    during = values[cut.start + round(0.5 / rows.step_s) : cut.stop + round(1.0 / rows.step_s)]
    if not np.isfinite(before).any() or not np.isfinite(during).any():
        return True
    level = float(np.nanmedian(before))
    return abs(float(np.nanmedian(during)) - level) >= LIVE_RANGE


def _frozen(values: Floats, rows: EvenRows, axes: LoadAxes) -> Flags:
    """Rows of stretches in which λ stands still for ten seconds and more while speed or load does not."""
    from scipy import ndimage

    count = len(values)
    width = min(max(round(STILL_S / rows.step_s), 5) | 1, count if count % 2 else count - 1)
    if width < 3:
        return np.zeros(count, dtype=np.bool_)
    known = np.isfinite(values)
    high = ndimage.maximum_filter1d(np.where(known, values, -np.inf), width)
    low = ndimage.minimum_filter1d(np.where(known, values, np.inf), width)
    with np.errstate(invalid="ignore"):
        quiet = (high - low <= STILL) & (high >= low)
    quiet = np.asarray(ndimage.binary_dilation(quiet, np.ones(width, dtype=np.bool_)))
    frozen = np.zeros(count, dtype=np.bool_)
    for first, last in runs_of(quiet):
        if _engine_moved(slice(first, last), rows, axes):
            frozen[first:last] = True
    return frozen


def _engine_moved(part: slice, rows: EvenRows, axes: LoadAxes, rpm_ratio: float = 1.15) -> bool:
    speed = rows.speed_rpm[part]
    speed = speed[np.isfinite(speed)]
    if len(speed) and float(speed.max()) > rpm_ratio * max(float(speed.min()), 1.0):
        return True
    for values, least in ((axes.pressure_kpa, 15.0), (axes.throttle_pct, 20.0)):
        if values is not None:
            seen = values[part][np.isfinite(values[part])]
            if len(seen) and float(np.ptp(seen)) > least:
                return True
    return False


def _railed(values: Floats, step: float, rows: EvenRows, running: Flags) -> Flags:
    """Rows in which λ lies exactly at the end of what it shows, for longer than a live one does."""
    railed = np.zeros(len(values), dtype=np.bool_)
    if not running.any():
        return railed
    for end in (float(values[running].min()), float(values[running].max())):
        at_end = running & (np.abs(values - end) <= max(0.001, 0.4 * step))
        for first, last in runs_of(at_end):
            part = slice(first, last)
            seconds = (last - first) * rows.step_s
            if seconds < RAIL_S or float(np.ptp(values[part])) > 0.001:
                continue
            speed = rows.speed_rpm[part]
            if seconds >= RAIL_HOLD_S or float(np.nanmax(speed)) > 1.05 * float(np.nanmin(speed)):
                railed[part] = True
    return railed
