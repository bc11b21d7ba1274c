"""The guided hold drive: which speed comes next, whether it was held, and how good the calibration is by now.

The guide listens to the holds that the live stage finds and never changes what is found. It belongs to the thread of
that stage. A hold is taken to the target that was asked for where it is near enough, by order and nearness; from three
holds on the running fit tells what is near. It states the largest standard uncertainty of a predicted
speed between the lowest and the highest target that is asked for, the reference's reading error included. The
reference's scale error is left out: no number of holds makes it smaller, and it comes on top.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from stream.calibrate.speed.judge import uneven_pulses
from stream.calibrate.speed.match import AMBIGUOUS, match_targets
from stream.calibrate.speed.speed_fit import fit_speed
from stream.calibrate.speed.speed_model import SpeedFit
from stream.car import Car
from stream.drive.guide_plan import GuidePlan, RoadHint, Said, largest_uncertainty, road_hint, road_kmh, wanted
from stream.drive.nearness import Known, reread
from stream.drive.pulse_ear import PulseEar
from stream.errors import InputError
from stream.findings import Finding, Value, note, warning
from stream.live.records import Hold, Pinned, Steady
from stream.record.tables import HoldMark

SURE = 15.0  # in -2 ln(likelihood): a thousand to one and more
PROVED_BY = 4  # chosen: speeds with a known pulse frequency; three shifted by a target may still nearly fit
LONG_S = 9.0  # beyond the seconds a hold needs: the driver should have gone on by now


@dataclass(slots=True)
class _Target:
    """One speed of the row: whether it is still wanted, and the holds that were taken to it."""

    rpm: float
    state: Literal["open", "taken", "skipped"] = "open"
    asked: bool = False


@dataclass(slots=True)
class _Seen:
    """One hold: the place in the row it was taken to, whether a person let it go again, or said the place."""

    hold: Hold
    place: int | None = None
    let_go: bool = False
    by_hand: bool = False


@dataclass(frozen=True, slots=True)
class _Reread:
    """The whole row read again. proved: the pulse frequency of enough speeds stands behind it."""

    target_rpm: tuple[float | None, ...]
    proved: bool


@dataclass
class Guide:
    """Give it each finished hold with `take`, each look at the steadiness with `look`; read the rest.

    Raises InputError for targets that are no speeds, or all above 90 % of redline.
    """

    car: Car
    plan: GuidePlan
    ear: PulseEar | None = None
    said: list[Said] = field(default_factory=list)
    fit: SpeedFit | None = None
    uncertainty_rpm: float | None = None

    def __post_init__(self) -> None:
        import scipy.special  # noqa: F401 - now, and not at the first fit, when samples are waiting

        self._line = self.car.need("engine_speed", "a guided drive").rpm_line
        targets, said = wanted(self.plan, self.car)
        self._row = [_Target(rpm) for rpm in targets]
        self._seen: list[_Seen] = []
        self._session_from = self._count_seen = 0
        self._done: list[int] = []  # places in the order they were taken or skipped, for going back
        self._at = 0
        self._here: int | None = None  # the place that a person says is held now
        self._round = 1
        self._long_reported = -1.0
        self._odd_reported: list[Hold] = []
        self._steady_s = 0.0
        self._speed_rpm = math.nan
        if said is not None:
            self._say("note", said)
        if self._row:
            self._say("note", note("guide-began", count=len(self._row), **self._next_values()), self.next_rpm)
        self._ask()

    # -- what is asked for ----------------------------------------------------------------------------------------

    @property
    def targets(self) -> tuple[float, ...]:
        """The speeds that are asked for, in order."""
        return tuple(target.rpm for target in self._row)

    @property
    def next_rpm(self) -> float | None:
        """The speed to hold now; None when all are held."""
        return None if self._next is None else self._row[self._next].rpm

    @property
    def road_kmh(self) -> float | None:
        """The road speed that the next target means in the gear."""
        rpm = self.next_rpm
        return None if rpm is None or self.plan.parked else road_kmh(self.car, self.plan.gear, rpm)

    @property
    def hint(self) -> RoadHint | None:
        """How to hold the next target on the road; None when all are held."""
        rpm = self.next_rpm
        return None if rpm is None else road_hint(self.car, self.plan.gear, rpm, self.plan.parked)

    @property
    def taken(self) -> int:
        """How many of the targets are held, in this round."""
        return sum(target.state == "taken" for target in self._row)

    @property
    def steady_s(self) -> float:
        """Seconds that the speed is steady near the next target; 0 where it is not."""
        return self._steady_s

    @property
    def speed_rpm(self) -> float:
        """Engine speed by the running fit; NaN while only the provisional line is known."""
        return self._speed_rpm

    @property
    def satisfied(self) -> bool:
        """Whether the stated uncertainty is as small as was asked for."""
        limit = self.plan.until_u_rpm
        return limit is not None and self.uncertainty_rpm is not None and self.uncertainty_rpm <= limit

    # -- what comes in ----------------------------------------------------------------------------------------------

    def new_session(self) -> None:
        """Another session begins: its holds are counted anew, those of the last one still teach the fit."""
        self._session_from = len(self._seen)
        self._count_seen = 0
        if self.ear is not None:
            self.ear.new_session()

    def take(self, holds: Sequence[Hold]) -> None:
        """The holds of the running session so far; those that are new are judged."""
        if len(holds) == self._count_seen:
            return
        self._count_seen = len(holds)
        known = [seen.hold for seen in self._seen[self._session_from :]]
        for hold in holds:
            if hold not in known:
                seen = _Seen(hold)
                self._seen.append(seen)
                if self._next is not None:
                    self._judge(seen)

    def look(self, steady: Steady | None) -> None:
        """One look at how steady the speed is."""
        target = self.next_rpm
        self._steady_s, self._speed_rpm = 0.0, math.nan
        if steady is None or not math.isfinite(steady.mean_rpm):
            return
        signal = (steady.mean_rpm - self._line[1]) / self._line[0]
        known = self._known()
        if known.proved:
            self._speed_rpm = known.place(signal).rpm
        if target is None or not known.near(signal, target, self.targets):
            return
        self._steady_s = steady.steady_s
        if steady.holding and steady.steady_s > steady.needed_s + LONG_S and self._long_reported != target:
            self._long_reported = target
            self._say("note", note("guide-held-long-enough", rpm=target), target)

    def here(self) -> None:
        """A person says that the speed held now is the one that was asked for: the next hold is taken to it."""
        self._here = self._next
        if self._here is not None:
            rpm = self._row[self._here].rpm
            self._say("note", note("guide-here", rpm=rpm), rpm)

    def skip(self) -> None:
        """Leave the next target out."""
        if self._next is None:
            return
        place = self._next
        self._row[place].state = "skipped"
        self._done.append(place)
        self._advance()
        rpm = self._row[place].rpm
        self._say("note", note("guide-left-out", rpm=rpm, **self._next_values()), rpm)
        self._refit()

    def redo(self) -> None:
        """Go back to the target before; a hold that was taken to it no longer counts."""
        if not self._done:
            self._say("note", note("guide-no-target-before"))
            return
        place = self._done.pop()
        for seen in [seen for seen in self._seen if seen.place == place and not seen.let_go][-1:]:
            seen.let_go = self._row[place].state == "taken"
        self._row[place].state = "open"
        self._at = place
        self._ask()
        self._say("note", note("guide-again", **self._next_values()), self._row[place].rpm)
        self._refit()

    def marks(self, holds: Sequence[Hold], pinned: Sequence[Pinned] = ()) -> tuple[HoldMark, ...]:
        """Accepted and target of each of a session's holds, at its end.

        Where the whole row, pinned stretches included, clearly reads otherwise than it was taken, no target is marked:
        a later fit by the targets must not be bound by a wrong one.
        """
        known = self._seen[self._session_from :]
        found = [next((seen for seen in known if seen.hold == hold), None) for hold in holds]
        rpm = [None if seen is None or seen.place is None else self._row[seen.place].rpm for seen in found]
        kept = [index for index, seen in enumerate(found) if seen is None or not seen.let_go]
        whole = self._whole_row([holds[i] for i in kept], [rpm[i] for i in kept], pinned) if self._row else None
        if whole is not None and whole.proved:
            self._say("note", note("guide-row-by-pulses"))
            rpm = [None] * len(holds)
            for place, index in enumerate(kept):
                rpm[index] = whole.target_rpm[place]
        elif whole is not None:
            self._say("note", warning("guide-row-unmarked"))
            rpm = [None] * len(holds)
        return tuple(
            HoldMark(
                accepted=seen is None or not seen.let_go,
                target_rpm=target,
                by_hand=seen is not None and self._said_by_hand(seen, target),
            )
            for seen, target in zip(found, rpm, strict=True)
        )

    def _said_by_hand(self, seen: _Seen, target: float | None) -> bool:
        """Whether a person said this very speed of the hold."""
        return seen.by_hand and seen.place is not None and self._row[seen.place].rpm == target

    def _whole_row(self, holds: list[Hold], rpm: list[float | None], pinned: Sequence[Pinned]) -> "_Reread | None":
        """The holds read again as a whole where that clearly contradicts how they were taken; else None."""
        hz = self._pulses(holds)
        # A driver may go through a list of his own: where the pulses can tell, all of the row is possible.
        heard = sum(value is not None for value in hz) >= PROVED_BY
        wanted = [target for target in self._row if target.state != "skipped" and (heard or target.asked)]
        targets = sorted({target.rpm for target in wanted})
        try:
            match = match_targets(holds, pinned, targets, self.plan.reading_error_rpm, hz)
        except InputError:
            return None
        differ = [
            seen
            for seen, taken, stuck in zip(match.target_rpm, rpm, match.stuck_at, strict=True)
            if taken is not None and (stuck is not None or seen not in (None, taken))
        ]
        if not differ or match.ambiguous:
            return None
        speeds = {rpm for rpm, value in zip(match.target_rpm, hz, strict=True) if value is not None} - {None}
        even = uneven_pulses(hz, match.target_rpm, self.plan.reading_error_rpm) is None
        return _Reread(match.target_rpm, even and len(speeds) >= PROVED_BY)

    def take_said(self) -> list[Said]:
        """What there is to tell since the last call."""
        told, self.said = self.said, []
        return told

    # -- judging ----------------------------------------------------------------------------------------------------

    def _judge(self, seen: _Seen) -> None:
        place, hold, known = self._next, seen.hold, self._known()
        if place is None:
            return
        target = self._row[place].rpm
        unit = self.car.need("engine_speed", "a guided drive").unit
        same = known.same_signal(hold, target)
        if same is not None:
            same_signal = warning("guide-same-signal", signal=hold.signal_mean, unit=unit, other_rpm=same, rpm=target)
            self._say("fault", same_signal, target)
            return
        if self._here == place:
            self._here, seen.by_hand = None, True
            self._count(seen, place)
            return
        if known.idles(hold, target):
            self._say("note", note("guide-idle", rpm=target), target)
            return
        if not known.near(hold.signal_mean, target, self.targets):
            open_ones = [other.rpm for other in self._row if other.state == "open"]
            other = known.near_unasked(hold.signal_mean, self.targets, open_ones)
            if other is None:
                self._stray(seen, target)
                return
            place = next(n for n, item in enumerate(self._row) if item.rpm == other and item.state == "open")
        self._count(seen, place)

    def _stray(self, seen: _Seen, target: float) -> None:
        """A hold that is near nothing; unless the whole row reads very much better with it."""
        asked = [item.rpm for item in self._row if item.asked and item.state != "skipped" and item.rpm != target]
        self._correct(asked, SURE)
        self._refit()
        if seen.place is None:
            about = round(self._known().place(seen.hold.signal_mean).rpm, -2)
            self._say("note", note("guide-not-near", about_rpm=about, rpm=target), target)

    def _count(self, seen: _Seen, place: int) -> None:
        seen.place = place
        target = self._row[place]
        target.state, target.asked = "taken", True
        self._done.append(place)
        asked = [item.rpm for item in self._row if item.asked and item.state != "skipped"]
        self._advance()
        before = len(self.said)
        self._correct(asked)
        self._refit()
        self._question_odd()
        held = None if seen.place is None else self._row[seen.place].rpm
        self._again()
        after, self.said = self.said[before:], self.said[:before]
        if held is not None:
            self._say("target", note("guide-taken", rpm=held, **self._progress_values()), held)
        self.said += after

    def _correct(self, asked: Sequence[float], margin: float = AMBIGUOUS) -> None:
        """Read the row of holds again as a whole, once there are three: a first hold may have been idle."""
        counted = [seen for seen in self._seen if not seen.let_go]
        if len({seen.place for seen in counted} - {None}) < 3:
            return
        now = [None if seen.place is None else self._row[seen.place].rpm for seen in counted]
        holds = [seen.hold for seen in counted]
        hz = self._pulses(holds)
        if sum(value is not None for value in hz) >= PROVED_BY:  # the pulses tell: he may be farther than was asked
            asked = [item.rpm for item in self._row if item.state != "skipped"]
        better = reread(holds, now, asked, self._line[1], self.plan.reading_error_rpm, margin, hz)
        if better is None:
            return
        for seen, old, new in zip(counted, now, better, strict=True):
            if old != new and not seen.by_hand:
                self._move(seen, None if new is None else next(n for n, t in enumerate(self._row) if t.rpm == new))
        self._ask()
        # 0 stands for a hold that is near no target
        self._say("note", note("guide-seen-together", rpm=tuple(0.0 if rpm is None else rpm for rpm in better)))

    def _move(self, seen: _Seen, place: int | None) -> None:
        left, seen.place = seen.place, place
        if left is not None and not any(other.place == left and not other.let_go for other in self._seen):
            self._row[left].state = "open"
        if place is not None:
            self._row[place].state = "taken"

    def _refit(self) -> None:
        rows = [seen for seen in self._seen if seen.place is not None and not seen.let_go]
        self.fit = self.uncertainty_rpm = None
        if len({seen.place for seen in rows}) < 3:
            return
        try:
            self.fit = fit_speed(
                [seen.hold for seen in rows],
                assigned=[self._row[seen.place or 0].rpm for seen in rows],
                reading_error_rpm=self.plan.reading_error_rpm,
                scale_error_pct=self.plan.scale_error_pct,
                model="line",
            )
        except InputError as error:
            self._say("note", str(error))
            return
        wanted = [target.rpm for target in self._row if target.state != "skipped"]
        self.uncertainty_rpm = largest_uncertainty(self.fit, min(wanted), max(wanted))

    def _question_odd(self) -> None:
        """A hold that the fit leaves out: its target is asked for again."""
        if self.fit is None:
            return
        rows = [seen for seen in self._seen if seen.place is not None and not seen.let_go]
        for seen, point in zip(rows, self.fit.points, strict=True):
            place = seen.place
            if point.used or place is None or self._row[place].state != "taken" or seen.hold in self._odd_reported:
                continue
            self._odd_reported.append(seen.hold)
            self._row[place].state = "open"
            self._ask()
            off = float(self.fit.rpm(seen.hold.signal_mean)) - self._row[place].rpm
            self._say("note", note("guide-odd-hold", off_rpm=off, rpm=self._row[place].rpm))

    def _again(self) -> None:
        """All are held and the uncertainty is still too large: the row once more, the other way."""
        if self._next is not None or self.plan.until_u_rpm is None or self.satisfied or self.uncertainty_rpm is None:
            return
        self._round += 1
        self._row.reverse()
        last = len(self._row) - 1
        for seen in self._seen:
            seen.place = None if seen.place is None else last - seen.place
        self._done = [last - place for place in self._done]
        for target in self._row:
            target.state = "open" if target.state == "taken" else target.state
        self._at = 0
        self._here = None
        self._ask()

    # -- small answers ------------------------------------------------------------------------------------------------

    @property
    def _next(self) -> int | None:
        """The first open target from here on, else the first one that was left behind."""
        order = [*range(self._at, len(self._row)), *range(self._at)]
        return next((place for place in order if self._row[place].state == "open"), None)

    def _advance(self) -> None:
        self._at = min(self._at + 1, len(self._row))
        self._ask()

    def _ask(self) -> None:
        if self._next is not None:
            self._at = self._next
            self._row[self._next].asked = True

    def _known(self) -> Known:
        rows = [(s.hold, self._row[s.place].rpm) for s in self._seen if s.place is not None and not s.let_go]
        return Known(self._line, tuple(rows), self.fit, self.plan.reading_error_rpm)

    def _pulses(self, holds: Sequence[Hold]) -> tuple[float | None, ...]:
        return (None,) * len(holds) if self.ear is None else self.ear.hz(holds)

    def _progress_values(self) -> dict[str, Value]:
        """How far the row is; `within_rpm` where the uncertainty is as small as was asked for."""
        return {
            "taken": self.taken,
            "count": len(self._row),
            "round": self._round,
            "u_rpm": self.uncertainty_rpm,
            "within_rpm": self.plan.until_u_rpm if self.satisfied else None,
            **self._next_values(),
        }

    def _next_values(self) -> dict[str, Value]:
        """The next target and how to hold it; `next_rpm` None when all are held."""
        hint = self.hint
        if hint is None:
            return {"next_rpm": None}
        road: dict[str, Value] = {"parked": hint.parked, "gear": hint.gear, "kmh": hint.kmh}
        return {"next_rpm": self.next_rpm, **road, "first_kmh": hint.first_kmh}

    def _say(self, kind: Literal["target", "note", "fault"], what: Finding | str, value: float | None = None) -> None:
        self.said.append(Said(kind, what, value))
