"""What is answered about the ignition table: cells with the evidence behind each, and the cautions."""

import msgspec

from stream.findings import Finding, danger
from stream.study.tables.gate import Proposal


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
    """Proposals of advance, cell by cell. `axis` names the second axis, '' where there is none."""

    cells: tuple[AdvanceCell, ...]
    findings: tuple[Finding, ...]
    axis: str = ""
