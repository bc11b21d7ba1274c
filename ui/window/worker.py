"""Work off the window's thread: the window starts it and asks at every frame; nothing ever calls the window."""

import threading
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any

from stream.errors import SteadypullError, reason_of
from ui.text.figures import count, many

MANY = 10_000  # sessions are fewer; rows and samples are more, and are told in percent


class Task:
    """One piece of work. The worker's thread reads `stop` and writes `progress`; the window reads the rest."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.stop = threading.Event()
        self.progress: tuple[int, int] | None = None
        self.future: Future[Any] | None = None

    def tell(self, done: int, total: int) -> None:
        """For the work: how far it is."""
        self.progress = (done, total)

    @property
    def so_far(self) -> str:
        """What it does and how far it is, in words."""
        if self.progress is None:
            return f"{self.name} …"
        done, total = self.progress
        if not total:
            return f"{self.name}: {many(done, 'row')}"
        return (
            f"{self.name}: {100 * done // total} %" if total > MANY else f"{self.name}: {count(done)} of {count(total)}"
        )

    @property
    def trouble(self) -> str:
        """The one line of an error that a person can mend; any other error is raised, for it is a fault of ours."""
        error = None if self.future is None else self.future.exception()
        if error is None:
            return ""
        if isinstance(error, SteadypullError):
            return reason_of(error)
        raise error

    @property
    def result(self) -> Any:
        """What the work returned."""
        return None if self.future is None else self.future.result()


class Worker:
    """One thread, one task at a time, the newest first: starting another stops the one before. No thread until used."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._pool: ThreadPoolExecutor | None = None
        self.task: Task | None = None

    def start(self, name: str, work: Callable[[Task], Any]) -> Task:
        """Begin; what ran before is told to stop and its result is never seen."""
        self.drop()
        if self._pool is None:
            self._pool = ThreadPoolExecutor(max_workers=1, thread_name_prefix=self._name)
        task = Task(name)
        task.future = self._pool.submit(work, task)
        self.task = task
        return task

    def take(self) -> Task | None:
        """The task once it is over, and only once."""
        task = self.task
        if task is None or task.future is None or not task.future.done():
            return None
        self.task = None
        return task

    def look(self, say: Callable[[str], None]) -> Task | None:
        """One frame: `say` is told how far the task is; the task once it is over, and only once."""
        if self.task is not None:
            say(self.task.so_far)
        task = self.take()
        if task is not None:
            say("")
        return task

    def drop(self) -> None:
        """Forget the task, and do not begin it where it has not begun."""
        if self.task is not None:
            self.task.stop.set()
            if self.task.future is not None:
                self.task.future.cancel()
            self.task = None

    def wait(self, timeout_s: float = 30.0) -> None:
        """Block until the task is over: what is being written is not cut off."""
        if self.task is not None and self.task.future is not None:
            self.task.future.exception(timeout_s)

    def close(self) -> None:
        """Stop, and wait for the thread. Safe to call twice."""
        self.drop()
        if self._pool is not None:
            self._pool.shutdown(cancel_futures=True)
            self._pool = None
