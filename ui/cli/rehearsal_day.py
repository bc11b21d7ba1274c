"""The rehearsal's day: what is driven, in which order, and what is made of it."""

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from stream.calibrate.speed.calfile import SpeedCalibration
    from stream.drive.drive import Drive
    from stream.live.records import PullFault
    from stream.sources.rehearsal.record import Recording
    from stream.study.compare.answer import Comparison

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
