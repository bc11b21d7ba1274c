"""Which advance to try in which rev bands, and with how many pulls, so that the best is known to a wanted ± degrees.

Three settings about what is in the car now: one step less, the same, and as much more as the gate permits. They are
driven in that order, from less to more, so that knock is met as late as possible; each passed the gate. The pulls are
those that the known scatter asks for: the best is where the slope of load is nought, so its standard deviation is that
of the slope over twice the curvature; what the sessions know already counts.
"""

import math
from collections.abc import Sequence

import msgspec

from stream.findings import Finding, note, warning
from stream.study.compare.scatter import Scatter
from stream.study.stats import t_quantile
from stream.study.tables.gate import LEAST_STEP_DEG, AdvanceCell, Advice, Proposal
from stream.study.tables.ignition_pool import CURVATURE

DEFAULT_WITHIN_DEG = 2.0
LEAST_PULLS, MOST_PULLS = 2, 24  # one pull gives no scatter; chosen: more than a day of a comparison's looks is no plan
BANDS_TOGETHER = 4.0  # chosen: bands of 250 rpm that a best-advance curve ties together


class Try(msgspec.Struct, frozen=True, kw_only=True):
    """Drive this advance in this band, with so many pulls; `try_deg` is the gate's."""

    rpm: float
    try_deg: float
    pulls: int


class SweepPlan(msgspec.Struct, frozen=True, kw_only=True):
    """What to try, in the order to drive it: all bands at one step less, as they are, then a step more."""

    tries: tuple[Try, ...]
    within_deg: float
    findings: tuple[Finding, ...]


def plan_sweep(advice: Advice, scatter: Scatter, within_deg: float = DEFAULT_WITHIN_DEG) -> SweepPlan:
    """The plan from what `advise_ignition` found; bands whose best is known to ± within_deg are left out."""
    rows: list[tuple[int, Try]] = []
    findings: list[Finding] = []
    known, shut, many = [], [], []
    for cell in advice.cells:
        if cell.second_axis is not None or not cell.tries:
            continue
        half = _half(cell)
        if half <= within_deg:
            known.append(cell.rpm)
            continue
        settings = _different(cell.tries)
        if cell.now is None or not any(proposal.change_deg > 0 for _, proposal in settings):
            shut.append(cell.rpm)
        degrees = [proposal.deg for _, proposal in settings if proposal.deg is not None]
        wanted = _pulls(degrees, half, within_deg, scatter)
        if wanted > MOST_PULLS:
            many.append(cell.rpm)
        count = min(max(wanted, LEAST_PULLS), MOST_PULLS)
        rows += [
            (place, Try(rpm=cell.rpm, try_deg=round(float(proposal.deg), 3), pulls=count))
            for place, proposal in settings
            if proposal.deg is not None
        ]
    if not rows and not known:
        findings.append(warning("plan-nothing"))
    if known:
        findings.append(note("plan-known", rpm=tuple(known), within_deg=within_deg))
    if shut:
        findings.append(warning("plan-no-more", rpm=tuple(shut)))
    if many:
        findings.append(warning("plan-many", rpm=tuple(many), most=MOST_PULLS, within_deg=within_deg))
    rows.sort(key=lambda row: (row[0], row[1].rpm))
    return SweepPlan(tries=tuple(one for _, one in rows), within_deg=within_deg, findings=tuple(findings))


def as_steps(advice: Advice) -> Advice:
    """The advice with the plan's greatest advance as each cell's proposal, so that it is kept as a step proposed."""
    cells = tuple(
        msgspec.structs.replace(cell, proposal=cell.tries[-1]) if cell.tries else cell for cell in advice.cells
    )
    return msgspec.structs.replace(advice, cells=cells)


def _half(cell: AdvanceCell) -> float:
    """Half the interval of the best advance; infinite where there is none."""
    return math.inf if cell.low is None or cell.high is None else (cell.high - cell.low) / 2


def _different(tries: Sequence[Proposal]) -> list[tuple[int, Proposal]]:
    """(0 less, 1 as it is, 2 more; proposal) of settings that are really different."""
    kept: list[tuple[int, Proposal]] = []
    for place, proposal in enumerate(tries):
        if proposal.deg is None:
            continue
        if all(abs(proposal.deg - (other.deg or 0.0)) >= LEAST_STEP_DEG for _, other in kept):
            kept.append((place, proposal))
    return kept


def _pulls(settings: Sequence[float], half: float, within_deg: float, scatter: Scatter) -> int:
    """Pulls of each setting, each a turn of its own, that bring the 95 % interval to ± within_deg."""
    if len(settings) < 2:
        return LEAST_PULLS
    variance = scatter.level.pull**2 + scatter.level.turn**2 + scatter.shape.pull**2 / BANDS_TOGETHER
    middle = sum(settings) / len(settings)
    spread = sum((deg - middle) ** 2 for deg in settings)
    z = t_quantile(math.inf)
    wanted, there = (z / within_deg) ** 2, (z / half) ** 2
    needed = (wanted - there) * variance / (4 * CURVATURE**2 * spread)
    return math.ceil(min(needed, 10.0 * MOST_PULLS))
