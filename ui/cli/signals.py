"""SIGINT and SIGTERM, handled in one place for as long as something runs."""

import signal
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
