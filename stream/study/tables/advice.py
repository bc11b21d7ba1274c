"""What `advise-ignition` and `advise-mixture` answer: cells with the evidence behind each, and the cautions."""

import msgspec

from stream.findings import Finding, danger
from stream.study.tables.gate import Proposal


def cautions() -> tuple[Finding, ...]:
    """What stands beside every proposal: a person decides, and what to watch."""
    return danger("advice-person-decides"), danger("advice-watch")


class Cell(msgspec.Struct, frozen=True, kw_only=True):
    """One cell of the fuel table.

    rpm, second_axis   the middle of the cell
    now, proposed      fuel multiplier (now 1); None: cannot be known, leave it
    low, high          95 % interval of the measured multiplier; None on a side without bound
    estimate           measured multiplier before any bound; None where there is none
    spread             standard deviation over the hits
    n                  hits
    """

    rpm: float
    second_axis: float | None
    now: float | None
    proposed: float | None
    low: float | None
    high: float | None
    evidence: tuple[Finding, ...]
    n: int
    estimate: float | None = None
    spread: float | None = None


class AdvanceCell(msgspec.Struct, frozen=True, kw_only=True):
    """One cell of the ignition table; `now` and `proposed` (degrees before top dead centre) are the gate's.

    rpm, second_axis   the middle of the cell; second_axis None for full load
    low, high          95 % interval of the best advance; None on a side without bound
    estimate           best advance; None where there is none
    n                  pulls or steady stretches
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
    spread: None = None
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
    """The answer of the two commands. `axis` names the second axis, '' where there is none."""

    cells: tuple[Cell | AdvanceCell, ...]
    findings: tuple[Finding, ...]
    axis: str = ""
