"""Work that takes longer than a blink: a progress bar on standard error, and signals that end it properly."""

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from ui.cli.process import SAME_S, on_signals


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
