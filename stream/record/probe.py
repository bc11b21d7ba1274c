"""Reading session files of a whole folder in a child process, so that no file can hang, bloat or crash this one.

A byte turned over can make HDF5 spin for ever in C, or take memory without end. The child reads one file after another
and says what it found; where it does not answer in time or dies, the file is called damaged and a new child goes on
with the next. Run as `python -m stream.record.probe` it is that child: a path a line in (JSON), a summary a line out.
"""

import json
import os
import selectors
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

import msgspec

from stream.record.summary import Summary, summarise

READ_S = 10.0  # chosen: a usual session is read in 0.02 s, on a disk that sleeps in some seconds
SLOWEST_BYTES_PER_S = 10e6  # chosen: a slow memory card
MEMORY_BYTES = 2 << 30
_ROOT = str(Path(__file__).parents[2])


class Prober:
    """Summaries of files, read in a child. A context manager, for one thread; the child starts when asked.
    `interrupt` is for any."""

    def __init__(self, read_s: float = READ_S) -> None:
        self.read_s = read_s
        self._child: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> "Prober":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """End the child. Safe to call twice."""
        child, self._child = self._child, None
        if child is None:
            return
        child.kill()
        for pipe in (child.stdin, child.stdout):
            if pipe is not None:
                with suppress(OSError):
                    pipe.close()
        child.wait()

    def interrupt(self) -> None:
        """Make a `summary` that waits in another thread end now; it calls its file damaged."""
        child = self._child
        if child is not None:
            child.kill()

    def summary(self, path: str | Path) -> Summary:
        """One session's summary, as `summarise` gives it, and 'broken' for a file that cannot be read to its end."""
        path = str(path)
        size = 0
        with suppress(OSError):
            size = os.stat(path).st_size  # noqa: PTH116 - a name that is no UTF-8 stays what it is
        answer = self._ask(path, self.read_s + size / SLOWEST_BYTES_PER_S)
        if isinstance(answer, str):
            self.close()
            return Summary(
                path=path, state="broken", trouble=f"is damaged ({answer}); use a copy of it, if there is one"
            )
        return msgspec.structs.replace(answer, path=path)

    def _ask(self, path: str, within_s: float) -> Summary | str:
        """What the child says of a file, or in words why it says nothing."""
        child = self._child = self._child or _start()
        if child.stdin is None or child.stdout is None:
            raise RuntimeError("a child without pipes")
        try:
            child.stdin.write(json.dumps(os.fsencode(path).hex()).encode() + b"\n")
            child.stdin.flush()
            line = _line(child.stdout.fileno(), within_s)
        except OSError:
            line = b""
        if line is None:
            return f"reading it did not end within {within_s:.0f} s"
        if not line.endswith(b"\n"):
            return "reading it broke off"
        return msgspec.json.decode(line, type=Summary)


def _line(number: int, within_s: float) -> bytes | None:
    """The next line from a pipe: what came of it where the pipe ends, None where the time does."""
    due = time.monotonic() + within_s
    got = b""
    with selectors.DefaultSelector() as selector:
        selector.register(number, selectors.EVENT_READ)
        while not got.endswith(b"\n"):
            if not selector.select(max(0.0, due - time.monotonic())):
                return None
            part = os.read(number, 1 << 16)
            if not part:
                return got
            got += part
    return got


def _start() -> "subprocess.Popen[bytes]":
    places = [_ROOT, *filter(None, [os.environ.get("PYTHONPATH")])]
    return subprocess.Popen(
        [sys.executable, "-m", "stream.record.probe"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(places)},
    )


def _serve() -> None:
    """The child: until nobody asks any more. Memory is bounded where the system can do that."""
    with suppress(ImportError, OSError, ValueError):
        import resource

        resource.setrlimit(resource.RLIMIT_DATA, (MEMORY_BYTES, MEMORY_BYTES))
    for line in sys.stdin.buffer:
        path = os.fsdecode(bytes.fromhex(json.loads(line)))
        found = msgspec.structs.replace(summarise(path, whole=True), path="")
        sys.stdout.buffer.write(msgspec.json.encode(found) + b"\n")
        sys.stdout.buffer.flush()


if __name__ == "__main__":
    _serve()
