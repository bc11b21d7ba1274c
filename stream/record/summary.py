"""A session in a line: what a shelf shows of it, read from the file without finding anything anew."""

from datetime import datetime
from functools import lru_cache
from pathlib import Path
from typing import Literal

import msgspec
import numpy as np

from stream.car import Car, parse_car
from stream.errors import InputError, line_without
from stream.record.layout import clean_text
from stream.record.names import journal_path
from stream.record.session import BusyError, Session, open_session

State = Literal["finished", "cut-off", "busy", "broken"]


class Summary(msgspec.Struct, frozen=True, kw_only=True):
    """One session. `trouble` is the error of one that cannot be read, or whose car file cannot be; '' for others.

    tunes             of the session and of its pulls, in order of appearance
    clipped_samples   outside the range that the car file states, all channels together
    faults            how many pulls have each fault
    journal           whether the journal of a session that was cut off lies beside it
    duration_s        None, like `started_utc`, where the file cannot be read
    """

    path: str
    state: State
    started_utc: datetime | None = None
    tunes: tuple[str, ...] = ()
    car: str = ""
    gear: int | None = None
    duration_s: float | None = None
    rate_hz: float | None = None
    holds: int = 0
    pulls_clean: int = 0
    pulls_flawed: int = 0
    faults: dict[str, int] = {}
    zeros: int = 0
    calibrated: bool = False
    lost_samples: int = 0
    clipped_samples: int = 0
    note: str = ""
    journal: bool = False
    trouble: str = ""

    @property
    def readable(self) -> bool:
        """Whether the session opens at all."""
        return self.state in ("finished", "cut-off")


def summarise(path: str | Path, *, whole: bool = False) -> Summary:
    """Read one session's summary. A file that cannot be read gives a summary that says why; nothing is raised.

    With `whole` everything that any command reads is read once, so that what is called sound can be read to its end.
    """
    path = Path(path)
    try:
        with open_session(path) as session:
            found = _of(session, whole)
            if whole and found.readable:
                session.read_all(samples=False)  # which were read to the end already
            return found
    except BusyError as error:
        return Summary(path=str(path), state="busy", trouble=_short(error, path))
    except InputError as error:
        return Summary(path=str(path), state="broken", trouble=_short(error, path))


def _of(session: Session, whole: bool) -> Summary:
    pulls = session.pulls
    faults: dict[str, int] = {}
    for pull in pulls:
        for fault in pull.faults:
            faults[fault] = faults.get(fault, 0) + 1
    clean = sum(pull.verdict == "clean" for pull in pulls)
    gears = {pull.gear for pull in pulls if pull.gear is not None}
    car, trouble = _car(session)
    return Summary(
        path=str(session.path),
        state="finished" if session.finished else "cut-off",
        started_utc=session.started_utc,
        tunes=tuple(dict.fromkeys(tune for tune in (session.tune, *(pull.tune for pull in pulls)) if tune)),
        car="" if car is None else car.car.name,
        gear=session.gear if session.gear is not None else gears.pop() if len(gears) == 1 else None,
        duration_s=session.duration_s,
        rate_hz=session.rate_hz,
        holds=len(session.holds),
        pulls_clean=clean,
        pulls_flawed=len(pulls) - clean,
        faults=faults,
        zeros=len(session.zeros),
        calibrated="speed" in session.calibrations(),
        lost_samples=session.lost_samples,
        clipped_samples=_clipped(session, car, whole),
        note=session.note,
        journal=not session.finished and journal_path(session.path).exists(),
        trouble=trouble,
    )


def _car(session: Session) -> tuple[Car | None, str]:
    try:
        return _parsed(session.car_text), ""
    except InputError as error:
        return None, f"{error}; give another car file beside it"


@lru_cache(maxsize=16)
def _parsed(text: str) -> Car:
    """One car drives many sessions."""
    return parse_car(text, "the car file in it")


def _clipped(session: Session, car: Car | None, whole: bool) -> int:
    """Samples outside their channel's stated range, counted as the live stage counts them; `whole` reads them all even
    where nothing is to be counted."""
    ranges = [None if car is None else getattr(car.by_name(name), "range", None) for name in session.info.names]
    stated = [(column, r) for column, r in enumerate(ranges) if r is not None]
    if not stated and not whole:
        return 0
    count = 0
    for _, slab in session.slabs():
        for column, (low, high) in stated:
            values = slab[:, column]
            count += int(np.count_nonzero(values < np.float32(low))) + int(np.count_nonzero(values > np.float32(high)))
    return count


def _short(error: InputError, path: Path) -> str:
    """The error's line without the path that stands beside it anyway."""
    return clean_text(line_without(error, path))
