"""How text leaves the commands: wrapped between words on a terminal, whole in a pipe; plain tables;
proposals with the evidence of each cell; progress on standard error.
"""

import shutil
import sys
import textwrap
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import click

from ui.cli.process import SAME_S, on_signals
from ui.text.findings import say_all

if TYPE_CHECKING:
    from stream.study.tables.gate import Advice
    from ui.text.chain import Sheet


PIPE_COLUMNS = 200  # a table in a pipe or a file is laid out for this; nothing is cut there


def console() -> Any:
    """Where the text goes: standard output, names printed as they are."""
    from rich.console import Console

    if sys.stdout.isatty():
        return Console(highlight=False, markup=False)
    return Console(highlight=False, markup=False, soft_wrap=True, width=PIPE_COLUMNS)


def plain_table(*heads: str) -> Any:
    """A table without lines, figures to the right; a cell that is too long goes on below, for half a name is none."""
    from rich.table import Table

    table = Table(*heads, box=None, pad_edge=False)
    for column in table.columns:
        column.justify, column.overflow = "right", "fold"
    return table


def print_parts(parts: "Iterable[str | Sheet]") -> None:
    """Lines and tables on standard output."""
    out = console()
    for part in parts:
        if isinstance(part, str):
            out.print(part)
            continue
        table = plain_table(*part.heads)
        for column in part.left:
            table.columns[column].justify = "left"
        for row in part.rows:
            table.add_row(*row)
        out.print(table)


def say_words(text: str, indent: int = 0) -> None:
    """A line on standard error; on a terminal it is wrapped between words, what follows the first line `indent` in."""
    if sys.stderr.isatty():
        columns = max(shutil.get_terminal_size().columns, indent + 20)
        text = textwrap.fill(
            text,
            columns,
            subsequent_indent=" " * indent,
            break_long_words=False,
            break_on_hyphens=False,
            drop_whitespace=True,
            replace_whitespace=False,
        )
    click.echo(text, err=True)


def say_warnings(out: Any, warnings: Iterable[str]) -> None:
    """Warnings, one line each, below the answer."""
    for line in warnings:
        out.print(f"Warning: {line}.")


def print_advice(advice: "Advice", about: str, of_what: str, decimals: int) -> None:
    """The cells with `decimals` decimals, the evidence line by line, the warnings last."""
    out = console()
    out.print(about)
    table = plain_table("rpm", *([advice.axis] * bool(advice.axis)), "now", "proposed", "from", "to", "n")

    from ui.text.tables import evidence_lines

    def number(value: float | None) -> str:
        return "" if value is None else f"{value:.{decimals}f}"

    for cell in advice.cells:
        second = "full load" if cell.second_axis is None else f"{cell.second_axis:g}"
        values = (number(value) for value in (cell.now, cell.proposed, cell.low, cell.high))
        table.add_row(f"{cell.rpm:.0f}", *([second] * bool(advice.axis)), *values, str(cell.n))
    out.print(table)
    out.print(f"From and to: the 95 % interval of {of_what}, empty on a side without bound. What they rest on, by rpm:")
    for line in evidence_lines(advice):
        out.print(line)
    say_warnings(out, say_all(advice.findings))


@contextmanager
def progress(what: str, total: float) -> Iterator[Callable[[float], None]]:
    """Yields a function that is told how far the work is, from 0 to `total`.

    Ctrl-C is kept until then, and raised there as KeyboardInterrupt: raised anywhere, it is lost where C calls back.
    A second one does not wait.
    """
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    asked = threading.Event()
    first = 0.0

    def ask() -> None:
        nonlocal first
        if not asked.is_set():
            first = time.monotonic()
        elif time.monotonic() - first > SAME_S:
            raise KeyboardInterrupt
        asked.set()

    columns = (TextColumn("{task.description}"), BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
    console = Console(stderr=True)
    with on_signals(ask), Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task(what, total=max(total, 1.0))

        def tell(done: float) -> None:
            if asked.is_set():
                raise KeyboardInterrupt
            bar.update(task, completed=done)

        yield tell
