"""One logged knock channel: what kind of signal it is, and in which rows it shows knock, quiet, or nothing at all.

What a knock channel is differs from controller to controller:

event   a count, a retard in degrees, a flag: it rests at zero while all is quiet, and anything else is knock
level   a voltage, counts of a converter, dB: never zero, and it rises with speed; held against the quietest stretch
mixed   rests at zero some of the time: what is not zero is knock, and zero proves nothing

A rise of the noise with speed is told from knock by three things. The noise of a turning engine is there whether it
pulls or not, so a stretch at the same speed with less load bounds it. It grows no faster than speed from one band to
the next. And it does not jump. A level that the quietest stretch does not explain is knock where it is LOUD times as
high, and unknown below that. One that falls below the quietest light load at this speed or less is unknown too: the
noise of an engine does not fall when it turns faster and works harder, so a wire broke, or the channel counts from the
other end (headroom to a threshold, a multiplier of the advance).
"""

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from stream.car import Channel
from stream.study.dataset import Dataset
from stream.units import Flags, Floats, Ints

# Times the quietest level. chosen: 3.5 dB, well below the 1.9 times at which a level was loud and went unseen
LOUD = 1.5
RAISED = 1.35  # times the quietest level: no longer known to be quiet. chosen: the noise of 20 Hz logs stays below
# times: a level that differs by less is the same. chosen: below the 1.03 times by which 0.08 V of knock lift a level
# that rests on 2.5 V, the middle of a converter
STEADY = 1.01
SPREADS = 6.0  # usual spreads above the middle; measured: peaks of normal noise reach 4 to 5 in some hundred rows
RETARD_LEAST_DEG = 0.2  # chosen: tables seldom resolve less
MOST_BLANK_S = 0.25  # a hole shorter than this hides no band: a pull takes about half a second for one
RESTS = 0.5  # share of samples at exactly zero from which a channel rests there
NEVER_RESTS = 0.02  # share below which it does not
LONG_RUN_S = 3.0  # a count or a retard is not restless for longer
LEAST_VISIT = 3  # rows
ON_RAIL = 0.04  # share of samples on the same extreme as the one before. chosen: noise of a few steps stays below
# how the unit of a retard begins: deg, degrees crank, °CA, grad. Common practice, no source
DEGREES = ("deg", "°", "grad", "grd", "crank")
Kind = Literal["blank", "flat", "event", "mixed", "level"]
QUIET, SEEN, BLANK, FLAT, RAISED_HERE, RAILED, SLOW, UNSURE, FALLEN, ECHO = range(10)
WHY = {
    BLANK: "blank",
    FLAT: "flat",
    RAISED_HERE: "raised",
    RAILED: "railed",
    SLOW: "slow",
    UNSURE: "unsure",
    FALLEN: "fallen",
    ECHO: "echo",
}


@dataclass(frozen=True, slots=True)
class KnockLog:
    """A knock channel of one session on even rows.

    high, mean   (n,) of the samples of each row, as an amplitude (level) or as a distance from rest (event); NaN: blank
    railed       (n,) a sample lay on or beyond an end of the channel's range, or on its own rail
    over         (n,) a sample passed a [[limit]]
    interval_s   how often the channel really says something new
    sure         whether quiet rows of it may count as quiet at all
    """

    name: str
    unit: str
    kind: Kind
    high: Floats
    mean: Floats
    railed: Flags
    over: Flags
    interval_s: float
    sure: bool
    step_s: float


def read_knock(data: Dataset, channel: Channel, step_s: float, count: int) -> KnockLog:
    """The channel's raw samples, all of them, on `count` rows of `step_s`. Raises InputError for a damaged file."""
    file, limits = data.session, [one for one in data.car.limit if one.channel == channel.name]
    raw = file.raw(channel.name).astype(np.float64)
    place = np.minimum(file.sample_index() // max(round(step_s * file.rate_hz), 1), count).astype(np.intp)
    good = np.isfinite(raw)
    values, place = raw[good], place[good]
    over = np.zeros(len(values), dtype=bool)
    for limit in limits:
        over |= (values > limit.above) if limit.above is not None else False
        over |= (values < limit.below) if limit.below is not None else False
    kind, size, sure = _kind(values, channel, file.rate_hz)
    railed = np.zeros(len(values), dtype=bool)
    if kind == "level":
        railed = _on_rail(values, channel)
    interval = _interval(size if kind != "level" else values, kind) / file.rate_hz
    if len(place) > 1:  # a channel that has a value now and then only
        interval = max(interval, float(np.median(np.diff(np.flatnonzero(good)))) / file.rate_hz)
    high, total, hits = np.full(count + 1, -np.inf), np.zeros(count + 1), np.zeros(count + 1)
    np.maximum.at(high, place, size)
    np.add.at(total, place, size)
    np.add.at(hits, place, 1.0)
    seen = hits[:count] > 0
    return KnockLog(
        channel.name,
        channel.unit,
        kind,
        np.where(seen, high[:count], np.nan),
        np.where(seen, total[:count] / np.maximum(hits[:count], 1), np.nan),
        _any(railed, place, count),
        _any(over, place, count),
        interval,
        sure,
        step_s,
    )


def states(logs: list[KnockLog], rpm: list[Floats], light: list[Flags], width: float) -> list[tuple[Ints, Floats]]:
    """For each log of one channel its rows' state (QUIET, SEEN or a reason why it is not known), and their size: how
    many times the quietest level (level), or how far from rest (event).

    rpm     engine speed of the rows;  light   rows at which the engine does not work hard
    """
    level = [row for row, log in enumerate(logs) if log.kind == "level"]
    floor = _Floor([(logs[row], rpm[row], light[row]) for row in level], width)
    return [
        _level_state(log, speed, floor) if log.kind == "level" else _event_state(log)
        for log, speed in zip(logs, rpm, strict=True)
    ]


def _event_state(log: KnockLog) -> tuple[Ints, Floats]:
    state = np.full(len(log.high), QUIET if log.sure else UNSURE, dtype=np.intp)
    if log.kind in ("blank", "flat"):
        state[:] = BLANK if log.kind == "blank" else FLAT
    elif log.sure and log.interval_s > MOST_BLANK_S:
        state[:] = SLOW
    state[~np.isfinite(log.high)] = BLANK
    if log.kind in ("event", "mixed"):
        state[np.nan_to_num(log.high) > 0] = SEEN
    return state, log.high


def _level_state(log: KnockLog, rpm: Floats, floor: "_Floor") -> tuple[Ints, Floats]:
    state = np.full(len(log.high), QUIET if log.sure else UNSURE, dtype=np.intp)
    if log.sure and log.interval_s > MOST_BLANK_S:
        state[:] = SLOW
    times, quiet = floor.judge(log, rpm)
    state[~quiet & (state == QUIET)] = RAISED_HERE
    state[floor.fallen(log, rpm) & np.isin(state, (QUIET, RAISED_HERE))] = FALLEN
    state[log.railed & (state == QUIET)] = RAILED
    state[(state == RAISED_HERE) & ~np.isfinite(rpm)] = BLANK  # held against nothing: a hole, short or long
    state[_still(log)] = FLAT
    state[np.nan_to_num(times) > LOUD] = SEEN
    state[~np.isfinite(log.high)] = BLANK
    return state, times


class _Floor:
    """The noise that the quietest stretches show, band by band: what all logs of one channel hold together."""

    def __init__(self, logs: list[tuple[KnockLog, Floats, Flags]], width: float) -> None:
        self.width = width
        visits = [visit for log, rpm, light in logs for visit in _visits(log, rpm, light, width)]
        quietest: dict[int, _Visit] = {}
        light_too: set[int] = set()
        for visit in visits:
            if visit.light:
                light_too.add(visit.band)
            if visit.band not in quietest or visit.high < quietest[visit.band].high:
                quietest[visit.band] = visit
        # the noise of stretches that are about as quiet as the quietest: knock is restless, and must not excuse itself
        quiet = [visit for visit in visits if visit.high <= RAISED * quietest[visit.band].high]
        self.tolerance = _tolerance([visit.spread for visit in quiet])
        self.mean_tolerance = _tolerance([visit.mean_spread for visit in quiet])
        lightest: list[tuple[float, float]] = []
        for rpm, mean in sorted((visit.rpm, visit.mean) for visit in visits if visit.light):
            least = lightest[-1][1] if lightest else mean
            if mean >= least / min(self.mean_tolerance, RAISED):  # one that fell away bounds nothing
                lightest.append((rpm, min(mean, least)))
        self.light_rpm = np.array([rpm for rpm, _ in lightest])
        self.light_mean = np.array([mean for _, mean in lightest])
        self.reference: dict[int, tuple[float, float, float, bool]] = {}  # band: rpm, high, mean, explained
        if quietest:
            self._walk(quietest, light_too)

    def _walk(self, quietest: "dict[int, _Visit]", light_too: set[int]) -> None:
        """From the quietest band outward: a band is explained where its own quietest stretch is as quiet as the band
        before it lets one expect."""
        start = min(quietest, key=lambda band: quietest[band].high)
        first = quietest[start]
        self.reference[start] = (first.rpm, first.high, first.mean, True)
        above = sorted(band for band in quietest if band > start)
        below = sorted((band for band in quietest if band < start), reverse=True)
        for bands in (above, below):
            rpm, high, mean, last = first.rpm, first.high, first.mean, start
            broken = False
            for band in bands:
                own = quietest[band]
                by_speed = max(own.rpm / rpm, 1.0)
                # across bands that nothing was seen in, and with no stretch at less load, noise may not grow at all
                grow = by_speed if band in light_too and abs(band - last) <= 2 and not broken else 1.0
                if self._explains(own, high * grow, mean * grow):
                    rpm, high, mean, last, broken = own.rpm, own.high, own.mean, band, False
                    self.reference[band] = (rpm, high, mean, True)
                else:
                    # louder than explained permits nothing; what speed alone may bring is no knock either
                    self.reference[band] = (own.rpm, high * by_speed, mean * by_speed, False)
                    # a band that only pulls passed proves nothing of the next, unless it is louder than speed makes it
                    broken |= band in light_too or not self._explains(own, high * by_speed, mean * by_speed)

    def _explains(self, own: "_Visit", high: float, mean: float) -> bool:
        return own.high <= high * self.tolerance and own.mean <= mean * self.mean_tolerance

    def judge(self, log: KnockLog, rpm: Floats) -> tuple[Floats, Flags]:
        """(times the reference, whether that is quiet) of each row; NaN and False where there is no reference."""
        times, quiet = np.full(len(rpm), np.nan), np.zeros(len(rpm), dtype=bool)
        band = _band(rpm, self.width)
        mean = _smooth(log.mean)
        for number, (at, high, level, explained) in self.reference.items():
            rows = np.flatnonzero(band == number)
            if not len(rows) or not high > 0 or not level > 0:
                continue
            grow = np.maximum(rpm[rows] / at, 1.0)
            peaks, means = log.high[rows] / (high * grow), mean[rows] / (level * grow)
            times[rows] = np.fmax(peaks, means)
            quiet[rows] = (
                explained & (peaks <= min(self.tolerance, RAISED)) & (means <= min(self.mean_tolerance, RAISED))
            )
        return times, quiet

    def fallen(self, log: KnockLog, rpm: Floats) -> Flags:
        """Rows whose level lies below that of every stretch at light load and at the same speed or less."""
        if not len(self.light_rpm):
            return np.zeros(len(rpm), dtype=bool)
        place = np.searchsorted(self.light_rpm, np.nan_to_num(rpm, nan=-np.inf), side="right") - 1
        least = np.where(place >= 0, self.light_mean[np.maximum(place, 0)], -np.inf)
        return np.asarray(_smooth(log.mean) < least / min(self.mean_tolerance, RAISED))


@dataclass(frozen=True, slots=True)
class _Visit:
    """One passage through a band: middle of its rows' peaks and means, and what the rows differ from it by, as a share.

    spread, mean_spread   (rows,)
    """

    band: int
    rpm: float
    high: float
    mean: float
    spread: Floats
    mean_spread: Floats
    light: bool


def _visits(log: KnockLog, rpm: Floats, light: Flags, width: float) -> list[_Visit]:
    band = np.where(np.isfinite(log.high) & ~log.railed & ~_still(log), _band(rpm, width), -1)
    edges = np.concatenate(([0], np.flatnonzero(np.diff(band)) + 1, [len(band)]))
    found = []
    for first, last in pairwise(edges):
        if band[first] < 0 or last - first < LEAST_VISIT:
            continue
        rows = slice(first, last)
        high, mean = float(np.median(log.high[rows])), float(np.median(log.mean[rows]))
        if not (high > 0 and mean > 0):
            continue
        found.append(
            _Visit(
                int(band[first]),
                float(np.median(rpm[rows])),
                high,
                mean,
                log.high[rows] / high - 1,
                log.mean[rows] / mean - 1,
                bool(light[rows].all()),
            )
        )
    return found


def _tolerance(spread: list[Floats]) -> float:
    """How many times the middle of quiet rows noise alone reaches; 1.4826: median deviation to a normal spread."""
    if not spread:
        return STEADY
    return max(STEADY, 1 + SPREADS * 1.4826 * float(np.median(np.abs(np.concatenate(spread)))))


def _band(rpm: Floats, width: float) -> Ints:
    return np.where(np.isfinite(rpm) & (rpm > 0), np.floor(np.nan_to_num(rpm) / width), -1).astype(np.intp)


def _smooth(values: Floats) -> Floats:
    """Mean of three rows, where they are there: one restless row is no level."""
    padded = np.pad(values, 1, mode="edge") if len(values) else np.zeros(2)
    three = np.stack([padded[:-2], padded[1:-1], padded[2:]])
    seen = np.isfinite(three)
    return np.where(seen.any(axis=0), np.where(seen, three, 0.0).sum(axis=0) / np.maximum(seen.sum(axis=0), 1), np.nan)


def _still(log: KnockLog) -> Flags:
    """Rows within a stretch of a quarter of a second or more in which the level did not move at all."""
    same = (np.diff(log.high) == 0) & (np.diff(log.mean) == 0)
    still = np.zeros(len(log.high), dtype=bool)
    if not len(same):
        return still
    edges = np.flatnonzero(np.diff(np.concatenate(([0], same.astype(np.int8), [0]))))
    least = max(round(MOST_BLANK_S / log.step_s), 2)
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        if last - first + 1 > least:
            still[first : last + 1] = True
    return still


def _kind(values: Floats, channel: Channel, rate_hz: float) -> tuple[Kind, Floats, bool]:
    """(kind, amplitude of a level or distance from rest, whether quiet may be believed)."""
    if not len(values):
        return "blank", values, False
    spread = float(values.max() - values.min())
    if spread == 0:
        return "flat", np.abs(values), False
    unit = channel.unit.strip().lower()
    if unit.startswith(DEGREES):
        away = np.where(np.abs(values) > RETARD_LEAST_DEG, np.abs(values), 0.0)
        return ("event", away, _rests(away, rate_hz)) if away.any() else ("flat", away, False)
    steps = np.diff(values)
    distinct = np.unique(values[: 1 << 20])
    if (distinct == np.round(distinct)).all() and (steps >= 0).all() and len(np.unique(values)) > 2:
        return "event", np.concatenate(([0.0], steps)), True  # a counter that only ever rises: its steps are knock
    if len(np.unique(values)) == 2:
        rest = values.min() if (values == values.min()).mean() >= RESTS else values.max()
        return "event", np.abs(values - rest), bool(rest == 0) and _rests(np.abs(values), rate_hz)
    zero = float((values == 0).mean())
    if zero >= RESTS:
        return "event", np.abs(values), _rests(np.abs(values), rate_hz)
    if zero > NEVER_RESTS:
        return "mixed", np.abs(values), False
    if unit.startswith(("db", "decibel")):
        return "level", np.asarray(10 ** (np.clip(values, -300.0, 300.0) / 20)), True
    return "level", np.abs(values), bool(values.max() > 0)


def _rests(away: Floats, rate_hz: float) -> bool:
    """Whether a channel that rests at zero most of the time is away from it only as a count or a retard is: a level
    whose wire fell off is zero for a long time, and restless for as long before that."""
    if float((away == 0).mean()) < RESTS:
        return False
    busy = away > 0
    edges = np.flatnonzero(np.diff(np.concatenate(([0], busy.astype(np.int8), [0]))))
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        if (last - first) / rate_hz > LONG_RUN_S and (np.diff(away[first:last]) != 0).mean() > 0.5:
            return False
    return True


def _on_rail(values: Floats, channel: Channel) -> Flags:
    """Samples on or beyond an end of the range; without a range, on an own extreme that it stays on."""
    rail = np.zeros(len(values), dtype=bool)
    low, high = (-np.inf, np.inf) if channel.range is None else channel.range
    rail |= (values <= low) | (values >= high)
    for end in (values.min(), values.max()):
        on = values == end
        if (on[1:] & on[:-1]).mean() > ON_RAIL:
            rail |= on
    return rail


def _interval(values: Floats, kind: Kind) -> float:
    """Samples between two moments at which the channel says something new: a value that is held, or drawn straight
    between two, says nothing in between."""
    if kind in ("blank", "flat") or len(values) < 4:
        return 1.0
    bend = np.abs(np.diff(values, 2))
    new = np.flatnonzero(bend > 1e-5 * (values.max() - values.min())) + 1
    if len(new) < 2:
        return float(len(values))
    gaps = np.diff(new)
    if kind == "level":
        return float(np.median(gaps[gaps > 1])) if (gaps > 1).mean() > 0.4 else 1.0
    edges = np.flatnonzero(np.diff(np.concatenate(([0], (values > 0).astype(np.int8), [0]))))
    longest = [
        inside.max()
        for first, last in zip(edges[::2], edges[1::2], strict=True)
        if len(inside := np.diff(new[slice(*np.searchsorted(new, [first - 1, last + 1]))]))
    ]
    return float(min(longest)) if longest else 1.0


def _any(flag: Flags, place: Ints, count: int) -> Flags:
    hits = np.bincount(place[flag], minlength=count + 1)[:count]
    return np.asarray(hits > 0)
