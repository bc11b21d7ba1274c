"""What the commands of the study share: their options, reading the sessions, and how their text looks."""

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

import click

from stream.errors import InputError
from ui.cli.options import Decorator

if TYPE_CHECKING:
    from stream.study.pulls import PullTrace

sessions_argument: Decorator = click.argument("session_paths", metavar="SESSION…", nargs=-1, required=True)
band_option: Decorator = click.option(
    "--band", "width", type=float, default=250.0, metavar="RPM", help="Width of the rev bands.  [250]"
)


def read_pulls(session_paths: Sequence[str]) -> tuple[list["PullTrace"], list[str]]:
    """The pulls of the sessions, and what must be said of these. Raises InputError where none has a pull."""
    from stream.study.dataset import open_datasets
    from stream.study.pulls import all_traces

    pulls, words = all_traces(open_datasets(session_paths))
    if not pulls:
        many = "none of these sessions" if len(session_paths) > 1 else session_paths[0]
        raise InputError(f"{many}: no pull was found; 'steadypull replay SESSION' shows what was, then drive one")
    return pulls, words


def say_warnings(out: Any, warnings: Iterable[str]) -> None:
    """What to mind, one line each, below the answer."""
    for line in warnings:
        out.print(f"Mind: {line}.")
