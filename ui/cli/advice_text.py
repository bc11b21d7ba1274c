"""Proposals as text: a table of cells, the evidence of each, and what to mind."""

from typing import TYPE_CHECKING

from ui.cli.paper import console, plain_table, say_warnings
from ui.text.findings import say_all
from ui.text.tables import evidence

if TYPE_CHECKING:
    from stream.study.tables.advice import Advice


def print_advice(advice: "Advice", about: str, of_what: str, decimals: int) -> None:
    """The cells with `decimals` decimals, the evidence line by line, the warnings last."""
    out = console()
    out.print(about)
    table = plain_table("rpm", *([advice.axis] * bool(advice.axis)), "now", "proposed", "from", "to", "n")

    def number(value: float | None) -> str:
        return "" if value is None else f"{value:.{decimals}f}"

    for cell in advice.cells:
        second = "full load" if cell.second_axis is None else f"{cell.second_axis:g}"
        values = (number(value) for value in (cell.now, cell.proposed, cell.low, cell.high))
        table.add_row(f"{cell.rpm:.0f}", *([second] * bool(advice.axis)), *values, str(cell.n))
    out.print(table)
    out.print(f"From and to: the 95 % interval of {of_what}, empty on a side without bound. Evidence:")
    for cell in advice.cells:
        place = f"{cell.rpm:.0f}" if cell.second_axis is None else f"{cell.rpm:.0f}, {cell.second_axis:g}"
        out.print(f"{place}: {evidence(cell)}")
    say_warnings(out, say_all(advice.findings))
