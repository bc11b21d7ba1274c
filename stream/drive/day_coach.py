"""The coach in the car: after each pull, what to do next, from this drive's pulls and the day's earlier sessions.

A thread of its own: the engine only leaves things in its box, and whoever shows the advice reads the newest one. It
sets no verdict and writes nothing, so that a slow study, or one that fails, delays and changes no recording.
"""

import threading
from collections import deque
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from stream.block import Block
from stream.errors import InputError
from stream.live.records import LiveRows, Pull, PullFault
from stream.record.names import journal_path
from stream.record.tables import Zero
from stream.study.compare.coach import Advice, coach
from stream.study.compare.scatter import Scatter, known_scatter
from stream.study.dataset import Dataset, open_dataset
from stream.study.pulls import PullTrace, all_traces, load_key, pull_traces
from stream.study.running import RunningSession

FIRST_S = 1.5  # chosen: a session begins undisturbed; a study at once would hold its recorder back by 0.3 s (measured)
LOOK_S = 0.1
AGAIN_S = 1.0  # an earlier session of this drive that is still being finished is looked for again


@dataclass(frozen=True, slots=True)
class NextStep:
    """What to do next, as known after the `pulls` first pulls of the session that runs.

    number      counts the studies, from 1
    advice      the coach's; None where it could not be had, and `trouble` says why
    tune        in the car
    faults      of the newest pull of this session; none where it is clean, or there is none
    wants_zero  load is measured, and this session has no zero yet
    """

    number: int
    pulls: int
    advice: Advice | None
    tune: str
    faults: tuple[PullFault, ...]
    wants_zero: bool
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class _Known:
    """Pulls of an earlier session, as the file was and the calibration it was read with."""

    stamp: tuple[int, int, str]
    pulls: tuple[PullTrace, ...]


class DayCoach(threading.Thread):
    """Hand it what happens; `step` is the newest advice, None before the first."""

    def __init__(self) -> None:
        super().__init__(name="steadypull-coach", daemon=True)
        self.step: NextStep | None = None
        self._box: deque[RunningSession | tuple[int, Block, LiveRows] | tuple[Pull, ...] | Zero] = deque()
        self._ask, self._ended = threading.Event(), threading.Event()
        self._session: RunningSession | None = None
        self._known: dict[Path, _Known] = {}
        self._scatter: Scatter | None = None
        self._waiting = False  # for an earlier session that is still being finished
        self._studies = 0
        self._begun = False

    # -- for the engine's thread: all return at once ------------------------------------------------------------------

    def begin(self, session: RunningSession) -> None:
        """A new session begins."""
        self._box.append(session)
        self._ask.set()

    def hear(self, first: int, block: Block, rows: LiveRows) -> None:
        """The next block of the session, whose first sample has the index `first` in it, and its live rows."""
        self._box.append((first, block, rows))

    def pulls(self, pulls: Sequence[Pull]) -> None:
        """The pulls of the session so far, after one was judged."""
        self._box.append(tuple(pulls))
        self._ask.set()

    def zero(self, zero: Zero) -> None:
        """A zero was taken in the session."""
        self._box.append(zero)
        self._ask.set()

    def stop(self) -> None:
        """No more will come; what was asked is still answered."""
        self._ended.set()
        self._ask.set()

    # -- the coach's own thread ---------------------------------------------------------------------------------------

    def run(self) -> None:
        """The thread's whole life."""
        while True:
            asked = self._ask.wait(AGAIN_S if self._waiting else LOOK_S)
            self._ask.clear()
            self._empty_box()
            if self._begun:
                self._begun = False
                self._ended.wait(FIRST_S)
                self._empty_box()
            if self._session is not None and (asked or self._waiting):
                self._answer(self._session)
            if self._ended.is_set() and not self._box:
                return

    def _empty_box(self) -> None:
        while self._box:
            item = self._box.popleft()
            session = self._session
            if isinstance(item, RunningSession):
                self._session, self._begun = item, True
            elif session is None:
                continue
            elif isinstance(item, Zero):
                session.zeros = (*session.zeros, item)
            elif item and isinstance(item[0], int):
                session.take(*item)
            else:
                session.pulls = item

    def _answer(self, session: RunningSession) -> None:
        advice, trouble = None, ""
        try:
            advice = self._study(session)
        except InputError as error:
            trouble = str(error)
        except Exception as error:  # noqa: BLE001 - whatever a study stumbles over, the drive goes on, and it is said
            trouble = f"the study failed: {error!r}"
        self._studies += 1
        last = session.pulls[-1] if session.pulls else None
        self.step = NextStep(
            self._studies,
            len(session.pulls),
            advice,
            session.tune,
            () if last is None or last.verdict == "clean" else last.faults,
            session.car.by_role("load") is not None and not session.zeros,
            trouble,
        )

    def _study(self, session: RunningSession) -> Advice:
        pulls = self._day(session)
        if self._scatter is None and pulls:
            self._scatter = known_scatter(pulls, session.path.parent, busy=[session.path])
        base = next((pull.tune for pull in pulls if pull.usable), session.tune)
        trial = session.tune if session.tune not in ("", base) else None
        return coach(pulls, base, trial) if self._scatter is None else coach(pulls, base, trial, scatter=self._scatter)

    def _day(self, session: RunningSession) -> list[PullTrace]:
        """The pulls of the day's earlier sessions in the folder and of the one that runs.

        The newest calibration of these sessions reads the drive's own pulls, and those of sessions without one, so that
        all stand in one rev scale.
        """
        self._waiting = False
        opened: list[Dataset] = []
        try:
            for path in sorted(session.path.parent.glob("*.h5")):
                if path != session.path and (found := self._open(path, session)) is not None:
                    opened.append(found)
            fits = [data.calibration for data in opened if data.calibration is not None]
            newest = max(fits, key=lambda fit: fit.when, default=None)
            for data in opened:
                data.calibration = data.calibration or newest
            own = [session.dataset(newest)] if session.pulls else []
            pulls, _ = all_traces([*opened, *own], self._traces)
        finally:
            for data in opened:
                data.close()
        return pulls

    def _traces(self, data: Dataset) -> Sequence[PullTrace]:
        """The pulls of a session; those of a file that has not changed are kept."""
        if isinstance(data.session, RunningSession):
            return pull_traces(data)
        stamp = (*_stamp(data.path), "" if data.calibration is None else data.calibration.when)
        known = self._known.get(data.path)
        if known is None or known.stamp != stamp:
            known = self._known[data.path] = _Known(stamp, tuple(pull_traces(data)))
        return known.pulls

    def _open(self, path: Path, session: RunningSession) -> Dataset | None:
        """An earlier session of this day and car with its load on the same scale; None where it is none."""
        if journal_path(path).exists():  # being recorded, or cut off
            self._waiting = self._waiting or _stamp(path)[0] >= session.started_utc.timestamp() * 1e9 - 10e9
            return None
        with suppress(InputError):
            data = open_dataset(path)
            same_day = _day(data.started_utc) == _day(session.started_utc) and data.started_utc < session.started_utc
            if same_day and data.session.dated and data.session.finished and load_key(data) == _load_key(session):
                return data
            data.close()
        return None


def _load_key(session: RunningSession) -> tuple[object, ...]:
    return load_key(session.dataset(None))


def _day(moment: datetime) -> object:
    return moment.astimezone().date()


def _stamp(path: Path) -> tuple[int, int]:
    """Last change, ns, and size of a file; zeros where it has gone."""
    try:
        seen = path.stat()
    except OSError:
        return 0, 0
    return seen.st_mtime_ns, seen.st_size
