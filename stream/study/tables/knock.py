"""Knock over the rev bands: what was logged in any sample under load, and what a person heard, of all sessions.

Every sample counts, in a pull that is used or not, before and after it, on a ramp, held at part load. Silence is not
absence of knock: a band is quiet only where a channel that is alive covers it, and a person's word is one that was
declared, never a sentence that was read.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from stream.car import Role
from stream.errors import InputError
from stream.findings import Finding, danger, note, warning
from stream.record.tables import Heard
from stream.study.bands import DEFAULT_WIDTH_RPM
from stream.study.dataset import Dataset, EvenRows
from stream.study.pulls import PullTrace
from stream.study.tables.gate import Evidence, Knock
from stream.study.tables.ignition_table import Step
from stream.study.tables.knock_log import (
    BLANK,
    ECHO,
    MOST_BLANK_S,
    QUIET,
    RAISED_HERE,
    SEEN,
    WHY,
    KnockLog,
    read_knock,
    states,
)
from stream.study.tables.load_axis import second_axis
from stream.study.tables.user_table import AdvanceList, UserTable
from stream.units import Flags, Floats, Ints

ROLES: tuple[Role, ...] = ("advance", "manifold_pressure", "throttle")
ROWS_HZ = 20.0  # chosen: a pull crosses a band in about half a second, ten rows
TURNING_RPM = 400.0  # below, no engine runs
LIGHT = 0.6  # of the way from the lightest load to the heaviest. chosen: between cruise and a pull
UNLOADED = 0.03  # of the heaviest load, zero off: the car is not driven
REACTION_S = 2.0  # chosen: from the knock to the key, as the drive has it
AROUND_S = 0.1  # a knock belongs to all speeds within it: filters and clocks place it no better
NOISY_LIMIT = 0.5  # share of samples beyond a limit from which the limit lies below the noise
COVERED_RPM = 25.0  # chosen: a tenth of a band; what one pull does not show there, another does
APART_S = 1.0  # chosen: rows further apart in time are another passage
# chosen: a knock sensor's own noise leaves 0.998 of a level that goes with speed; a copied column leaves 0.99999
SAME_AS_SPEED = 0.9995


@dataclass(frozen=True, slots=True)
class Listening:
    """What a person says of the pulls of the tune in the car, for this advice: heard (rpm, rpm) ranges, or none."""

    none_heard: bool = False
    heard: tuple[tuple[float, float], ...] = ()

    def __post_init__(self) -> None:
        for low, high in self.heard:
            if not (0 <= low < high < math.inf):
                raise InputError(
                    f"knock heard from {low:g} to {high:g} rpm: is no range; give the lower speed first, as in "
                    "4200 to 4600",
                    "heard-range",
                )


@dataclass(frozen=True, slots=True)
class SessionKnock:
    """One session's rows and what its knock channels say in each.

    state, size   (n,) the worst of its channels; `over` (n,) a [[limit]] was passed
    advance       (n,) degrees that were there; NaN: not known
    second        (n,) the table's second axis; NaN: not known
    pull          (n,) number of the pull, from 1; 0 outside pulls
    tune          (n,) tune of the row, '?' where it is not known
    """

    session: Dataset
    rows: EvenRows
    loaded: Flags
    state: Ints
    size: Floats
    over: Flags
    channel: str
    interval_s: float
    advance: Floats
    second: Floats
    pull: Ints
    now: Flags
    heard: tuple[Heard, ...]

    @property
    def path(self) -> str:
        """The session's file."""
        return str(self.session.path)

    def number(self, pull: PullTrace) -> int:
        """The number of a pull of this session, from 1; -1 where it has no such pull."""
        starts = [one.start_s for one in self.session.pulls]
        return starts.index(pull.start_s) + 1 if pull.start_s in starts else -1


@dataclass(frozen=True, slots=True)
class _Marks:
    """Knock seen or heard: (n,) lowest and highest speed it may belong to, advance and second axis there."""

    low: Floats
    high: Floats
    advance: Floats
    second: Floats
    found: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class KnockMap:
    """All that is known of knock, asked band by band."""

    width: float
    sessions: tuple[SessionKnock, ...]
    seen: _Marks
    limits: _Marks
    listening: Listening
    now: str
    findings: tuple[Finding, ...]

    def at_full_load(self, low: float, high: float, now_deg: float, pulls: Sequence[PullTrace]) -> Evidence:
        """Evidence for full load from `low` to `high` rpm; pulls: the used pulls of the tune in the car."""
        wide = self._wide(low, high)
        seen = self._seen(wide, now_deg)
        crossing = [pull for pull in pulls if _crosses(pull, low, high)]
        listened = self.listening.none_heard or (
            bool(crossing) and all(self._none_heard(pull, low, high) for pull in crossing)
        )
        if seen is not None:
            return seen
        masks = [
            (one, one.pull == one.number(pull))
            for pull in crossing
            for one in self.sessions
            if one.path == pull.session
        ]
        return self._quiet(masks, wide, listened, len(crossing))

    def at_part_load(self, low: float, high: float, second: tuple[float, float], now_deg: float) -> Evidence:
        """Evidence for a part-load cell: low to high rpm, and the second axis from second[0] to second[1].

        Knock at a higher load than the cell's withdraws more advance; knock at its own or less also asks for less.
        """
        wide = self._wide(low, high)
        own = np.isnan(self.seen.second) | (self.seen.second <= second[1])
        seen = self._seen(wide, now_deg, own)
        if seen is not None:
            return seen
        masks, listened, stretches = [], True, 0
        for one in self.sessions:
            inside = one.now & (one.pull == 0) & one.loaded & (one.second >= second[0]) & (one.second <= second[1])
            inside &= (one.rows.speed_rpm >= low) & (one.rows.speed_rpm <= high)
            if inside.any():
                stretches += 1
                listened &= any(not said.heard and said.pull == 0 for said in one.heard)
                masks.append((one, one.now & (one.pull == 0) & one.loaded))
        evidence = self._quiet(masks, wide, self.listening.none_heard or (listened and stretches > 0), stretches)
        higher = self._inside(self.seen, wide) & ~own
        if not higher.any():
            return evidence
        return Evidence(knock="unknown", withdrawn=(warning("knock-at-higher-load"),), reasons=evidence.reasons)

    def _wide(self, low: float, high: float) -> tuple[float, float]:
        """With one band on each side, and no narrower for narrow bands: knock is placed no better."""
        margin = max(self.width, DEFAULT_WIDTH_RPM)
        return low - margin, high + margin

    def _inside(self, marks: _Marks, wide: tuple[float, float]) -> Flags:
        return np.asarray((marks.low < wide[1]) & (marks.high > wide[0]))

    def _seen(self, wide: tuple[float, float], now_deg: float, of: Flags | None = None) -> Evidence | None:
        """Evidence where knock was seen or heard in these speeds; None where it was not."""
        inside = self._inside(self.seen, wide)
        inside &= True if of is None else of
        if not inside.any():
            return None
        rows = np.flatnonzero(inside)
        degrees = self.seen.advance[rows]
        known = np.where(np.isfinite(degrees), degrees, now_deg)  # at an advance nobody knows: as if it were the car's
        least = int(np.argmin(np.where(np.isfinite(known), known, np.inf)))
        finding = self.seen.found[rows[least]]
        values = dict(finding.values) | {"least_deg": float(known[least]), "count": len(rows)}
        return Evidence(knock="seen", least_deg=float(known[least]), reasons=(replace(finding, values=values),))

    def _quiet(
        self, masks: list[tuple[SessionKnock, Flags]], wide: tuple[float, float], listened: bool, count: int
    ) -> Evidence:
        """Evidence where no knock was seen: quiet, listened to, or not known, and why."""
        withdrawn = tuple(self.limits.found[row] for row in np.flatnonzero(self._inside(self.limits, wide))[:1])
        why = next((reason for one, mask in masks if (reason := _unknown(one, mask, wide, masks))), None)
        knock: Knock = "quiet" if masks and why is None else "unknown"
        reasons: list[Finding] = []
        if knock == "quiet":
            reasons.append(note("knock-quiet", count=count, channel=masks[0][0].channel))
        elif not listened:
            reasons.append(why or warning("knock-no-channel"))
        if listened:
            reasons.append(note("knock-none-heard", count=count))
        return Evidence(knock=knock, listened=listened, withdrawn=withdrawn, reasons=tuple(reasons))

    def _none_heard(self, pull: PullTrace, low: float, high: float) -> bool:
        """Whether somebody who listened in this pull heard none from low to high rpm, and this was kept."""
        return any(
            not row.heard
            and row.pull in (0, one.number(pull))
            and (row.rpm_from is None or row.rpm_from <= low)
            and (row.rpm_to is None or row.rpm_to >= high)
            for one in self.sessions
            if one.path == pull.session
            for row in one.heard
        )


def knock_map(
    sessions: Sequence[Dataset],
    advance: AdvanceList | UserTable,
    now: str,
    listening: Listening,
    width: float,
    steps: Mapping[str, Sequence[Step]],
) -> KnockMap:
    """Read every knock channel of all sessions; `steps`: what was proposed from each before, by its path.

    Raises InputError where the sessions are of different cars.
    """
    one_car(sessions)
    if not (math.isfinite(width) and width > 0):
        raise InputError(
            f"a band width of {width:g} rpm cannot be used; give a positive number, 250 is usual",
            "band-width",
            width=width,
        )
    read = [_read(session, advance, now, steps.get(str(session.path), ()), width) for session in sessions]
    whole = tuple(_worst(reading, read, width) for reading in read)
    _heard_somewhere(whole, now, listening)
    seen = [mark for one in whole for mark in _seen_marks(one)]
    seen += [mark for one in whole for mark in _heard_marks(one)]
    seen += [
        (
            low,
            high,
            math.nan,
            math.nan,
            danger("knock-heard", low_rpm=low, high_rpm=high, least_deg=math.nan, count=1, where=""),
        )
        for low, high in listening.heard
    ]
    limits = [mark for one in whole for mark in _limit_marks(one)]
    return KnockMap(width, whole, _marks(seen), _marks(limits), listening, now, _summary(whole, now, listening))


def _heard_somewhere(whole: Sequence[SessionKnock], now: str, listening: Listening) -> None:
    """Raises InputError where knock is said to have been heard at speeds that the tune in the car never turned at: it
    was heard somewhere, and nobody knows where."""
    own = [one.rows.speed_rpm[one.now & (one.rows.speed_rpm > TURNING_RPM)] for one in whole]
    speeds = np.concatenate([np.empty(0), *own])
    speeds = speeds[np.isfinite(speeds)]
    for low, high in listening.heard:
        if len(speeds) and not ((speeds >= low) & (speeds <= high)).any():
            raise InputError(
                f"knock heard from {low:g} to {high:g} rpm: {now!r} ran from {speeds.min():.0f} to {speeds.max():.0f} "
                "rpm in these sessions; say the speeds it was heard at",
                "heard-nowhere",
                low_rpm=low,
                high_rpm=high,
            )


def one_car(sessions: Sequence[Dataset]) -> None:
    """Raises InputError where sessions are of different cars: neither knock nor advance of one tells of another."""
    names = sorted({session.car.car.name for session in sessions})
    if len(names) > 1:
        raise InputError(
            f"sessions of different cars ({' and '.join(map(repr, names))}) cannot stand side by side; leave one kind "
            "out",
            "different-cars",
        )


@dataclass(frozen=True, slots=True)
class _Reading:
    """A session's rows before its channels are held against those of the others."""

    session: Dataset
    rows: EvenRows
    logs: Mapping[str, KnockLog]
    light: Flags
    loaded: Flags
    advance: Floats
    second: Floats
    pull: Ints
    now: Flags
    heard: tuple[Heard, ...]


def _read(
    session: Dataset, advance: AdvanceList | UserTable, now: str, steps: Sequence[Step], width: float
) -> _Reading:
    rows = session.even(ROLES, ROWS_HZ)
    count = len(rows.time_s)
    logs = {one.name: read_knock(session, one, rows.step_s, count) for one in session.recorded("knock")}
    pull = np.zeros(count, dtype=np.intp)
    tune = np.full(count, session.tune if len({_tune(session, p.tune) for p in session.pulls}) < 2 else "?", object)
    for number, one in enumerate(session.pulls, 1):
        inside = (rows.time_s >= one.start_s) & (rows.time_s <= one.end_s)
        pull[inside] = number
        tune[inside] = _tune(session, one.tune)
    if len(own := {_tune(session, p.tune) for p in session.pulls}) == 1:
        tune[:] = own.pop()
    second = _second(session, rows, advance)
    degrees = _advance(session, rows, advance, now, second, pull, tune)
    if session.first("advance") is None:  # before a step was taken, these rows had what the table held then
        for step in steps:
            there = (tune == step.tune) & (np.abs(rows.speed_rpm - step.rpm) <= width / 2)
            degrees[there] = np.fmin(degrees[there], step.from_deg)
    return _Reading(
        session,
        rows,
        logs,
        _light(rows),
        _loaded(session, rows),
        degrees,
        second,
        pull,
        np.asarray(tune == now, dtype=bool),
        session.heard,
    )


def _tune(session: Dataset, pull: str) -> str:
    return pull or session.tune


def _light(rows: EvenRows) -> Flags:
    """Rows at which the engine does not work hard, by the session's own load; none where load was not measured."""
    load = rows.load
    if not np.isfinite(load).any():
        return np.zeros(len(load), dtype=bool)
    low, top = np.nanpercentile(load, [1, 99])
    return np.asarray(np.nan_to_num(load, nan=np.inf) < low + LIGHT * (top - low))


def _loaded(session: Dataset, rows: EvenRows) -> Flags:
    """Rows under load: all in which the engine turns, but those where the link surely does not push."""
    turning = np.asarray(~(rows.speed_rpm < TURNING_RPM))
    channel = session.car.by_role("load")
    if channel is None or not session.zeros or not np.isfinite(rows.load).any():
        return turning
    load = (rows.load - float(np.mean([zero.mean for zero in session.zeros]))) * channel.sign
    return np.asarray(turning & ~(load < UNLOADED * float(np.nanpercentile(load, 99))))


def _second(session: Dataset, rows: EvenRows, advance: AdvanceList | UserTable) -> Floats:
    """The second axis in the table's unit (kPa, or % of throttle, for a list of tunes); NaN where it was not logged."""
    axis = advance.axis if isinstance(advance, UserTable) else "manifold_pressure"
    if session.first(axis) is None:
        return np.full(len(rows.time_s), np.nan)
    found = second_axis(session, rows, advance)[0]
    return np.full(len(rows.time_s), np.nan) if found is None else found


def _advance(
    session: Dataset,
    rows: EvenRows,
    advance: AdvanceList | UserTable,
    now: str,
    second: Floats,
    pull: Ints,
    tune: Floats,
) -> Floats:
    """The advance of each row: logged, else by the tables where these speak of it."""
    channel = session.first("advance")
    found = np.full(len(rows.time_s), np.nan) if channel is None else rows.channels[channel.name].copy()
    if isinstance(advance, UserTable):
        blank = ~np.isfinite(found) & (tune == now)
        full = np.where(np.isfinite(second), second, np.where(pull > 0, advance.second[-1], np.nan))
        found[blank] = advance.at(rows.speed_rpm, np.clip(full, advance.second[0], advance.second[-1]))[blank]
        return found
    for name in set(tune[pull > 0]) & set(advance.tunes):  # a list is full load: it does not tell of part load
        blank = ~np.isfinite(found) & (tune == name) & (pull > 0)
        found[blank] = advance.at(str(name), rows.speed_rpm)[blank]
    return found


def _worst(own: _Reading, all_of: Sequence[_Reading], width: float) -> SessionKnock:
    """The session's channels taken together: knock in any is knock, and one that is not known leaves all unknown."""
    count = len(own.rows.time_s)
    state = np.full(count, BLANK if not own.logs else QUIET, dtype=np.intp)
    size, over, interval = np.full(count, np.nan), np.zeros(count, dtype=bool), 0.0
    for name, log in own.logs.items():
        others = [one for one in all_of if name in one.logs and one.logs[name].unit == log.unit]
        told, much = states(
            [one.logs[name] for one in others],
            [one.rows.speed_rpm for one in others],
            [one.light for one in others],
            width,
        )[others.index(own)]
        passed = _passed(own, log)
        told = np.where(passed & (not _noisy(passed, own)), SEEN, told)
        if _echo(own, log):
            told = np.full(count, ECHO, dtype=np.intp)
        size = np.fmax(size, much)
        state = np.where((state == SEEN) | (told == SEEN), SEEN, np.maximum(state, told))
        over |= passed
        interval = max(interval, log.interval_s)
    return SessionKnock(
        own.session,
        own.rows,
        own.loaded,
        state,
        size,
        over,
        ", ".join(own.logs),
        interval,
        own.advance,
        own.second,
        own.pull,
        own.now,
        own.heard,
    )


def _echo(own: _Reading, log: KnockLog) -> bool:
    """Whether a knock channel is another channel's column, or goes with engine speed to the last digit."""
    both = np.isfinite(log.mean) & np.isfinite(own.rows.speed_rpm)
    level, speed = log.mean[both], own.rows.speed_rpm[both]
    moves = len(level) > 10 and np.ptp(level) > 0 and np.ptp(speed) > 0
    if moves and abs(float(np.corrcoef(level, speed)[0, 1])) > SAME_AS_SPEED:
        return True
    raw = own.session.session.raw(log.name)
    if not np.isfinite(raw).any() or np.nanmax(raw) == np.nanmin(raw):
        return False
    knock = {one.name for one in own.session.recorded("knock")}
    others = (name for name in own.session.names if name not in knock)
    return any(np.array_equal(raw, own.session.session.raw(name), equal_nan=True) for name in others)


def _passed(own: _Reading, log: KnockLog) -> Flags:
    """Rows in which the channel passed a limit that was in force."""
    during = [one.during for one in own.session.car.limit if one.channel == log.name]
    return log.over if "always" in during else log.over & (own.pull > 0)


def _noisy(passed: Flags, own: _Reading) -> bool:
    turning = ~(own.rows.speed_rpm < TURNING_RPM)
    return bool(passed[turning].mean() > NOISY_LIMIT) if turning.any() else False


Mark = tuple[float, float, float, float, Finding]


def _marks(found: list[Mark]) -> _Marks:
    low, high, advance, second = (np.array([mark[place] for mark in found], dtype=float) for place in range(4))
    return _Marks(low, high, advance, second, tuple(mark[4] for mark in found))


def _seen_marks(one: SessionKnock) -> list[Mark]:
    """Knock in the log: each row with the speeds and the least advance that it may belong to."""
    rpm, marks = one.rows.speed_rpm, []
    back = math.ceil((AROUND_S + one.interval_s) / one.rows.step_s)
    on = math.ceil(AROUND_S / one.rows.step_s)
    for row in np.flatnonzero((one.state == SEEN) & one.loaded):
        near = slice(max(row - back, 0), row + on + 1)
        speeds, degrees, second = rpm[near], one.advance[near], one.second[near]
        seen = np.isfinite(speeds)
        if not seen.any():  # at a speed that nobody knows: at all of them
            low, high = 0.0, math.inf
        else:
            low, high = float(speeds[seen].min()), float(speeds[seen].max())
        least = float(np.nanmin(degrees)) if np.isfinite(degrees).all() else math.nan
        at = float(np.nanmin(second)) if np.isfinite(second).any() else (math.inf if one.pull[row] else math.nan)
        marks.append(
            (
                low,
                high,
                least,
                at,
                danger(
                    "knock-seen",
                    where=one.session.path.name,
                    channel=one.channel,
                    time_s=float(one.rows.time_s[row]),
                    rpm=float(rpm[row]),
                    size=float(one.size[row]),
                    least_deg=least,
                    count=1,
                ),
            )
        )
    return marks


def _limit_marks(one: SessionKnock) -> list[Mark]:
    rpm, marks = one.rows.speed_rpm, []
    for row in np.flatnonzero(one.over & one.loaded):
        speed = float(rpm[row])
        low, high = (speed, speed) if math.isfinite(speed) else (0.0, math.inf)
        marks.append(
            (
                low,
                high,
                math.nan,
                math.nan,
                warning("knock-limit", where=one.session.path.name, channel=one.channel, rpm=speed),
            )
        )
    return marks


def _heard_marks(one: SessionKnock) -> list[Mark]:
    """Knock that was heard and kept in the session, with the least advance of that tune at these speeds.

    A key that was pressed while driving is also kept as a moment, which stays true whatever calibration comes later.
    """
    marks: list[Mark] = []
    rpm = one.rows.speed_rpm
    for event in one.session.events:
        if event.kind != "knock-heard":
            continue
        near = (one.rows.time_s >= event.time_s - REACTION_S) & (one.rows.time_s <= event.time_s + AROUND_S)
        speeds = rpm[near & np.isfinite(rpm)]
        low, high = (float(speeds.min()), float(speeds.max())) if len(speeds) else (0.0, math.inf)
        marks.append(_heard_mark(one, low, high, one.advance[near]))
    for said in one.heard:
        if not said.heard:
            continue
        rows = one.pull == said.pull if said.pull else one.pull > 0
        whole = rpm[rows & np.isfinite(rpm)]
        low = said.rpm_from if said.rpm_from is not None else float(whole.min()) if said.pull and len(whole) else 0.0
        high = said.rpm_to if said.rpm_to is not None else float(whole.max()) if said.pull and len(whole) else math.inf
        marks.append(_heard_mark(one, low, high, one.advance[rows & (rpm >= low) & (rpm <= high)]))
    return marks


def _heard_mark(one: SessionKnock, low: float, high: float, degrees: Floats) -> Mark:
    least = float(degrees.min()) if len(degrees) and np.isfinite(degrees).all() else math.nan
    return (
        low,
        high,
        least,
        math.inf,
        danger("knock-heard", low_rpm=low, high_rpm=high, least_deg=least, count=1, where=one.session.path.name),
    )


def _covered(one: SessionKnock, blank: Flags, masks: Sequence[tuple[SessionKnock, Flags]]) -> bool:
    """Whether another passage was heard through at the speeds of these rows: a recorder that writes nothing where the
    signal is too large leaves its holes at the same speeds each time."""
    rows = np.flatnonzero(blank)
    time, speed = one.rows.time_s[rows], one.rows.speed_rpm[rows]
    shown = ~np.isfinite(speed)
    for other, mask in masks:
        quiet = np.flatnonzero(mask & (other.state == QUIET))
        beside = np.abs(other.rows.speed_rpm[quiet][None, :] - speed[:, None]) <= COVERED_RPM
        if other is one:
            beside &= np.abs(other.rows.time_s[quiet][None, :] - time[:, None]) >= APART_S
        shown |= beside.any(axis=1)
    return bool(shown.all())


def _unknown(
    one: SessionKnock, mask: Flags, wide: tuple[float, float], masks: Sequence[tuple[SessionKnock, Flags]]
) -> Finding | None:
    """Why these rows of a session do not show that it was quiet; None where they do."""
    rpm = one.rows.speed_rpm
    inside = mask & ~((rpm < wide[0]) | (rpm > wide[1]))
    if not inside.any():
        return warning(
            "knock-not-known",
            why="blank",
            where=one.session.path.name,
            channel=one.channel,
            rpm=(wide[0] + wide[1]) / 2,
            times=math.nan,
        )
    bad = inside & (one.state != QUIET)
    blank = bad & (one.state == BLANK)
    if one.channel and blank.any() and not (bad & ~blank).any():
        edges = np.flatnonzero(np.diff(np.concatenate(([0], blank.astype(np.int8), [0]))))
        short = (edges[1::2] - edges[::2]).max() * one.rows.step_s <= MOST_BLANK_S
        if short and not blank.all() and _covered(one, blank, masks):
            return None  # a hole that hides no band
    if not bad.any():
        return None
    if not one.channel:
        return warning("knock-no-channel")
    state = int(np.bincount(one.state[bad]).argmax())
    row = int(np.flatnonzero(bad & (one.state == state))[0])
    state = RAISED_HERE if state == SEEN else state
    return warning(
        "knock-not-known",
        why=WHY[state],
        where=one.session.path.name,
        channel=one.channel,
        rpm=float(rpm[row]),
        times=float(one.size[row]),
    )


def _crosses(pull: PullTrace, low: float, high: float) -> bool:
    speed = pull.speed_rpm[np.isfinite(pull.speed_rpm)]
    return bool(len(speed)) and float(speed.min()) < high and float(speed.max()) > low


def _summary(whole: Sequence[SessionKnock], now: str, listening: Listening) -> tuple[Finding, ...]:
    """What must be said once, beside all cells."""
    found: list[Finding] = []
    loud = [one for one in whole if ((one.state == SEEN) & one.loaded).any()]
    if loud:
        found.append(danger("knock-in-sessions", where=tuple(one.session.path.name for one in loud)))
    for one in whole:
        if one.channel and one.now.any() and len(kinds := {int(s) for s in one.state if s in WHY}) == 1:
            state = kinds.pop()
            if (one.state == state).mean() > 0.9:
                found.append(
                    warning("knock-channel-not-known", why=WHY[state], channel=one.channel, where=one.session.path.name)
                )
    kept = [
        one
        for one in whole
        if any(said.heard for said in one.heard) or any(event.kind == "knock-heard" for event in one.session.events)
    ]
    if kept:
        found.append(danger("knock-heard-kept", where=tuple(one.session.path.name for one in kept)))
    if listening.none_heard and (listening.heard or kept or loud):
        found.append(warning("knock-none-heard-overruled"))
    for one in whole:
        if (one.over & one.loaded).mean() > NOISY_LIMIT:
            found.append(warning("knock-limit-in-noise", channel=one.channel, where=one.session.path.name))
    if (
        not any(one.channel and one.now.any() for one in whole)
        and not listening.none_heard
        and not any(not said.heard for one in whole for said in one.heard)
    ):
        found.append(warning("knock-no-word", now=now))
    return tuple(found)
