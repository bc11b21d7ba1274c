"""A running drive in text, on standard error: what happens as lines, and one line of numbers on a terminal.

What a person types into it there is a word and Enter. Anything else but a terminal is left alone.
"""

import os
import select
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

import click

from ui.cli.paper import say_words

if TYPE_CHECKING:
    from stream.drive.drive import Drive
    from stream.drive.status import DriveStatus
    from stream.events import Event
if TYPE_CHECKING:
    from stream.drive.drive import Drive


LOOK_S = 0.1
NUMBERS_S = 0.5
LAST_STEP_S = 3.0  # chosen: a study of the last pull may take so long after the drive

WORDS: dict[str, str] = {
    "recording-began": "recording",
    "recording-ended": "recording ended",
    "hold-began": "steady from",
    "hold-done": "hold",
    "hold-broken": "hold broken",
    "pinned": "stuck",
    "pull-began": "pull begins",
    "pull-done": "pull",
    "pull-changed": "pull changed",
    "limit": "LIFT: limit",
    "limit-blind": "NOT WATCHED",
    "gap": "gap",
    "clipped": "out of range",
    "fault": "fault",
    "note": "note",
    "mark": "mark",
    "knock-heard": "KNOCK HEARD",
    "device-away": "device away",
    "device-back": "device back",
    "zero": "zero",
    "target": "target",
}


ODDITIES = {
    "bad_frames": "frames damaged",
    "misfit_frames": "frames that do not fit",
    "early_frames": "frames not yet described",
    "bad_lines": "lines that did not parse",
    "repeated": "frames repeated",
    "restarts": "restarts of the device",
    "cells_not_finite": "values not finite",
}


def say_oddities(counters: dict[str, int]) -> None:
    """What came over the line besides good samples, in one line; nothing where nothing did."""
    odd = [f"{words} {counters[name]}" for name, words in ODDITIES.items() if counters.get(name)]
    if odd:
        say_words(f"came over the line: {', '.join(odd)}")


def warn(lines: Iterable[str]) -> None:
    """Warnings, one line each, on standard error."""
    for line in lines:
        say_words(f"steadypull: warning: {line}")


def say(event: "Event") -> None:
    """One event as a line on standard error."""
    text = event.text or ("" if event.value is None or event.value != event.value else f"{event.value:.0f} rpm")
    head = f"{event.time_s:8.1f} s  {WORDS[event.kind]:<15} "
    say_words(f"{head}{text}".rstrip(), indent=len(head))


def follow(drive: "Drive", ends: float | None, ended: Callable[[], bool] = lambda: False) -> None:
    """Print events and numbers until the drive is done, `ends` (monotonic clock) is reached, or `ended` says so."""
    seen, told = 0, ""
    next_numbers = 0.0
    terminal = sys.stderr.isatty()
    stopping = False
    while not drive.done.wait(LOOK_S):
        seen = _say_new(drive, seen, terminal)
        told = _say_next_step(drive, told, terminal)
        now = time.monotonic()
        if terminal and now >= next_numbers:
            click.echo("\r\x1b[K" + numbers_line(drive.status()), err=True, nl=False)
            next_numbers = now + NUMBERS_S
        if not stopping and ((ends is not None and now >= ends) or ended()):
            drive.stop()
            stopping = True
    _say_new(drive, seen, terminal)
    if drive.coach is not None:
        drive.coach.join(LAST_STEP_S)
        _say_next_step(drive, told, terminal)


def _say_next_step(drive: "Drive", told: str, terminal: bool) -> str:
    """What to do next, at the start and after each pull, once; returns what was said last."""
    from ui.text.next_step import in_text

    step = drive.coach.step if drive.coach is not None else None
    text = "" if step is None else in_text(step)
    if not text or text == told:
        return told
    if terminal:
        click.echo("\r\x1b[K", err=True, nl=False)
    head = " " * 12
    say_words(f"{head}{text}", indent=len(head))
    return text


def _say_new(drive: "Drive", seen: int, terminal: bool) -> int:
    events, dropped = drive.events.since(seen)
    if events and terminal:
        click.echo("\r\x1b[K", err=True, nl=False)
    if dropped:
        click.echo(f"             {dropped} events were not shown", err=True)
    for event in events:
        say(event)
    return events[-1].number if events else seen


def numbers_line(status: "DriveStatus") -> str:
    """The numbers of this moment: time, speed, load, steadiness, health, further devices."""
    from ui.text.road import beside_cells

    parts = [f"{status.time_s:.0f} s"]
    if status.speed_rpm == status.speed_rpm:
        parts.append(f"{status.speed_rpm:.0f} rpm")
    if status.load == status.load:
        parts.append(f"{status.load:.3f} {status.load_unit}")
    if status.pull_now is not None:
        parts.append("PULL")
    elif status.steady is not None and status.steady.steady_s:
        parts.append(f"steady {status.steady.steady_s:.1f} s")
    parts.append(f"{status.holds} hold{'' if status.holds == 1 else 's'}")
    if status.targets:
        parts.append(_target_words(status))
    if status.health is not None and status.health.lost_samples:
        parts.append(f"{status.health.lost_samples} lost")
    parts += [f"{name}: {words}" for name, words, _ in beside_cells(status)]
    if status.state != "running":
        parts.append(status.state)
    return " · ".join(parts)


def _target_words(status: "DriveStatus") -> str:
    """The next target with what it means on the road, how far the row has come, and the uncertainty so far."""
    count = f"{status.targets_taken} of {len(status.targets)}"
    uncertainty = "" if status.uncertainty_rpm is None else f", uncertainty ±{status.uncertainty_rpm:.0f} rpm"
    if status.next_target_rpm is None:
        return f"all targets done ({count}{uncertainty})"
    road = "" if status.target_road_kmh is None else f", {status.target_road_kmh:.0f} km/h"
    return f"next {status.next_target_rpm:.0f} rpm{road} ({count}{uncertainty})"


TYPED_LOOK_S = 0.2
TYPED = "mark, zero, zero rolling, knock; with targets also here, skip, back"


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
            return f"{line.strip()!r} is none of the words: {TYPED}"
    return ""


@contextmanager
def typed(drive: "Drive") -> Iterator[None]:
    """Obey what is typed while this is open. Without a terminal of our own nothing is read and nothing happens."""
    over = threading.Event()
    if _ours():
        say_words(f"Type a word and Enter: {TYPED}.")
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
                over.wait(TYPED_LOOK_S)
                continue
            if not select.select([number], [], [], TYPED_LOOK_S)[0]:
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
