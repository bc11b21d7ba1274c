"""What a person says of holds and pulls after the drive, and notes: written through the one door for changes."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from stream.errors import InputError
from stream.record import layout, tables
from stream.record.change import change_session
from stream.record.session import Session, open_session
from stream.record.tables import HoldMark, PullMark


@dataclass(frozen=True, slots=True)
class Marks:
    """Changes to make. Numbers count from 1, as the tables that are printed do.

    holds    number -> whether it counts
    targets  number -> the speed it was, rpm; None: none again
    pulls    number -> '', 'keep' or 'drop'
    note     a line to add to the session's note
    """

    holds: Mapping[int, bool] = field(default_factory=dict)
    targets: Mapping[int, float | None] = field(default_factory=dict)
    pulls: Mapping[int, PullMark] = field(default_factory=dict)
    note: str = ""


def mark_session(path: str | Path, marks: Marks) -> None:
    """Make the changes, all or none. Raises InputError: no such hold or pull, a speed that is none."""
    with open_session(path) as session:
        holds = new_hold_marks(session, marks)
        pulls = new_pull_marks(session, marks.pulls)
        hold_rows = tables.hold_rows(session.holds, holds)
        pull_rows = tables.pull_rows(session.pulls, pulls)
        note = "\n".join(part for part in (session.note, marks.note.strip()) if part)

    def edit(file: Any) -> None:
        if marks.holds or marks.targets:
            tables.replace_rows(file, layout.HOLDS, hold_rows)
        if marks.pulls:
            tables.replace_rows(file, layout.PULLS, pull_rows)
        if marks.note:
            file.attrs["note"] = layout.clean_text(note)

    change_session(path, edit)


def new_hold_marks(session: Session, marks: Marks) -> list[HoldMark]:
    """The marks of all holds with the changes in them."""
    new = list(session.hold_marks)
    for number, accepted in marks.holds.items():
        index = _index(session, number, len(new), "hold")
        new[index] = HoldMark(accepted=accepted, target_rpm=new[index].target_rpm)
    for number, rpm in marks.targets.items():
        index = _index(session, number, len(new), "hold")
        if rpm is not None and not (math.isfinite(rpm) and rpm > 0):
            raise InputError(f"hold {number}: {rpm:g} rpm is no speed; give a number above zero")
        new[index] = HoldMark(accepted=new[index].accepted, target_rpm=rpm)
    return new


def new_pull_marks(session: Session, pulls: Mapping[int, PullMark]) -> Sequence[PullMark]:
    """The marks of all pulls with the changes in them."""
    new = list(session.pull_marks)
    for number, mark in pulls.items():
        new[_index(session, number, len(new), "pull")] = mark
    return new


def _index(session: Session, number: int, count: int, what: str) -> int:
    if 1 <= number <= count:
        return number - 1
    if count:
        raise InputError(f"{session.path}: has no {what} {number}; it has {count}, counted from 1")
    cure = f"'steadypull replay {session.path} --headless -o NEW.h5' finds and writes what there is"
    raise InputError(f"{session.path}: holds no {what}; {cure}")
