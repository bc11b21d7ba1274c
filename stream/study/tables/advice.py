"""What `advise-ignition` and `advise-mixture` answer: cells with the evidence behind each, and the cautions."""

import msgspec

DECIDES = (
    "these are proposals from limited evidence: a person decides, cell by cell, and drives a new clean session before "
    "the next step"
)
WATCH = (
    "watch knock (more advance, leaner), mixture, and exhaust heat (less advance, leaner) before, during and after any "
    "change; a second person watches the screen, on a closed road; local law rules, and no number here replaces a "
    "licensed professional"
)


class Cell(msgspec.Struct, frozen=True, kw_only=True):
    """One cell of a proposal.

    rpm, second_axis   the middle of the cell; second_axis None for full load
    now, proposed      degrees before top dead centre, or fuel multiplier (now 1); None: cannot be known, leave it
    low, high          95 % interval of the best advance, or of the measured multiplier; None on a side without bound
    estimate           best advance, or measured multiplier before any bound; None where there is none
    spread             standard deviation over the hits (mixture); None for ignition
    n                  pulls or steady stretches (ignition), hits (mixture)
    """

    rpm: float
    second_axis: float | None
    now: float | None
    proposed: float | None
    low: float | None
    high: float | None
    evidence: str
    n: int
    estimate: float | None = None
    spread: float | None = None


class Advice(msgspec.Struct, frozen=True, kw_only=True):
    """The answer of the two commands, as their JSON. `axis` names the second axis, '' where there is none."""

    cells: tuple[Cell, ...]
    warnings: tuple[str, ...]
    axis: str = ""
