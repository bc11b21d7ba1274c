"""What the process is to the system: standard streams that cannot fail, signals heard from the first moment, a keeper.

A recording is never ended by the place it prints to: what cannot be printed is let go, and told once at the end. A
signal that comes before a command waits for signals is not lost. Commands that read files run in a child of their own
under a keeper, for HDF5 can spin or crash in C over a damaged file, where no Python handler runs: the keeper ends such
a child soon after SIGINT, SIGTERM or SIGHUP, and says so in one line.
"""

import errno
import io
import json
import math
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from typing import Any

ENDING = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))
GRACE_S = 1.2  # from a signal to the end of a child that does not answer; with the end itself under 2 s
OPENING_S = 10.0  # of processor time; a sound file opens in 0.01 s
ROOM_S = 0.2  # chosen: how long a running drive waits for a display that takes nothing
JSON_FLAG = "--json"
SAME_S = 0.3  # a terminal sends Ctrl-C to keeper and child, and the keeper passes it on: one signal, not two
NOTHING: dict[str, Any] = {  # of a drive that was stopped before the device spoke
    "session": {
        "path": "",
        "tune": "",
        "rate_hz": None,
        "duration_s": 0.0,
        "channels": [],
        "lost_samples": 0,
        "clipped_samples": {},
    },
    "holds": [],
    "pinned": [],
    "pulls": [],
}
_PIECE = 4096  # PIPE_BUF: a pipe that is ready takes so many bytes without waiting
_SAID = b"s"  # told the keeper: the line about the end is printed
_DEATH_SIGNAL = 1  # PR_SET_PDEATHSIG of <sys/prctl.h>
# A drive ends its recording properly, so it cannot be hurried; the others here read no file of a stranger's.
_UNKEPT = {"drive", "rehearse", "car", "setup", "plan", "ports", "air", "explain"}


# -- streams ----------------------------------------------------------------------------------------------------------


class Sink(io.FileIO):
    """A standard stream that never raises: what it cannot write is let go, and `failure` keeps the first reason.

    `hurried` drops what the other end does not take within ROOM_S (a terminal stopped by Ctrl-S, a pipe nobody
    reads), so that a running drive is not held up by its display.
    """

    def __init__(self, number: int) -> None:
        super().__init__(number, "w", closefd=False)
        self.failure: OSError | None = None
        self.hurried = False
        self._stuck = False

    def write(self, data: Any, /) -> int:
        """As a file does, and everything counts as written."""
        size = memoryview(data).nbytes
        if self.hurried:
            self._stuck = not self._has_room(0.0 if self._stuck else ROOM_S)
            if self._stuck:
                return size
            data = memoryview(data).cast("B")[:_PIECE]
        try:
            written = super().write(data)
        except OSError as error:
            self.failure = self.failure or error
            return size
        return size if written is None else written

    def _has_room(self, wait_s: float) -> bool:
        import select

        if not hasattr(select, "poll"):
            return True
        poll = select.poll()
        poll.register(self.fileno(), select.POLLOUT)
        return bool(poll.poll(wait_s * 1000))


_sinks: dict[str, Sink] = {}


def open_streams() -> None:
    """Give the process three open streams, whatever it was started with.

    A closed one would hand its number to the next file that is opened, and what is printed would go into that file.
    """
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # takes the lowest number that is free
    if sys.stdin is None:
        sys.stdin = open(0, closefd=False)  # noqa: SIM115 - a number, and for the whole life of the process
    sys.stdout = _stream("stdout", 1, sys.stdout)
    sys.stderr = _stream("stderr", 2, sys.stderr)


def _stream(name: str, number: int, like: Any) -> io.TextIOWrapper:
    sink = _sinks[name] = Sink(number)
    return io.TextIOWrapper(
        io.BufferedWriter(sink),
        encoding=getattr(like, "encoding", None) or "utf-8",
        errors=getattr(like, "errors", None) or "backslashreplace",
        line_buffering=number == 2 or sink.isatty(),
    )


@contextmanager
def hurried_display() -> Iterator[None]:
    """While this is open, standard error that takes nothing holds nobody up."""
    sink = _sinks.get("stderr")
    if sink is not None:
        sink.hurried = True
    try:
        yield
    finally:
        if sink is not None:
            sink.hurried = False


def finished(code: int, words: Sequence[str]) -> int:
    """The exit code of a command that has run: an answer that could not be printed was not given.

    A reader that went away (`head`) had enough. What a drive prints in words is a display; its recording is the answer.
    """
    recorded = bool(words) and words[0] == "drive"
    for number in ENDING:  # it is over: nothing that comes now may make it look as if it were not
        signal.signal(number, signal.SIG_IGN)
    for stream in (sys.stdout, sys.stderr):
        stream.flush()
    sink = _sinks.get("stdout")
    failure = None if sink is None else sink.failure
    if code or failure is None or failure.errno == errno.EPIPE or (recorded and JSON_FLAG not in words):
        return code
    safe = "; what was recorded is safe" if recorded else ""
    say_error(f"the answer could not be printed ({failure.strerror}); send standard output to another place{safe}")
    return 3


def say_error(text: str) -> None:
    """The one line of an error, before click is there and after it has gone."""
    sys.stderr.write(f"steadypull: error: {text}\n")
    sys.stderr.flush()


# -- signals ----------------------------------------------------------------------------------------------------------

_early = threading.Event()  # a signal came before anybody waited for it, and C may have lost the exception
_begun = threading.Event()  # somebody has waited for signals
_answered: int | None = None  # pipe to the keeper: a signal was heard, and the end is on its way


class Stop(KeyboardInterrupt):
    """A signal asked for the end. Of a type of its own: CPython remembers a plain KeyboardInterrupt that passes through
    an exec(), as in the import of a dataclass, and then ends the process by SIGINT though it was caught."""


def listen(*, recording: bool) -> None:
    """Raise Stop at a signal from now on; with `recording` no more once a drive has begun.

    A drive waits for signals itself (`on_signals`), and what comes behind its end must change nothing.
    """
    last = -SAME_S

    def hear(*_: object) -> None:
        nonlocal last
        now = time.monotonic()
        again, last = now - last < SAME_S, now
        if again or (recording and _begun.is_set()):
            return
        _early.set()
        raise Stop

    for number in ENDING:
        if not _is_nohup(number):
            signal.signal(number, hear)
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, ENDING)


def print_json(value: Any) -> None:
    """Write JSON to standard output; a number that is not finite becomes null."""
    json.dump(_finite(value), sys.stdout, ensure_ascii=False, allow_nan=False)
    sys.stdout.write("\n")
    sys.stdout.flush()


def _finite(value: Any) -> Any:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: _finite(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_finite(item) for item in value]
    return value


def stopping() -> bool:
    """Whether a signal has asked for the end, and nobody has answered it yet."""
    return _early.is_set()


def stopped(words: Sequence[str]) -> int:
    """A command was stopped before its end: the words for it and the exit code."""
    if words[:1] != ["drive"]:
        say_error("stopped")
        if _answered is not None:
            os.write(_answered, _SAID)
        return 2
    sys.stderr.write("stopped before the device spoke; nothing was recorded\n")
    if JSON_FLAG in words:
        print_json(NOTHING)
    return 0


@contextmanager
def on_signals(work: Callable[[], None]) -> Iterator[None]:
    """Call `work` for every SIGINT, SIGTERM and SIGHUP while this is open, and for one that came too early for it.

    Only for the main thread.
    """
    kinds = [number for number in ENDING if not _is_nohup(number)]
    before = [signal.signal(kind, lambda *_: work()) for kind in kinds]
    _begun.set()
    try:
        if _early.is_set():
            _early.clear()
            work()
        yield
    finally:
        for kind, handler in zip(kinds, before, strict=True):
            signal.signal(kind, handler)


def take_time() -> None:
    """Tell the keeper that the end is on its way and may take long: a recording is being finished."""
    if _answered is not None:
        os.write(_answered, b".")


def leave() -> None:
    """End at once, code 0: all is safe, and what is still to be printed waits for a reader that does not read."""
    os._exit(0)


def _is_nohup(number: int) -> bool:
    """Whether whoever started the process wants it to outlive the terminal."""
    return number != signal.SIGINT and signal.getsignal(number) is signal.SIG_IGN


# -- the keeper -------------------------------------------------------------------------------------------------------


def kept(words: Sequence[str], run: Callable[[], int]) -> int:
    """Run a command, in a child under a keeper where it reads files; returns the exit code."""
    command = words[0] if words else ""
    if not command or command.startswith("-") or command in _UNKEPT or not hasattr(os, "fork"):
        listen(recording=command == "drive")
        return run()
    for stream in (sys.stdout, sys.stderr):
        stream.flush()
    reading, writing = os.pipe()
    keeper = os.getpid()
    signal.pthread_sigmask(signal.SIG_BLOCK, ENDING)  # until whoever has to hear them is ready
    child = os.fork()
    if child:
        os.close(writing)
        return _keep(child, reading)
    os.close(reading)
    from stream.record.disk import bound_reading

    _die_with(keeper)
    global _answered
    _answered = writing
    listen(recording=False)
    bound_reading(OPENING_S)
    return run()


def _keep(child: int, answered: int) -> int:
    """Wait for the child, pass signals on to it, and end it where it does not answer."""
    asked: list[int] = []
    said = b""  # of what the child told
    os.set_blocking(answered, False)

    def pass_on(number: int, _: object) -> None:
        if not asked:
            signal.setitimer(signal.ITIMER_REAL, GRACE_S)
        asked.append(number)
        os.kill(child, number)

    def end(*_: object) -> None:
        nonlocal said
        with suppress(BlockingIOError):
            said = os.read(answered, 8)
        if not said or _SAID in said:  # else it finishes a recording, and takes the time that needs
            os.kill(child, signal.SIGKILL)

    for number in ENDING:
        if not _is_nohup(number):
            signal.signal(number, pass_on)
    signal.signal(signal.SIGALRM, end)
    signal.pthread_sigmask(signal.SIG_UNBLOCK, ENDING)
    _, status = os.waitpid(child, 0)
    signal.setitimer(signal.ITIMER_REAL, 0)
    for number in ENDING:
        signal.signal(number, signal.SIG_IGN)
    code = os.waitstatus_to_exitcode(status)
    if code >= 0:
        return code
    if asked:
        if _SAID not in said:
            say_error("stopped, in the middle of a long computation or of a damaged file; use a copy of such a file")
        return 2
    if -code == signal.SIGVTALRM:
        say_error(f"a file was not opened within {OPENING_S:.0f} s of work: it is damaged; use a copy of it")
        return 2
    if -code in (signal.SIGSEGV, signal.SIGBUS, signal.SIGABRT, signal.SIGFPE, signal.SIGILL):
        say_error(f"reading stopped short ({signal.Signals(-code).name}): a file is damaged; use a copy of it")
        return 2
    signal.signal(-code, signal.SIG_DFL) if -code != signal.SIGKILL else None
    os.kill(os.getpid(), -code)  # killed from outside: so be it
    return 2


def _die_with(keeper: int) -> None:
    """Let the system end this child where its keeper is killed, where the system can."""
    if sys.platform != "linux":
        return
    import ctypes

    try:
        ctypes.CDLL(None).prctl(_DEATH_SIGNAL, signal.SIGKILL)
    except (OSError, AttributeError):
        return
    if os.getppid() != keeper:
        os._exit(2)
