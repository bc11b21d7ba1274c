"""The one gate of ignition: every advance that is proposed anywhere is made here, and nowhere else.

Whatever asks for an advance (a curve through settings, a smooth line over bands, a plan of settings to try) hands what
it wants to `gate` and gets a `Proposal`. A `Proposal` cannot be made by other code.

More advance passes only where knock was watched and absent, or a person listened and heard none; where no knock was
seen in the band or beside it; where the table's own cell is not in question; and where pulls were driven on what the
table holds now. What is not known (NaN, None) never passes. Degrees are before top dead centre throughout.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final, Literal

import msgspec

from stream.errors import InputError
from stream.findings import Finding, danger, note, warning

DEFAULT_STEP_DEG = 2.0
MOST_STEP_DEG = 5.0  # chosen: a step that crosses from safe to harmful knock in one go is no cautious step
LEAST_STEP_DEG = 0.25  # tables seldom resolve less
APART_DEG = 0.5  # chosen: logged advance scatters by about as much about its table
_EPS: Final = 1e-9
_MADE_BY_GATE: Final = object()

Knock = Literal["quiet", "seen", "unknown"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What is known of knock in one cell, one band on each side included.

    knock       'quiet' only where a channel that is alive covers every pull of the tune in the car here
    least_deg   least advance at which knock was seen or heard; NaN: not known at which
    listened    a person listened in all pulls of the tune in the car here, and heard none
    withdrawn   why more advance is refused whatever else is known: a limit was passed, knock is near
    reasons     what `knock` and `listened` rest on
    """

    knock: Knock = "unknown"
    least_deg: float = math.nan
    listened: bool = False
    withdrawn: tuple[Finding, ...] = ()
    reasons: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where an advance is asked for.

    now_deg      what the engine really ran with in the pulls of the tune in the car; NaN: not known
    table_deg    what the table in the car holds now; NaN: it is not known apart from now_deg
    tested       (least, greatest) advance that was driven here; NaN: none
    most_deg     the car file's advance_max_deg; None where it gives none
    odd          the table's cell is far off its neighbours, and nobody confirmed it
    """

    now_deg: float
    step_deg: float
    table_deg: float = math.nan
    tested: tuple[float, float] = (math.nan, math.nan)
    most_deg: float | None = None
    odd: bool = False


@dataclass(frozen=True, slots=True)
class Proposal:
    """The advance to try next in one cell; None where nothing can be proposed. `reasons` say what bounded it."""

    now_deg: float | None
    deg: float | None
    reasons: tuple[Finding, ...]
    _maker: object = field(default=None, repr=False, compare=False)

    def __post_init__(self) -> None:
        if self._maker is not _MADE_BY_GATE:
            raise TypeError("a proposal of advance is made by gate() alone")

    @property
    def change_deg(self) -> float:
        """Degrees of change; 0 where nothing is proposed."""
        return 0.0 if self.deg is None or self.now_deg is None else self.deg - self.now_deg


def check_step(step_deg: float) -> None:
    """Raises InputError where a step is not a bounded one."""
    if not 0 < step_deg <= MOST_STEP_DEG:
        raise InputError(
            f"a step of {step_deg:g} degrees: give degrees above 0 and up to {MOST_STEP_DEG:g}; 2 is usual",
            "advance-step",
            step_deg=step_deg,
            most_deg=MOST_STEP_DEG,
        )


def gate(wanted_deg: float | None, place: Place, evidence: Evidence) -> Proposal:
    """The one way to a proposal.

    wanted_deg   where load would be better; None or NaN: not known, so hold; inf: 'more', as far as is permitted
    """
    check_step(place.step_deg)
    now = place.now_deg
    if not math.isfinite(now):
        return _made(None, None, [warning("advance-unknown")])
    reasons: list[Finding] = []
    wanted = now if wanted_deg is None or math.isnan(wanted_deg) else wanted_deg
    deg = _less(wanted, place) if wanted < now else now
    if wanted > now:
        refusals = _refusals(place, evidence)
        reasons += refusals
        if not refusals:
            deg = _more(wanted, place)
    if evidence.knock == "seen":
        deg = min(deg, _below_knock(evidence, place))
        reasons = list(evidence.reasons)
    if place.most_deg is not None and not deg <= place.most_deg:
        deg = min(deg, now if math.isnan(place.most_deg) else place.most_deg)
        reasons.append(warning("advance-above-most", most_deg=place.most_deg))
    if deg > now + _EPS:
        reasons += evidence.reasons
    elif deg < now - _EPS and evidence.knock != "seen":
        reasons.append(note("advance-less"))
    return _made(now, deg, reasons)


def least_of(proposals: Iterable[Proposal], table_deg: float) -> Proposal:
    """What several bands permit of the one table cell that reaches over all of them: the least change of any.

    A band without a proposal permits no more advance. `table_deg` is what the cell holds now.
    """
    own = list(proposals)
    if not own or not math.isfinite(table_deg):
        return _made(None, None, [warning("advance-unknown")])
    changes = [one.change_deg for one in own]
    change = min(changes)
    return _made(table_deg, table_deg + change, list(own[changes.index(change)].reasons))


def _made(now_deg: float | None, deg: float | None, reasons: Iterable[Finding]) -> Proposal:
    kept: list[Finding] = []
    kept += (one for one in reasons if one not in kept)
    return Proposal(now_deg, deg, tuple(kept), _MADE_BY_GATE)


def _less(wanted: float, place: Place) -> float:
    """A bounded step towards less advance, and not far below what was driven."""
    bounds = [wanted, place.now_deg - place.step_deg]
    if math.isfinite(place.tested[0]):
        bounds.append(place.tested[0] - place.step_deg)
    return min(max(bounds), place.now_deg)


def _more(wanted: float, place: Place) -> float:
    """A bounded step towards more advance, not beyond what was driven and a step. All of `_refusals` are answered."""
    most = min(wanted, place.now_deg + place.step_deg, place.tested[1] + place.step_deg)
    in_car = place.now_deg if math.isnan(place.table_deg) else max(place.now_deg, place.table_deg)
    return most if most > in_car + _EPS else place.now_deg


def _refusals(place: Place, evidence: Evidence) -> list[Finding]:
    """Why more advance is refused; empty where it is permitted."""
    refused = list(evidence.withdrawn)
    if evidence.knock == "seen" or (evidence.knock != "quiet" and not evidence.listened):
        refused += evidence.reasons or (warning("knock-unknown"),)
    if place.odd:
        refused.append(warning("advance-cell-odd-here", now_deg=place.now_deg))
    if not all(math.isfinite(end) for end in place.tested):
        refused.append(warning("advance-untested"))
    apart = min(APART_DEG, 0.5 * place.step_deg)
    if math.isfinite(place.table_deg) and abs(place.table_deg - place.now_deg) > apart + _EPS:
        refused.append(warning("advance-not-driven", table_deg=place.table_deg, driven_deg=place.now_deg))
    return refused


def _below_knock(evidence: Evidence, place: Place) -> float:
    """One step less than the least advance at which knock was seen; where none is known, than what is in the car."""
    least = evidence.least_deg if math.isfinite(evidence.least_deg) else place.now_deg
    return least - place.step_deg


def cautions() -> tuple[Finding, ...]:
    """What stands beside every proposal: a person decides, and what to watch."""
    return danger("advice-person-decides"), danger("advice-watch")


class AdvanceCell(msgspec.Struct, frozen=True, kw_only=True):
    """One cell of the ignition table; `now` and `proposed` (degrees before top dead centre) are the gate's.

    rpm, second_axis   the middle of the cell; second_axis None for full load
    low, high          95 % interval of the best advance; None on a side without bound
    estimate           best advance; None where there is none
    n                  pulls or steady stretches
    tries              one step less, what is in the car, and as much more as is permitted, each the gate's own
    reached            what the second axis ran through here, in the table's unit; None where that is not known
    """

    rpm: float
    second_axis: float | None
    proposal: Proposal
    low: float | None
    high: float | None
    evidence: tuple[Finding, ...]
    n: int
    estimate: float | None = None
    tries: tuple[Proposal, ...] = ()
    reached: tuple[float, float] | None = None

    @property
    def now(self) -> float | None:
        """What the engine ran with; None where it is not known."""
        return self.proposal.now_deg

    @property
    def proposed(self) -> float | None:
        """What to try next; None: cannot be known, leave it."""
        return self.proposal.deg


class Advice(msgspec.Struct, frozen=True, kw_only=True):
    """Proposals of advance, cell by cell. `axis` names the second axis, '' where there is none, in `unit`."""

    cells: tuple[AdvanceCell, ...]
    findings: tuple[Finding, ...]
    axis: str = ""
    unit: str = ""
