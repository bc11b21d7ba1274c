"""The rehearsal car on a serial line: a drive of it that is recorded like any other, and a whole day of drives.

What is driven, in which order, and what is made of it. Commands and window drive it through the same functions.
"""

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

from stream.errors import DeviceError, InputError
from stream.findings import Finding
from stream.record.names import write_text

if TYPE_CHECKING:
    from stream.calibrate.speed.calfile import SpeedCalibration
    from stream.drive.day_coach import DayCoach
    from stream.drive.drive import Drive
    from stream.live.records import PullFault
    from stream.sources.rehearsal.record import Recording
    from stream.study.compare.answer import Comparison

BASE, TRIAL = "heron", "plover"
TURNS = 2  # of each tune, alternating
PULLS = 3
HOLD_GEAR, PULL_GEAR = 2, 3
# one planted in each pull session
FLAWS: tuple[tuple["PullFault", ...], ...] = (("wheelspin",), ("lift",), ("gear-change",), ("bump",))
QUIET_S = 5.0  # where samples were lost on the way, a line is drained when nothing came for this long
LOOK_S = 0.05
ZERO_AT_S = 4.0  # of a pull session: he has stood long enough for a zero, and still stands
LOGGED: Final = ("lambda", "manifold_pressure")  # what the rehearsal car's controller sends along, where it is asked to
Moment = Literal["gets-in", "drives", "changes", "studies", "over", "ended"]


class Rehearsal:
    """A drive of the rehearsal car through a serial line of its own, not yet started.

    recording   what it drives
    speed       how many times as fast as a real drive; None: without waiting
    coach, say  as of `Drive`

    Raises PortError where no line can be opened.
    """

    def __init__(
        self,
        recording: "Recording",
        gear: int,
        folder: Path,
        speed: float | None,
        *,
        coach: "DayCoach | None" = None,
        say: Callable[[Finding], str],
    ) -> None:
        from stream.car import parse_car
        from stream.drive.drive import Drive
        from stream.sources.rehearsal.player import RehearsalPort
        from stream.sources.rehearsal.scenario import demo_car_text
        from stream.sources.rehearsal.sensors import EXTRA
        from stream.sources.serialport import SerialSource

        extra = [channel.name for channel in recording.channels if channel.name in EXTRA]
        car = parse_car(demo_car_text(extra), "rehearsal-car.toml")
        self.recording = recording
        self.port: RehearsalPort = RehearsalPort(recording, quick=speed is None, pace=speed or 1.0)
        self.drive: Drive = Drive(
            SerialSource(self.port.port_url, car, in_real_time=speed == 1.0),
            car,
            folder=folder,
            tune=recording.tune,
            gear=gear,
            wait_for_slowest=speed != 1.0,
            say=say,
            coach=coach,
        )

    def start(self) -> None:
        """Let the car drive and be recorded. Returns at once."""
        self.port.start()
        self.drive.start()

    def over(self) -> bool:
        """Whether every sample that was sent has been taken, or none will come any more."""
        stage = self.drive.stage
        drained = stage is not None and stage.rows >= len(self.recording.counts)
        return self.port.done.is_set() and (drained or self.drive.quiet_s() > QUIET_S)

    def end(self) -> None:
        """End the drive and give the line back; raises what went wrong on the way."""
        self.drive.stop()
        try:
            self.drive.join()
        finally:
            self.port.stop()


def recording_of(
    what: Literal["holds", "pulls"], number: int, tune: str, *, seed: int = 1, extra: tuple[str, ...] = ()
) -> tuple["Recording", int]:
    """(what the car drives, its gear): a row of held speeds, or the pulls of session `number`, counted from 0.

    Raises InputError for a tune that the rehearsal car does not have.
    """
    from stream.sources.rehearsal.engine import TUNES
    from stream.sources.rehearsal.scenario import hold_drive, pull_session
    from stream.sources.rehearsal.sensors import Chain

    if tune not in TUNES:
        raise InputError(f"tune: the rehearsal car has {', '.join(TUNES)}; choose one of these")
    chain = Chain(extra=extra)
    if what == "holds":
        return hold_drive(seed, tune=tune, chain=chain), HOLD_GEAR
    direction = 1 if number % (2 * TURNS) < TURNS else -1
    faults = FLAWS[number % len(FLAWS)]
    made = pull_session(
        seed * 100 + number, tune, pulls=PULLS, gear=PULL_GEAR, faults=faults, direction=direction, chain=chain
    )
    return made, PULL_GEAR


def write_tables(folder: Path) -> tuple[Path, Path]:
    """The tables that the rehearsal car's tuner has on paper, where they are not there yet: advance of its tunes, and
    the λ that is wanted. Returns (advance, λ). Raises StorageError."""
    import numpy as np

    from stream.sources.rehearsal.engine import TUNES
    from stream.sources.rehearsal.sensors import AMBIENT_KPA, target_lambda

    rows = [f"{t.name},{rpm:g},{deg:g}" for t in TUNES.values() for rpm, deg in zip(t.rpm, t.advance_deg, strict=True)]
    kpa = [40, 55, 70, 85, 100]
    wanted = target_lambda(np.array(kpa) / AMBIENT_KPA)
    cells = ",".join(f"{value:.2f}" for value in wanted)
    grid = [f"{rpm},{cells}" for rpm in range(1500, 7500, 500)]
    texts = {
        "rehearsal-advance.csv": "\n".join(["tune,rpm,advance", *rows]) + "\n",
        "rehearsal-lambda.csv": "\n".join([f"rpm\\kPa,{','.join(map(str, kpa))}", *grid]) + "\n",
    }
    for name, text in texts.items():
        if not (folder / name).exists():
            write_text(folder / name, text)
    advance, wanted_lambda = (folder / name for name in texts)
    return advance, wanted_lambda


# -- a whole day --------------------------------------------------------------------------------------------------


@dataclass
class Day:
    """What came of it: session files in order, the calibration, the comparison, the model's truth."""

    sessions: list[Path] = field(default_factory=list)
    stages: list[Any] = field(default_factory=list)
    recordings: list[Any] = field(default_factory=list)
    calibration: "SpeedCalibration | None" = None
    comparison: "Comparison | None" = None
    report: Path | None = None


Play = Callable[["Recording", int], "Drive"]


def drive_hold_row(day: Day, seed: int, play: Play) -> None:
    """A row of speeds held by foot in second gear, recorded, and fitted to a calibration of the day."""
    from stream.sources.rehearsal.scenario import TARGETS
    from stream.study.speed import Reference, fit_row, load_row

    drive(day, *recording_of("holds", 0, BASE, seed=seed), play)
    day.calibration = fit_row(load_row([day.sessions[-1]]), Reference(targets=TARGETS))


def drive_pulls(day: Day, seed: int, play: Play) -> None:
    """Pulls in third gear on two tunes, turn and turn about, with a zero at both ends of each session."""
    for number in range(2 * TURNS):
        drive(day, *recording_of("pulls", number, (BASE, TRIAL)[number % 2], seed=seed), play)
        take_zeros(day.sessions[-1], day.stages[-1].time_s)


def study_day(day: Day, say: Callable[[Finding], str]) -> None:
    """The calibration into every session, and tune against tune."""
    from stream.study.compare.compare import compare
    from stream.study.dataset import open_datasets
    from stream.study.edit import apply_calibration
    from stream.study.pulls import all_traces

    if day.calibration is not None:
        apply_calibration(day.calibration, day.sessions, say)
    pulls, _ = all_traces(open_datasets(day.sessions[1:]))
    day.comparison = compare(pulls, BASE, TRIAL)


def drive(day: Day, recording: "Recording", gear: int, play: Play) -> None:
    """Play a recording and keep what came of it. Raises DeviceError where nothing was recorded."""
    done = play(recording, gear)
    if done.stage is None or not done.recorded:
        raise DeviceError("the rehearsal was ended before anything was recorded")
    day.sessions.append(done.recorded[-1])
    day.stages.append(done.stage)
    day.recordings.append(recording)


def take_zeros(path: Path, seconds: float) -> None:
    """Zeros where the car stands in neutral: at the start and at the end of a session."""
    from stream.record.session import open_session
    from stream.study.edit import declare_zero

    with open_session(path) as session:
        pressed = bool(session.zeros)  # the first was taken by the key
    if not pressed:
        declare_zero(path, 1.0, 5.0)
    declare_zero(path, seconds - 5.0, seconds - 1.0)


class EndedError(DeviceError):
    """The window was closed before the day was over."""


class DayShow:
    """What a window asks of the day, and what the day tells the window; `say` makes the words of a moment.

    say   (moment, recording that is driven or None, its time in s, why it ended) to (what is done, where to look)
    """

    def __init__(self, say: Callable[["Moment", "Recording | None", float, str], tuple[str, str]]) -> None:
        self.feed: Drive | None = None
        self.opened: list[str] = []
        self._say = say
        self._going: Rehearsal | None = None
        self._moment: Moment = "gets-in"
        self._why = ""
        self._paused = False
        self.over = threading.Event()

    def words(self) -> tuple[str, str]:
        """(what the driver does, where to look)."""
        going = self._going
        if going is None or going.drive.stage is None:
            return self._say(self._moment, None, 0.0, self._why)
        return self._say("drives", going.recording, going.drive.stage.time_s, "")

    def pause(self, on: bool) -> None:
        """Hold the driver up, or let him go on."""
        self._paused = on
        if self._going is not None:
            self._going.port.pause(on)

    def stop(self) -> None:
        """The window was closed: the day ends."""
        self.over.set()
        if self.feed is not None:
            self.feed.stop()

    # -- for the day's thread -----------------------------------------------------------------------------------------

    def follow(self, going: Rehearsal, *, press_zero: bool) -> None:
        """Let the window look at a drive until it has ended; raises EndedError where the window was closed."""
        going.port.pause(self._paused)
        self._going, self.feed = going, going.drive
        pressed = not press_zero
        while not self.over.is_set() and not going.over() and not going.drive.done.is_set():
            time.sleep(LOOK_S)
            if not pressed and going.drive.stage is not None and going.drive.stage.time_s >= ZERO_AT_S:
                pressed = True
                going.drive.zero()
        self._going = None
        self._moment = "changes"
        if self.over.is_set():
            raise EndedError("the window was closed before the day was over; what was recorded is kept")

    def study(self) -> None:
        """The driving is over."""
        self._moment = "studies"

    def fail(self, why: str) -> None:
        """The day ended in an error."""
        self._going, self._moment, self._why = None, "ended", why

    def finish(self, sessions: list[Path]) -> None:
        """The day is over; the window opens these."""
        self._moment = "over"
        self.opened = [str(path) for path in sessions]
