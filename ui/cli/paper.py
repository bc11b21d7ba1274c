"""How text leaves the commands: wrapped between words on a terminal, whole in a pipe; and plain tables."""

import shutil
import sys
import textwrap
from collections.abc import Iterable
from typing import Any

import click

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
