"""Targets to holds: order and spacing decide, pinned ends are understood, uncertainty is said. Targets and named
holds come as typed, and errors name the word.

A list that rises is a set of speeds: it may be driven up, down, or again. Any other list is the order of the drive,
and the holds must have come in that order.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from stream.calibrate.speed.align import Reading, readings
from stream.calibrate.speed.ends import View, end_of, inside_holds, views
from stream.errors import InputError
from stream.findings import Finding, note, warning
from stream.live.records import Hold, Pinned
from stream.units import Floats

_MOST_TARGETS = 60
FASTEST_RPM = 100_000  # no engine of a car turns faster; chosen


def is_speed(rpm: float) -> bool:
    """Whether an engine can turn at this speed."""
    return 1 <= rpm <= FASTEST_RPM


def parse_targets(text: str) -> tuple[float, ...]:
    """'1500,2000,2500' to speeds, rpm. Raises InputError that names the word which is no speed."""
    targets = []
    for word in filter(None, (word.strip() for word in text.split(","))):
        try:
            targets.append(float(word))
        except ValueError:
            raise InputError(
                f"targets: {word!r} is not a speed in rpm; write them as 1500,2000,2500", "targets"
            ) from None
    return check_targets(targets)


def parse_at(texts: Iterable[str]) -> tuple[tuple[float, float], ...]:
    """'12.5=3000' to (start_s, rpm) pairs. Raises InputError that names the word."""
    pairs = []
    for text in texts:
        start, _, rpm = text.partition("=")
        try:
            pair = float(start), float(rpm)
        except ValueError:
            raise InputError(f"start: {text!r} is not START_S=RPM; write it as 12.5=3000", "start") from None
        if not (math.isfinite(pair[0]) and pair[0] >= 0 and is_speed(pair[1])):
            raise InputError(
                f"start: {text!r}: a start is 0 or later and a speed 1 to {FASTEST_RPM} rpm; write it as 12.5=3000",
                "start",
            )
        pairs.append(pair)
    return tuple(pairs)


def check_targets(targets: Sequence[float]) -> tuple[float, ...]:
    """The targets, checked. Raises InputError: not finite, not above zero, too few, too many."""
    for target in targets:
        if not is_speed(target):
            raise InputError(
                f"targets: {target:g} is not a speed in rpm; give numbers from 1 to {FASTEST_RPM} rpm", "targets"
            )
    distinct = len(set(targets))
    if distinct < 3:
        raise InputError(f"targets: too few different speeds ({distinct}); give three or more", "targets")
    if distinct > _MOST_TARGETS:
        raise InputError(f"targets: {distinct} different speeds are too many; give {_MOST_TARGETS} or fewer", "targets")
    return tuple(float(target) for target in targets)


def need_three(count: int) -> None:
    """Raises InputError where there are too few holds for any calibration."""
    if count < 3:
        raise InputError(
            f"{count} hold{'' if count == 1 else 's'} found; a calibration needs three at different speeds: "
            "hold more speeds, each for a few seconds longer"
        )


AMBIGUOUS = 6.0  # difference in -2 ln(likelihood): twenty to one
_CURE = "give the speeds as they were held, or name holds by their start"
_CONTRADICTED = 1e6  # no reading stands against what a person said of a hold
_AT_REACH_S = 2.0
_POOR = 2.5  # half of the holds lie farther from their targets than this many times the reading error
_BY_RANK = 0.7  # of the way to the next target


@dataclass(frozen=True, slots=True)
class Match:
    """Which hold was which target.

    target_rpm  of each hold, in the order given; None for a stray
    stuck_at    'bottom' or 'top' (ends of speed) for a hold that is really a stuck signal, else None
    missing_*   targets without a hold: below, inside and above the matched ones
    ambiguous   another reading is nearly as good; a finding says which
    set_aside   pinned stretches that are no evidence: they lie inside a hold that counts
    """

    target_rpm: tuple[float | None, ...]
    stuck_at: tuple[str | None, ...]
    missing_below: tuple[float, ...] = ()
    missing_inside: tuple[float, ...] = ()
    missing_above: tuple[float, ...] = ()
    ambiguous: bool = False
    findings: tuple[Finding, ...] = ()
    set_aside: tuple[Pinned, ...] = ()


def match_targets(
    holds: Sequence[Hold],
    pinned: Sequence[Pinned],
    targets: Sequence[float],
    reading_error_rpm: float = 50.0,
    pulse_hz: Sequence[float | None] | None = None,
    said: Mapping[int, float] | None = None,
) -> Match:
    """Give each hold its target. holds in time order; targets in rpm, a rising set or the order of the drive.

    pulse_hz  pulse frequency of each hold, Hz, as its ripple shows it; None where it is not known
    said      index of a hold -> the speed that a person said it was: where that is a target, it stands

    Raises InputError where there is nothing to match, too many or too few targets, or targets out of order.
    """
    targets = check_targets(targets)
    need_three(len(holds))
    hz = None if pulse_hz is None else np.array([np.nan if value is None else value for value in pulse_hz])
    known = {index: rpm for index, rpm in (said or {}).items() if rpm in targets}
    ranked = []
    for view in views(holds, pinned, targets, reading_error_rpm, hz):
        for reading in readings(view.row):
            rpm = _assigned(reading, view, len(holds))
            against = sum(rpm[index] != value for index, value in known.items())
            ranked.append((reading.cost + _CONTRADICTED * against, reading, view, rpm))
    if not ranked:
        raise InputError(
            f"targets: no row of these speeds fits the {len(holds)} holds found; {_CURE}", "targets-fit-nothing"
        )
    ranked.sort(key=lambda row: row[0])
    cost, best, view, _ = ranked[0]
    best = _by_rank(best, view.row.targets)
    assigned = _assigned(best, view, len(holds))
    rival = next(((other, rpm) for other, _, _, rpm in ranked[1:] if _conflict(assigned, rpm)), None)
    close = bool(rival is not None and rival[0] - cost < AMBIGUOUS)
    _check_counts(best, view, close)
    findings = _check_order(holds, assigned, targets)
    if rival is not None and close:
        findings.append(_ambiguous(holds, assigned, rival[1]))
    below, inside, above = (
        tuple(float(view.row.targets[index]) for index in part) for part in (best.below, best.inside, best.above)
    )
    stuck = tuple(view.stuck.get(index) for index in range(len(holds)))
    return Match(assigned, stuck, below, inside, above, close, tuple(findings), view.set_aside)


def match_at(holds: Sequence[Hold], pairs: Sequence[tuple[float, float]], pinned: Sequence[Pinned] = ()) -> Match:
    """Give the hold that contains each start (or begins within 2 s of it) its speed; a start in a pinned stretch
    names a speed at which the signal was stuck.

    Raises InputError: no hold there, two holds there, one hold named twice, fewer than three.
    """
    need_three(len(holds))
    assigned: list[float | None] = [None] * len(holds)
    missing: dict[str, list[float]] = {"bottom": [], "top": []}
    slope = float(np.polyfit([h.signal_mean for h in holds], [h.speed_rpm for h in holds], 1)[0])
    for start, rpm in pairs:
        stuck = next((s for s in pinned if s.start_s <= start <= s.end_s), None)
        if stuck is not None and not any(hold.start_s <= start <= hold.end_s for hold in holds):
            missing[end_of(stuck, slope)].append(rpm)
            continue
        index = _hold_at(holds, start)
        if assigned[index] is not None:
            raise InputError(
                f"start {start:g}: the hold at {holds[index].start_s:.1f} s is named twice; keep one", "start"
            )
        assigned[index] = rpm
    named = sum(rpm is not None for rpm in assigned)
    if named < 3:
        raise InputError(f"{named} holds named; a calibration needs three or more", "start")
    below, above = (tuple(sorted(missing[end])) for end in ("bottom", "top"))
    return Match(tuple(assigned), (None,) * len(holds), below, (), above, set_aside=inside_holds(pinned, holds))


def _hold_at(holds: Sequence[Hold], start: float) -> int:
    inside = [index for index, hold in enumerate(holds) if hold.start_s <= start <= hold.end_s]
    if len(inside) > 1:
        raise InputError(
            f"start {start:g}: two sessions have a hold then; fit them one by one, or give the targets", "start"
        )
    nearest = min(range(len(holds)), key=lambda index: abs(holds[index].start_s - start))
    if inside:
        return inside[0]
    if abs(holds[nearest].start_s - start) > _AT_REACH_S:
        raise InputError(
            f"start {start:g}: no hold there; the nearest begins at {holds[nearest].start_s:.1f} s",
            "start-without-hold",
        )
    return nearest


def _by_rank(reading: Reading, targets: Floats) -> Reading:
    """Give the one target that is missing between its neighbours to the hold that lies there: order names it.

    That hold is a lone stray, or one of two holds of a neighbour that lies well on this side; the fit judges it.
    """
    labels, inside = list(reading.labels), list(reading.inside)
    for missing in reading.inside:
        if missing - 1 in inside or missing + 1 in inside:
            continue
        low, high = (
            np.array([m for m, label in zip(reading.mapped, labels, strict=True) if label == missing + step])
            for step in (-1, 1)
        )
        between = [
            index
            for index, (mapped, label) in enumerate(zip(reading.mapped, labels, strict=True))
            if (label < 0 and max(low) < mapped < min(high))
            or (label == missing + 1 and len(high) == 2 and mapped < np.max(high))
            or (label == missing - 1 and len(low) == 2 and mapped > np.min(low))
        ]
        reach = [_BY_RANK * abs(targets[missing + step] - targets[missing]) for step in (-1, 1)]
        near = [index for index in between if -reach[0] < reading.mapped[index] - targets[missing] < reach[1]]
        if len(near) == 1:
            labels[near[0]] = missing
            inside.remove(missing)
    return replace(reading, labels=tuple(labels), inside=tuple(inside))


def _assigned(reading: Reading, view: View, count: int) -> tuple[float | None, ...]:
    rpm: list[float | None] = [None] * count
    for index, label in zip(view.kept, reading.labels, strict=True):
        rpm[index] = None if label < 0 else float(view.row.targets[label])
    return tuple(rpm)


def _conflict(first: Sequence[float | None], second: Sequence[float | None]) -> bool:
    return any(a is not None and b is not None and a != b for a, b in zip(first, second, strict=True))


def _check_counts(best: Reading, view: View, close: bool) -> None:
    """Refuse a list that does not belong to the drive: what is left over outweighs what was matched."""
    row = view.row
    matched = len({label for label in best.labels if label >= 0})
    open_ends = (best.below if row.bottom is None else ()) + (best.above if row.top is None else ())
    unexplained = len(best.inside) + len(open_ends)
    if matched < 3:
        raise InputError(
            f"targets: only {matched} of {len(row.targets)} speeds fit a hold; {_CURE}", "targets-fit-nothing"
        )
    places = [index for index, label in enumerate(best.labels) if label >= 0]
    labels = [best.labels[index] for index in places]
    off = np.abs(best.mapped[places] - row.targets[labels]) / row.sigma[labels]
    if float(np.median(off)) > _POOR:
        raise InputError(
            f"targets: no row of these speeds fits the {len(view.kept)} holds found; {_CURE}", "targets-fit-nothing"
        )
    if unexplained > matched or (close and len(open_ends) > 1):
        raise InputError(
            f"targets: {len(row.targets)} speeds are too many for the {len(view.kept)} holds found, and which were "
            f"left out cannot be told; {_CURE}",
            "targets-fit-nothing",
        )
    strays = sorted(best.mapped[index] for index, label in enumerate(best.labels) if label < 0)
    speeds = [rpm for number, rpm in enumerate(strays) if number == 0 or rpm - strays[number - 1] > 60.0]
    speeds = [rpm for number, rpm in enumerate(speeds) if number or rpm >= row.targets[0]]  # one may be idle
    ends = [rpm for rpm in speeds if rpm > row.targets[-1] or rpm < row.targets[0]]
    if 2 * len(speeds) > matched or (close and len(ends) > 1):
        raise InputError(
            f"targets: {len(row.targets)} speeds are too few for the {len(view.kept)} holds found; {_CURE}",
            "targets-fit-nothing",
        )


def _check_order(holds: Sequence[Hold], assigned: Sequence[float | None], targets: Sequence[float]) -> list[Finding]:
    """Raises InputError where a list that is not rising was driven in another order; else what is worth saying."""
    driven = [(hold, rpm) for hold, rpm in zip(holds, assigned, strict=True) if rpm is not None]
    if all(a <= b for a, b in pairwise(targets)):
        if len(driven) > 2 and all(a[1] > b[1] for a, b in pairwise(driven)):
            return [note("row-driven-down")]
        return []
    place = -1
    for hold, rpm in driven:
        if place >= 0 and targets[place] == rpm:
            continue  # the same target held again
        later = next((index for index in range(place + 1, len(targets)) if targets[index] == rpm), None)
        if later is None:
            raise InputError(
                f"targets: out of order: the hold at {hold.start_s:.1f} s fits {rpm:g} rpm, which the list has before "
                f"{targets[place]:g}; give the speeds in the order driven, or lowest first",
                "targets",
            )
        place = later
    return []


def _ambiguous(holds: Sequence[Hold], best: Sequence[float | None], rival: Sequence[float | None]) -> Finding:
    """The holds that two readings give different speeds: their starts, s, and both speeds, rpm."""
    differ = [
        (hold.start_s, b, r)
        for hold, b, r in zip(holds, best, rival, strict=True)
        if b is not None and r is not None and b != r
    ]
    start_s, used_rpm, other_rpm = (tuple(column) for column in zip(*differ, strict=True))
    return warning("row-ambiguous", start_s=start_s, used_rpm=used_rpm, other_rpm=other_rpm)
