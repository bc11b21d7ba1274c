"""The link as a whole: the height of a strong pull, what a bounce, a brake or a turn does to it (cross-talk), and
vibration against the live low-pass.

Known weights and shunt steps are read here from a session's raw load samples.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
import numpy.typing as npt

from stream.calibrate.link.bridge import ForceFit, fit_weights
from stream.calibrate.link.zero import batch_sem
from stream.errors import InputError
from stream.events import Event
from stream.live.filters import cutoff_for
from stream.live.pull_faults import TIP_IN_S
from stream.live.records import Pull
from stream.live.steadiness import runs_of
from stream.record.session import Session
from stream.study.dataset import Dataset, open_dataset
from stream.study.edit import standing
from stream.study.survey.records import CrossTalk, LoadSurvey
from stream.study.survey.speed import line_of
from stream.study.survey.tally import Stretches
from stream.study.survey.vibration import find_firing, find_hop, passed
from stream.units import Floats

WORDS = {"bounce": ("bounce", "bump", "hop"), "brake": ("brake", "braking"), "turn": ("turn", "corner")}
FAULTS = {"bump": "bounce", "brake": "brake", "cornering": "turn"}
WEAK = {"part-throttle", "too-short", "lift", "gear-change"}  # faults of pulls that are no measure
BEFORE_S = 1.0
MARK_S = 3.0  # what was marked happens within this time of the mark
STEADY_S = 0.5
PULL_STEADY_S = 0.3
END_S = 0.2


def strong_pull(study: Dataset) -> float | None:
    """How high a strong pull stands above cruise, in the load's unit: the middle of the pulls' 90th percentiles."""
    time, load = study.time_s, study.load
    pulling = np.zeros(len(time), np.bool_)
    clean = [pull for pull in study.pulls if pull.verdict == "clean"]
    measure = clean or [pull for pull in study.pulls if not WEAK & set(pull.faults)]
    tops = []
    for pull in study.pulls:
        inside = slice(*np.searchsorted(time, [pull.start_s, pull.end_s]))
        pulling[inside] = True
        known = load[inside][np.isfinite(load[inside])]
        if pull in measure and len(known) >= 5:
            tops.append(float(np.quantile(known, 0.9)))
    rest = load[~pulling & np.isfinite(load)]
    if not tops or not len(rest):
        return None
    level = float(np.mean([zero.mean for zero in study.zeros])) if study.zeros else float(np.median(rest))
    height = float(np.median(tops)) - level
    return height if height > 0 else None


def cross_talk(study: Dataset, events: tuple[Event, ...], height: float | None) -> tuple[CrossTalk, str | None]:
    """What each thing does, and where that is known from: 'marks', 'pulls' or None."""
    if height is None:
        return CrossTalk(), None
    marked = _from_marks(study, events)
    if marked:
        return CrossTalk(**{kind: 100.0 * value / height for kind, value in marked.items()}), "marks"
    pulled = _from_pulls(study)
    if pulled:
        return CrossTalk(**{kind: 100.0 * value / height for kind, value in pulled.items()}), "pulls"
    return CrossTalk(), None


def _from_marks(study: Dataset, events: tuple[Event, ...]) -> dict[str, float]:
    found: dict[str, float] = {}
    time, load = study.time_s, study.load
    for event in events:
        kind = _kind_of(event.text) if event.kind in ("mark", "note") else None
        if kind is None:
            continue
        before = load[(time >= event.time_s - BEFORE_S) & (time < event.time_s)]
        behind = load[(time >= event.time_s) & (time < event.time_s + MARK_S)]
        before, behind = before[np.isfinite(before)], behind[np.isfinite(behind)]
        if len(before) < 3 or len(behind) < 3:
            continue
        value = _most(behind - float(np.median(before)), _rows(time, 0.0 if kind == "bounce" else STEADY_S))
        if abs(value) > abs(found.get(kind, 0.0)):
            found[kind] = value
    return found


def _kind_of(text: str) -> str | None:
    lower = text.lower()
    return next((kind for kind, words in WORDS.items() if any(word in lower for word in words)), None)


def _from_pulls(study: Dataset) -> dict[str, float]:
    """Departures of spoilt pulls from what the clean ones do at the same speeds."""
    clean = [_run(study, pull) for pull in study.pulls if pull.verdict == "clean"]
    clean = [run for run in clean if len(run[0]) > 10]
    found: dict[str, float] = {}
    if not clean:
        return found
    low, high = max(run[0][0] for run in clean), min(run[0][-1] for run in clean)
    for pull in study.pulls:
        kinds = [FAULTS[fault] for fault in pull.faults if fault in FAULTS]
        if len(kinds) != 1:
            continue
        rpm, load = _run(study, pull)
        if len(rpm) < 10:
            continue
        inside = (rpm >= low) & (rpm <= high)
        if np.count_nonzero(inside) < max(10, len(rpm) // 2):
            continue
        away = (load - np.median([np.interp(rpm, *run) for run in clean], axis=0))[inside]
        away -= float(np.median(away))
        value = _most(away, _rows(study.time_s, 0.0 if kinds[0] == "bounce" else PULL_STEADY_S))
        if abs(value) > abs(found.get(kinds[0], 0.0)):
            found[kinds[0]] = value
    return found


def _run(study: Dataset, pull: Pull) -> tuple[Floats, Floats]:
    """A pull's (rpm, load) by rising rpm, tip-in and end left out."""
    inside = slice(*np.searchsorted(study.time_s, [pull.start_s + TIP_IN_S, pull.end_s - END_S]))
    rpm, load = study.speed_rpm[inside].astype(np.float64), study.load[inside].astype(np.float64)
    known = np.isfinite(rpm) & np.isfinite(load)
    order = np.argsort(rpm[known], kind="stable") if pull.verdict == "clean" else slice(None)
    return rpm[known][order], load[known][order]


def _rows(time: npt.NDArray[np.float64], seconds: float) -> int:
    return max(1, round(seconds / max(float(np.median(np.diff(time))), 1e-6)))


def _most(away: Floats, rows: int) -> float:
    """The largest mean over `rows`, signed."""
    rows = min(rows, len(away))
    means = np.convolve(away, np.full(rows, 1.0 / rows), "valid")
    return float(means[np.argmax(np.abs(means))])


HOP_LEFT_PCT = 2.0  # of a strong pull: more of it shows in a curve
LOWEST_CUTOFF_HZ = 4.0  # a pull of 1 500 rpm/s needs this much for bands of 250 rpm


def load_survey(session: Session, study: Dataset, stretches: Stretches, events: tuple[Event, ...]) -> LoadSurvey:
    """The record of the load channel; the car has one, and it is in the session."""
    channel = study.car.need("load", "survey")
    column = session.info.names.index(channel.name)
    height = strong_pull(study)
    talk, talk_from = cross_talk(study, events, height)
    pulls = [(pull.start_s + 0.4, pull.end_s) for pull in study.pulls]
    holds = [(hold.start_s, hold.end_s) for hold in study.holds]
    hop = find_hop(stretches, column, pulls + holds)
    firing = None
    speed = study.car.by_role("engine_speed")
    if speed is not None and speed.name in session.info.names:
        line = line_of(study, speed)
        firing = find_firing(stretches, column, session.info.names.index(speed.name), pulls or holds, line)
    cutoff = cutoff_for(session.rate_hz, study.car.live.cutoff_hz)
    hop_pct = None if hop is None or height is None else 100.0 * hop.rms / height
    left = None if hop is None or hop_pct is None else hop_pct * passed(hop.hz, cutoff)
    advice = None
    if hop is not None and left is not None and left > HOP_LEFT_PCT:
        advice = max(LOWEST_CUTOFF_HZ, round(0.6 * hop.hz, 1))
    return LoadSurvey(
        name=channel.name,
        unit=session.info.channels[column].unit or channel.unit,
        strong_pull=height,
        cross_talk_pct=talk,
        cross_talk_from=talk_from,
        hop_hz=None if hop is None else hop.hz,
        u_hop_hz=None if hop is None else hop.u_hz,
        hop_rms=None if hop is None else hop.rms,
        hop_pct=hop_pct,
        hop_left_pct=left,
        firing_order=None if firing is None else firing.order,
        firing_amplitude=None if firing is None else firing.amplitude,
        firing_pct=None if firing is None or height is None else 100.0 * firing.amplitude / height,
        cutoff_hz=cutoff,
        cutoff_advice_hz=advice,
    )


_LEAST_N = 0.1  # no hung weight is known better
# Of a proposal, chosen: at most so many levels; quiet as a fifth of all stretches are, still within 2.5 of that.
MOST_LEVELS, QUIET_SHARE, STILL = 24, 0.2, 2.5


@dataclass(frozen=True, slots=True)
class Step:
    """Mean load of a stretch, in the link's unit, with its standard error."""

    start_s: float
    mean: float
    sem: float


def load_steps(path: str | Path, starts_s: Sequence[float], seconds: float, what: str) -> tuple[list[Step], str]:
    """The mean load of a stretch of so many seconds from each start, and the load's unit. Raises InputError."""
    with open_dataset(path) as data:
        return steps_in(data, starts_s, seconds, what)


def steps_in(data: Dataset, starts_s: Sequence[float], seconds: float, what: str) -> tuple[list[Step], str]:
    """`load_steps` of a session that is open. Raises InputError."""
    if not (np.isfinite(seconds) and seconds >= 1.0):
        raise InputError(
            f"{seconds:g} s is too short for a mean; give 1 or more", code="load-step-seconds", seconds=seconds
        )
    load = data.car.need("load", what)
    rows = [data.stretch(load, start, start + seconds, what) for start in starts_s]
    steps = [
        Step(start, float(values.mean()), batch_sem(values, data.rate_hz))
        for start, values in zip(starts_s, rows, strict=True)
    ]
    return steps, load.unit


@dataclass(frozen=True, slots=True)
class Level:
    """Load that stood still: where a stretch of it begins, and what it was, in the link's unit."""

    start_s: float
    mean: float


def levels_in(data: Dataset, seconds: float) -> list[Level]:
    """The stretches of `seconds` that a session proposes for a shunt or weights: one in the middle of each time that
    the load stood still at a level of its own while the car stood, in order of time. None where it never did."""
    load, time = data.load, data.time_s
    step = float(np.median(np.diff(time))) if len(time) > 1 else 0.0
    rows = round(seconds / step) if step > 0 else 0
    if rows < 5 or len(load) < 2 * rows:
        return []
    missing = ~standing(data)
    level = float(np.median(load[~missing])) if not missing.all() else 0.0
    plain = np.where(missing, 0.0, load - level)
    sums = [np.concatenate(([0.0], np.cumsum(part))) for part in (plain, plain**2, missing.astype(np.float64))]
    mean, square, lost = (part[rows:] - part[:-rows] for part in sums)
    mean, square = mean / rows, square / rows
    spread = np.where(lost > 0, np.inf, np.sqrt(np.maximum(square - mean**2, 0.0)))
    even = time[rows - 1 :] - time[: len(time) - rows + 1] < seconds + 2 * step  # no gap inside
    spread = np.where(even, spread, np.inf)
    known = spread[np.isfinite(spread)]
    if not len(known):
        return []
    noise = float(np.quantile(known, QUIET_SHARE))
    found: list[tuple[int, Level]] = []
    for first, end in runs_of(spread <= STILL * noise + 1e-12):
        at = (first + end - 1) // 2
        one = (end - first, Level(round(max(0.0, float(time[at])), 2), float(mean[at]) + level))
        if found and abs(one[1].mean - found[-1][1].mean) <= STILL * noise:  # the same level, after a shake
            found[-1] = max(found[-1], one, key=lambda pair: pair[0])
        else:
            found.append(one)
    return [one for _, one in found[:MOST_LEVELS]]


def shunt_in(data: Dataset, seconds: float) -> tuple[float, float] | None:
    """Where the resistor was off, and on, as a session proposes it: from the level it began at to the one farthest from
    it beside it; None where the load has no two levels."""
    levels = levels_in(data, seconds)
    if len(levels) < 2:
        return None
    pair = max(pairwise(levels), key=lambda two: abs(two[1].mean - two[0].mean))
    off, on = sorted(pair, key=lambda one: abs(one.mean - levels[0].mean))  # it began without
    return off.start_s, on.start_s


def weigh(
    path: str | Path, known: Sequence[tuple[float, float]], seconds: float, weight_error_pct: float
) -> tuple[ForceFit, list[Step], str]:
    """Newtons per unit of the link from (start_s, newtons) pairs; also the steps, and the link's unit.

    weight_error_pct: of each weight, standard. Raises InputError.
    """
    with open_dataset(path) as data:
        return weigh_in(data, known, seconds, weight_error_pct)


def weigh_in(
    data: Dataset, known: Sequence[tuple[float, float]], seconds: float, weight_error_pct: float
) -> tuple[ForceFit, list[Step], str]:
    """`weigh` in a session that is open. Raises InputError."""
    if not 0 <= weight_error_pct < 100:
        raise InputError(
            f"a weight error of {weight_error_pct:g} % cannot be used; give percent from 0 (a bathroom scale: 1)",
            code="weight-error",
            pct=weight_error_pct,
        )
    steps, unit = steps_in(data, [start for start, _ in known], seconds, "weigh")
    forces = [force for _, force in known]
    errors = [max(abs(force) * weight_error_pct / 100.0, _LEAST_N) for force in forces]
    if len(set(forces)) < 2:
        raise InputError("weigh: all weights are the same; hang different ones, nothing hung counts as one")
    return fit_weights([s.mean for s in steps], forces, [s.sem for s in steps], errors), steps, unit
