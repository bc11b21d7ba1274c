"""A progress bar on standard error, for work that takes longer than a blink. Nothing where there is no terminal."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager


@contextmanager
def progress(what: str, total: float) -> Iterator[Callable[[float], None]]:
    """Yields a function that is told how far the work is, from 0 to `total`."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
    console = Console(stderr=True)
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task(what, total=max(total, 1.0))
        yield lambda done: bar.update(task, completed=done)
