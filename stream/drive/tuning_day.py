"""A day of tuning with the rehearsal car: drive, ask for advice, edit the table, and drive again, three times.

The advice is what `advise_ignition` gives: it sees the sessions, the table as it was written, and what a person heard.
The model is asked for two things alone: what an ear would hear in the pulls, and, for whoever reads the day afterwards,
how much torque was left in each band and how near the engine came to knock.
"""

from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from stream.drive.rehearsal import BASE, PULL_GEAR, Day, Play, drive, drive_hold_row, take_zeros
from stream.findings import Finding
from stream.units import Floats

if TYPE_CHECKING:
    from stream.sources.rehearsal.engine import Tune
    from stream.sources.rehearsal.record import Recording
    from stream.study.tables.gate import Advice

ROUNDS: Final = 3
PULLS: Final = 3  # of a session; each setting is driven in two sessions, one in each direction, each with its zeros
STEP_DEG: Final = 2.0
# Two settings have to differ by what load can show, and less advance is the side away from knock. Measured over 20
# seeds (tests/bench/tuning_day.py): with 4 degrees three days ended with more than 1.5 % lost, with 6 none.
LESS_DEG: Final = 6.0
LESS: Final = f"{BASE} less"
FIRST: Final = (BASE, LESS, LESS, BASE)  # turn and turn about: a drift through the day is no effect of advance
EXTRA: Final = ("knock",)
BANDS: Final = (2500.0, 6750.0, 250.0)  # lowest edge, highest edge, width, rpm: what every pull crosses


@dataclass(frozen=True, slots=True)
class Setting:
    """A tune that was in the car, and what the model says of it.

    table              the file that it was read from
    changed            how many of the table's cells the advice had changed
    lost_pct           (bands,) of the best torque that can be had without knock
    beyond_knock_deg   how far its pulls went beyond the advance at which knock begins; below zero: never so far
    """

    tune: str
    table: Path
    changed: int
    lost_pct: Floats
    beyond_knock_deg: float


@dataclass
class TuningDay(Day):
    """A day with its settings in the order in which they came into the car, and the last advice."""

    settings: list[Setting] = field(default_factory=list)
    tables: list[Path] = field(default_factory=list)
    advice: "Advice | None" = None

    @property
    def rpm(self) -> Floats:
        """Middle of each band of `Setting.lost_pct`, (bands,)."""
        low, high, width = BANDS
        return np.arange(low, high, width) + width / 2


def tuning_day(
    day: TuningDay,
    seed: int,
    folder: Path,
    play: Play,
    say: Callable[[Finding], str],
    began: Callable[[int], None] = lambda _: None,
) -> None:
    """Calibrate speed, then drive, advise and edit ROUNDS times, and drive what came of it.

    began   is told the number of each round, from 1, before it is driven; ROUNDS + 1: the last drive

    Raises InputError, StorageError; DeviceError where nothing was recorded.
    """
    from stream.sources.rehearsal.engine import TUNES

    began(1)
    drive_hold_row(day, seed, play)
    start = TUNES[BASE]
    rpm, degrees = np.array(start.rpm), np.array(start.advance_deg)
    tunes = {BASE: degrees, LESS: degrees - LESS_DEG}
    table = _write_list(folder, rpm, tunes)
    day.tables.append(table)
    now, changed = BASE, 0
    driven = [_drive_tune(day, seed, table, name, play, say) for name in FIRST]
    driven = [one for one, name in zip(driven, FIRST, strict=True) if name == now]
    for number in range(1, ROUNDS + 1):
        day.settings.append(_setting(now, table, changed, driven))
        written = _advise(day, folder, table, now, number, driven)
        now, before = f"{BASE} {number + 1}", tunes[now]
        tunes[now] = written
        changed = int((written != before).sum())
        table = _write_list(folder, rpm, tunes)
        day.tables.append(table)
        began(number + 1)
        driven = [_drive_tune(day, seed, table, now, play, say) for _ in range(2)]
    day.settings.append(_setting(now, table, changed, driven))


def _write_list(folder: Path, rpm: Floats, tunes: dict[str, Floats]) -> Path:
    """The tuner's list of all tunes so far, as a person keeps it."""
    from stream.record.names import free_path, write_text

    rows = [f"{name},{at:g},{deg:.1f}" for name, all_of in tunes.items() for at, deg in zip(rpm, all_of, strict=True)]
    path = free_path(folder, "tuning-advance.csv")
    write_text(path, "\n".join(["tune,rpm,advance", *rows]) + "\n")
    return path


def _drive_tune(
    day: TuningDay, seed: int, table: Path, name: str, play: Play, say: Callable[[Finding], str]
) -> "Recording":
    """One session on a tune as the table holds it: zeros at both ends, pulls, the day's calibration."""
    from stream.sources.rehearsal.scenario import pull_session
    from stream.sources.rehearsal.sensors import Chain
    from stream.study.edit import apply_calibration

    number = len(day.sessions)
    recording = pull_session(
        seed * 100 + 50 + number,
        _tune_of(table, name),
        pulls=PULLS,
        gear=PULL_GEAR,
        chain=Chain(extra=EXTRA),
        direction=1 if number % 2 else -1,
    )
    drive(day, recording, PULL_GEAR, play)
    take_zeros(day.sessions[-1], day.stages[-1].time_s)
    if day.calibration is not None:
        apply_calibration(day.calibration, day.sessions[-1:], say)
    return recording


def _tune_of(table: Path, name: str) -> "Tune":
    """What goes into the car: the rows of one tune, as the file has them."""
    from stream.sources.rehearsal.engine import Tune
    from stream.study.tables.user_table import AdvanceList, read_advance

    advance = read_advance(table)
    assert isinstance(advance, AdvanceList)  # noqa: S101 - written above
    rpm, degrees = advance.tunes[name]
    return Tune(name, tuple(rpm.tolist()), tuple(degrees.tolist()))


def _advise(day: TuningDay, folder: Path, table: Path, now: str, number: int, driven: Sequence["Recording"]) -> Floats:
    """The advice on what is in the car, written to a table in the shape that came; its degrees as they stand there."""
    from stream.record.names import free_path, write_text
    from stream.study.bands import DEFAULT_WIDTH_RPM
    from stream.study.dataset import open_datasets
    from stream.study.tables.ignition import advise_ignition
    from stream.study.tables.ignition_table import keep_steps, table_with
    from stream.study.tables.knock import Listening
    from stream.study.tables.user_table import AdvanceList, read_advance

    heard = _heard(driven)
    advance = read_advance(table)
    path = free_path(folder, "-".join(("tuning-round", f"{number}.csv")))
    with ExitStack() as stack:
        sessions = [stack.enter_context(one) for one in open_datasets(day.sessions[1:])]
        listening = Listening(none_heard=not heard, heard=heard)
        day.advice = advise_ignition(sessions, advance, now, listening, STEP_DEG)
        text, _ = table_with(day.advice, advance, now, DEFAULT_WIDTH_RPM)
        keep_steps(sessions, now, day.advice, advance.path, path)
    write_text(path, text, advance.encoding)
    day.tables.append(path)
    written = read_advance(path)
    assert isinstance(written, AdvanceList)  # noqa: S101 - the shape that came
    return written.tunes[now][1]


def _heard(driven: Sequence["Recording"]) -> tuple[tuple[float, float], ...]:
    """Between which speeds a person who listens hears knock: where one firing in twenty knocks, or more."""
    from stream.sources.rehearsal.truth import beyond_knock

    found = [beyond_knock(one.motion, one.truth.pulls) for one in driven]
    speeds = [rpm[beyond > 0] for rpm, beyond in found]
    return tuple((float(rpm.min()), float(rpm.max()) + 1.0) for rpm in speeds if len(rpm))


def _setting(now: str, table: Path, changed: int, driven: Sequence["Recording"]) -> Setting:
    from stream.sources.rehearsal.truth import beyond_knock, lost_by_band

    low, high, width = BANDS
    lost = lost_by_band(_tune_of(table, now), np.arange(low, high + 1, width))
    nearest = max(float(beyond.max()) for _, beyond in (beyond_knock(one.motion, one.truth.pulls) for one in driven))
    return Setting(now, table, changed, lost, nearest)
