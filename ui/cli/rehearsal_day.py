"""The rehearsal's day: what is driven, in which order, and what is made of it."""

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from stream.calibrate.calfile import SpeedCalibration
    from stream.drive.drive import Drive
    from stream.live.records import PullFault
    from stream.sources.rehearsal.recording import Recording
    from stream.study.compare import Comparison

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


def drive_hold_row(day: Day, seed: int, play: Callable[["Recording", int], "Drive"]) -> None:
    """A row of speeds held by foot in second gear, recorded, and fitted to a calibration of the day."""
    from stream.calibrate.calfile import SourceSession, calibration_of
    from stream.calibrate.speed_fit import fit_speed
    from stream.sources.rehearsal.scenario import TARGETS, hold_drive

    _drive(day, hold_drive(seed), 2, play)
    stage = day.stages[-1]
    fit = fit_speed(stage.holds, stage.pinned, targets=TARGETS)
    speed = stage.car.need("engine_speed", "rehearse")
    day.calibration = calibration_of(
        fit, car=stage.car.car.name, sessions=[SourceSession(path=day.sessions[-1].name)], channel=speed.name,
        unit=speed.unit, pulses_per_turn=stage.car.engine.pulses_per_turn,
    )  # fmt: skip


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
        _take_zeros(day.sessions[-1])


def study_day(day: Day) -> None:
    """The calibration into every session, and tune against tune."""
    from stream.calibrate.calfile import dump_calibration
    from stream.record.change import change_session, set_calibration
    from stream.study.compare import compare
    from stream.study.load import CALIBRATION, load_sessions
    from stream.study.pull_traces import all_traces

    if day.calibration is not None:
        attributes = {"toml": dump_calibration(day.calibration), "model": day.calibration.model}
        for path in day.sessions:
            change_session(path, lambda file: set_calibration(file, CALIBRATION, attributes))
    pulls, _ = all_traces(load_sessions(day.sessions[1:]))
    day.comparison = compare(pulls, BASE, TRIAL)


def _drive(day: Day, recording: "Recording", gear: int, play: Callable[["Recording", int], "Drive"]) -> None:
    from stream.errors import DeviceError

    drive = play(recording, gear)
    if drive.stage is None or not drive.recorded:
        raise DeviceError("the rehearsal was ended before anything was recorded")
    day.sessions.append(drive.recorded[-1])
    day.stages.append(drive.stage)
    day.recordings.append(recording)


def _take_zeros(path: Path) -> None:
    """Zeros where the car stands in neutral: 1 to 5 s, and the last 4 s less one."""
    from stream.calibrate.zero import take_zero
    from stream.record import layout, tables
    from stream.record.change import change_session
    from stream.record.session import open_session

    with open_session(path) as session:
        load, rate, end = session.raw("link"), session.rate_hz, session.duration_s
    spans = [(1.0, 5.0), (end - 5.0, end - 1.0)]
    zeros = []
    for start, stop in spans:
        rows = slice(round(start * rate), round(stop * rate)) if start < 10 else slice(-round(5 * rate), -round(rate))
        found = take_zero(load[rows], rate, start_s=start)
        zeros.append(
            tables.Zero(start_s=start, end_s=stop, mean=found.mean, doubt=found.doubt, how="rehearsal, in neutral")
        )
    change_session(path, lambda file: tables.append_rows(file, layout.ZEROS, tables.zero_rows(zeros)))
