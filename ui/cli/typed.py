"""What a person types into a drive without a window: a word and Enter. Anything else but a terminal is left alone."""

import os
import select
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from ui.cli.paper import say_words

if TYPE_CHECKING:
    from stream.drive.drive import Drive

LOOK_S = 0.2
WORDS = "mark, zero, zero rolling, knock; with targets also here, skip, back"


def obey(drive: "Drive", line: str) -> str:
    """Do what was typed; what is to be said of it, '' where an event says it."""
    word, _, rest = line.strip().partition(" ")
    guided = bool(drive.status().targets)
    row: dict[str, Callable[[], None]] = {
        "here": drive.here,
        "skip": drive.skip_target,
        "back": drive.redo_target,
    }
    match word.lower():
        case "":
            return ""
        case "mark":
            drive.mark(rest.strip())
        case "zero" if rest.strip() in ("", "rolling", "standing"):
            drive.zero(rest.strip() == "rolling")
        case "knock":
            drive.knock_heard()
        case "here" | "skip" | "back" as asked if guided:
            row[asked]()
        case _:
            return f"{line.strip()!r} is none of the words: {WORDS}"
    return ""


@contextmanager
def typed(drive: "Drive") -> Iterator[None]:
    """Obey what is typed while this is open. Without a terminal of our own nothing is read and nothing happens."""
    over = threading.Event()
    if _ours():
        say_words(f"Type a word and Enter: {WORDS}.")
        threading.Thread(target=_listen, args=(drive, over), name="steadypull-typed", daemon=True).start()
    try:
        yield
    finally:
        over.set()


def _ours() -> bool:
    """Whether standard input is a terminal in whose foreground we are: a read in the background would stop us."""
    try:
        return sys.stdin.isatty() and os.tcgetpgrp(sys.stdin.fileno()) == os.getpgrp()
    except (AttributeError, OSError, ValueError):  # no such call on this system; closed; no file behind it
        return False


def _listen(drive: "Drive", over: threading.Event) -> None:
    kept = b""
    try:
        number = sys.stdin.fileno()
        while not over.is_set():
            if not _ours():
                over.wait(LOOK_S)
                continue
            if not select.select([number], [], [], LOOK_S)[0]:
                continue
            data = os.read(number, 4096)
            if not data:
                return
            *lines, kept = (kept + data).split(b"\n")
            for line in lines:
                answer = obey(drive, line.decode("utf-8", "replace"))
                if answer:
                    say_words(answer)
    except (OSError, ValueError):  # the terminal went away
        return
