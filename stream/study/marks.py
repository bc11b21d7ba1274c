"""What a person says of holds and pulls after the drive, and notes: written through the one door for changes."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import msgspec

from stream.errors import InputError
from stream.record import layout, tables
from stream.record.change import add_heard, change_session, set_conditions
from stream.record.session import Session, open_session
from stream.record.tables import Heard, HoldMark, PullMark, Weather


@dataclass(frozen=True, slots=True)
class Marks:
    """Changes to make. Numbers count from 1, as the tables that are printed do.

    holds    number -> whether it counts
    targets  number -> the speed it was, rpm; None: none again
    pulls    number -> what is said of it
    heard    knock heard or not heard; takes the place of what was said of the same pulls
    air      the air of the day, in place of what was kept
    note     a line to add to the session's note
    """

    holds: Mapping[int, bool] = field(default_factory=dict)
    targets: Mapping[int, float | None] = field(default_factory=dict)
    pulls: Mapping[int, PullMark] = field(default_factory=dict)
    heard: Sequence[Heard] = ()
    air: Weather | None = None
    note: str = ""


def mark_session(path: str | Path, marks: Marks) -> None:
    """Make the changes, all or none. Raises InputError: no such hold or pull, a speed that is none."""
    with open_session(path) as session:
        holds = new_hold_marks(session, marks)
        pulls = new_pull_marks(session, marks.pulls)
        hold_rows = tables.hold_rows(session.holds, holds)
        pull_rows = tables.pull_rows(session.pulls, pulls)
        for said in marks.heard:
            if said.pull:
                _index(session, said.pull, len(session.pulls), "pull")
        note = "\n".join(part for part in (session.note, marks.note.strip()) if part)

    def edit(file: Any) -> None:
        if marks.holds or marks.targets:
            tables.replace_rows(file, layout.HOLDS, hold_rows)
        if marks.pulls:
            tables.replace_rows(file, layout.PULLS, pull_rows)
        if marks.heard:
            add_heard(file, marks.heard)
        if marks.air is not None:
            set_conditions(file, marks.air)
        if marks.note:
            file.attrs["note"] = layout.clean_text(note)

    change_session(path, edit)


def copy_said(path: str | Path, new: str | Path) -> None:
    """Copy the air of the day, and what was heard, from a session to one made of it by a replay.

    What was said of a pull follows that pull where the replay found it too, by its time; where it did not, a knock
    heard counts for the whole session, and 'heard none' for nothing.
    """
    with open_session(path) as session, open_session(new) as made:
        weather, heard, pulls, found = session.conditions, session.heard, session.pulls, made.pulls
    if weather is None and not heard:
        return
    said = []
    for row in heard:
        pull = 0
        if row.pull:
            middle = (pulls[row.pull - 1].start_s + pulls[row.pull - 1].end_s) / 2 if row.pull <= len(pulls) else -1.0
            inside = (number for number, one in enumerate(found, 1) if one.start_s <= middle <= one.end_s)
            pull = next(inside, 0)
        if pull or not row.pull or row.heard:
            said.append(msgspec.structs.replace(row, pull=pull))

    def edit(file: Any) -> None:
        set_conditions(file, weather)
        add_heard(file, said)

    change_session(new, edit)


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
    raise InputError(
        f"{session.path}: holds no {what}; a replay into a new session finds and writes what there is",
        code="nothing-to-mark",
        path=session.path,
        what=what,
    )
