"""The rehearsal's day: what is driven, in which order, and what is made of it; in one window the day
runs on a thread of its own, and the window looks at it.
"""

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stream.errors import DeviceError
from ui.text.next_step import CHANGES, OVER, STUDIES, doing

if TYPE_CHECKING:
    from stream.calibrate.speed.calfile import SpeedCalibration
    from stream.drive.drive import Drive
    from stream.live.records import PullFault
    from stream.sources.rehearsal.record import Recording
    from stream.study.compare.answer import Comparison
if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from stream.drive.drive import Drive
    from stream.sources.rehearsal.player import RehearsalPort
    from stream.sources.rehearsal.record import Recording


BASE, TRIAL = "heron", "plover"
TURNS = 2  # of each tune, alternating
PULLS = 3
PULL_GEAR = 3
# one planted in each pull session
FLAWS: tuple[tuple["PullFault", ...], ...] = (("wheelspin",), ("lift",), ("gear-change",), ("bump",))
QUIET_S = 5.0  # where samples were lost on the way, a line is drained when nothing came for this long


@dataclass
class Day:
    """What came of it: session files in order, the calibration, the comparison, the model's truth."""

    sessions: list[Path] = field(default_factory=list)
    stages: list[Any] = field(default_factory=list)
    recordings: list[Any] = field(default_factory=list)
    calibration: "SpeedCalibration | None" = None
    comparison: "Comparison | None" = None
    report: Path | None = None


def drive_hold_row(day: Day, seed: int, play: Callable[["Recording", int], "Drive"]) -> None:
    """A row of speeds held by foot in second gear, recorded, and fitted to a calibration of the day."""
    from stream.sources.rehearsal.scenario import TARGETS, hold_drive
    from stream.study.speed import Reference, fit_row, load_row

    _drive(day, hold_drive(seed), 2, play)
    day.calibration = fit_row(load_row([day.sessions[-1]]), Reference(targets=TARGETS))


def drive_pulls(day: Day, seed: int, play: Callable[["Recording", int], "Drive"]) -> None:
    """Pulls in third gear on two tunes, turn and turn about, with a zero at both ends of each session."""
    from stream.sources.rehearsal.scenario import pull_session

    for number in range(2 * TURNS):
        tune = (BASE, TRIAL)[number % 2]
        direction = 1 if number < TURNS else -1
        recording = pull_session(
            seed * 100 + number, tune, pulls=PULLS, gear=PULL_GEAR, faults=FLAWS[number], direction=direction
        )
        _drive(day, recording, PULL_GEAR, play)
        _take_zeros(day.sessions[-1], day.stages[-1].time_s)


def study_day(day: Day) -> None:
    """The calibration into every session, and tune against tune."""
    from stream.study.compare.compare import compare
    from stream.study.dataset import open_datasets
    from stream.study.edit import apply_calibration
    from stream.study.pulls import all_traces
    from ui.text.findings import say

    if day.calibration is not None:
        apply_calibration(day.calibration, day.sessions, say)
    pulls, _ = all_traces(open_datasets(day.sessions[1:]))
    day.comparison = compare(pulls, BASE, TRIAL)


def print_report(day: Day, folder: Path) -> None:
    """The day as one HTML file beside its sessions."""
    from stream.study.bands import DEFAULT_WIDTH_RPM
    from ui.cli.doors import write_report

    target = folder / f"{day.sessions[0].stem}-day.html"
    write_report([str(path) for path in day.sessions], target, width_rpm=DEFAULT_WIDTH_RPM, base=BASE)
    day.report = target


def _drive(day: Day, recording: "Recording", gear: int, play: Callable[["Recording", int], "Drive"]) -> None:
    from stream.errors import DeviceError

    drive = play(recording, gear)
    if drive.stage is None or not drive.recorded:
        raise DeviceError("the rehearsal was ended before anything was recorded")
    day.sessions.append(drive.recorded[-1])
    day.stages.append(drive.stage)
    day.recordings.append(recording)


def _take_zeros(path: Path, seconds: float) -> None:
    """Zeros where the car stands in neutral: at the start and at the end of a session."""
    from stream.record.session import open_session
    from stream.study.edit import declare_zero

    with open_session(path) as session:
        pressed = bool(session.zeros)  # the first was taken by the key
    if not pressed:
        declare_zero(path, 1.0, 5.0)
    declare_zero(path, seconds - 5.0, seconds - 1.0)


LOOK_S = 0.05
ZERO_AT_S = 4.0  # of a pull session: he has stood long enough for a zero, and still stands


class EndedError(DeviceError):
    """The window was closed before the day was over."""


class DayShow:
    """What the window asks of the day, and what the day tells the window."""

    def __init__(self) -> None:
        self.feed: Drive | None = None
        self.opened: list[str] = []
        self._recording: Recording | None = None
        self._port: RehearsalPort | None = None
        self._said = ("The driver gets in.", "")
        self._paused = False
        self.over = threading.Event()

    def words(self) -> tuple[str, str]:
        """(what the driver does, where to look)."""
        drive, recording = self.feed, self._recording
        if drive is None or recording is None or drive.stage is None:
            return self._said
        return doing(recording, drive.stage.time_s)

    def pause(self, on: bool) -> None:
        """Hold the driver up, or let him go on."""
        self._paused = on
        if self._port is not None:
            self._port.pause(on)

    def stop(self) -> None:
        """The window was closed: the day ends."""
        self.over.set()
        if self.feed is not None:
            self.feed.stop()

    # -- for the day's thread -----------------------------------------------------------------------------------------

    def follow(
        self,
        drive: "Drive",
        port: "RehearsalPort",
        recording: "Recording",
        ended: "Callable[[], bool]",
        *,
        press_zero: bool,
    ) -> None:
        """Let the window look at a drive until it has ended; raises EndedError where the window was closed."""
        port.pause(self._paused)
        self._port, self._recording, self.feed = port, recording, drive
        pressed = not press_zero
        while not self.over.is_set() and not ended() and not drive.done.is_set():
            time.sleep(LOOK_S)
            if not pressed and drive.stage is not None and drive.stage.time_s >= ZERO_AT_S:
                pressed = True
                drive.zero()
        self._port = self._recording = None
        self._said = (CHANGES.format(tune="the next tune"), "")
        if self.over.is_set():
            raise EndedError("the window was closed before the day was over; what was recorded is kept")

    def study(self) -> None:
        """The driving is over."""
        self._said = STUDIES

    def fail(self, why: str) -> None:
        """The day ended in an error."""
        self._recording = None
        self._said = ("The rehearsal has ended.", why)

    def finish(self, sessions: "list[Path]") -> None:
        """The day is over; the window opens these."""
        self._said = OVER
        self.opened = [str(path) for path in sessions]
