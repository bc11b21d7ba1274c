"""Work that takes longer than a blink: a progress bar on standard error, and signals that end it properly."""

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager


@contextmanager
def on_signals(work: Callable[[], None]) -> Iterator[None]:
    """Call `work` for every SIGINT and SIGTERM while this is open. Only for the main thread."""
    kinds = [signal.SIGINT, signal.SIGTERM]
    before = [signal.signal(kind, lambda *_: work()) for kind in kinds]
    try:
        yield
    finally:
        for kind, handler in zip(kinds, before, strict=True):
            signal.signal(kind, handler)


@contextmanager
def progress(what: str, total: float) -> Iterator[Callable[[float], None]]:
    """Yields a function that is told how far the work is, from 0 to `total`.

    Ctrl-C is kept until then, and raised there as KeyboardInterrupt: raised anywhere, it is lost where C calls back.
    A second one does not wait.
    """
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    asked = threading.Event()

    def ask() -> None:
        if asked.is_set():
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
