"""What the window sets going: a drive, a replay, the rehearsal car, a file made a session. No Qt in here."""

import math
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from stream.errors import InputError, SteadypullError
from stream.record.names import free_path
from ui.text.findings import say, speaker
from ui.text.next_step import day_words

if TYPE_CHECKING:
    from stream.drive.drive import Drive
    from stream.drive.rehearsal import DayShow, Rehearsal
    from stream.record.tables import Weather

PACES = {"as on the road": 1.0, "8 times as fast": 8.0, "without waiting": None}
What = Literal["day", "holds", "pulls"]
Tell = Callable[[int, int], None]


class FieldError(InputError):
    """Bad input of one field of a form; `field` is its key."""

    def __init__(self, field: str, text: str) -> None:
        super().__init__(text)
        self.field = field


@dataclass(frozen=True, slots=True)
class DriveWish:
    """A drive as it is asked for: texts as typed."""

    port: str
    car: Path | None
    folder: str
    tune: str = ""
    gear: int | None = None
    targets: str = ""
    parked: bool = False
    air: tuple[str, str, str] = ("", "", "")


def numbers_of(field: str, text: str, example: str) -> tuple[float, ...]:
    """Numbers separated by commas or blanks; () for nothing. Raises FieldError that names the one that is none."""
    values = []
    for word in text.replace(",", " ").replace(";", " ").split():
        try:
            value = float(word)
        except ValueError:
            raise FieldError(field, f"{word!r} is not a number; write them as {example}") from None
        if not math.isfinite(value):
            raise FieldError(field, f"{word!r} is not a finite number; write them as {example}")
        values.append(value)
    return tuple(values)


def weather_of(texts: tuple[str, str, str]) -> "Weather | None":
    """The air of the day; None where nothing was typed. Raises FieldError."""
    from stream.record.tables import Weather
    from stream.study.force.air import check_air

    texts = (texts[0].strip(), texts[1].strip(), texts[2].strip())
    if not any(texts):
        return None
    try:
        temperature, pressure, humidity = (float(text.replace(",", ".")) for text in texts)
        check_air(temperature, pressure, humidity)
    except ValueError:
        raise FieldError("air", "three numbers are wanted, or none: °C, hPa, %") from None
    except InputError as error:
        raise FieldError("air", str(error)) from None
    said = datetime.now(UTC).isoformat()
    return Weather(temperature_c=temperature, pressure_hpa=pressure, humidity_pct=humidity, said_utc=said)


def folder_of(text: str) -> Path:
    """A folder for sessions, made where it is missing. Raises FieldError."""
    if not text.strip():
        raise FieldError("folder", "choose a folder that the sessions go to")
    folder = Path(text.strip()).expanduser()
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FieldError("folder", f"cannot be made a folder ({error.strerror}); choose another one") from None
    return folder.resolve()


class Launcher:
    """Holds what the window set going, one at a time, and ends it. Everything here but `end` returns at once."""

    def __init__(self) -> None:
        self.drive: Drive | None = None
        self.rehearsal: Rehearsal | None = None
        self.show: DayShow | None = None
        self._thread: threading.Thread | None = None
        self._after: Callable[[Path], None] | None = None

    @property
    def busy(self) -> bool:
        """Whether something that this window set going still goes on."""
        alive = self._thread is not None and self._thread.is_alive()
        return alive or (self.drive is not None and not self.drive.done.is_set())

    def begin_drive(self, wish: DriveWish) -> "Drive":
        """Start a drive. Raises FieldError, InputError, PortError; nothing is going then."""
        from stream.car import load_car
        from stream.drive.day_coach import DayCoach
        from stream.drive.drive import Drive
        from stream.drive.guide_plan import GuidePlan
        from stream.sources.plugins import source_for

        if wish.car is None:
            raise FieldError("car", "choose the car file, or make one")
        if not wish.port.strip():
            raise FieldError("port", "plug the device in, or type its path or address")
        targets = numbers_of("targets", wish.targets, "1500, 2000, 3000")
        weather = weather_of(wish.air)
        folder = folder_of(wish.folder)
        try:
            car = load_car(wish.car)
            car.speed_line("a drive")
        except InputError as error:
            raise FieldError("car", str(error)) from None
        try:
            source = source_for(wish.port.strip(), car, None)
        except SteadypullError as error:
            raise FieldError("port", str(error)) from None
        plan = GuidePlan(targets, gear=wish.gear, parked=wish.parked)
        try:
            drive = Drive(
                source,
                car,
                folder=folder,
                tune=wish.tune,
                gear=wish.gear,
                targets=plan,
                weather=weather,
                coach=None if targets else DayCoach(),
                say=speaker(),
            )
        except InputError as error:
            raise FieldError("targets", str(error)) from None
        self.end()
        self.drive = drive
        drive.start()
        return drive

    def begin_rehearsal(self, what: What, folder: str, pace: str, tune: str, number: int) -> "Drive":
        """Let the rehearsal car hold a row of speeds, or pull on a tune. Raises as `begin_drive`."""
        from stream.drive.day_coach import DayCoach
        from stream.drive.rehearsal import LOGGED, Rehearsal, recording_of, write_tables

        target = folder_of(folder)
        pulls = what == "pulls"
        recording, gear = recording_of("pulls" if pulls else "holds", number, tune, extra=LOGGED)
        write_tables(target)
        coach = DayCoach() if pulls else None
        rehearsal = Rehearsal(recording, gear, target, PACES[pace], coach=coach, say=speaker())
        self.end()
        self.rehearsal, self.drive = rehearsal, rehearsal.drive
        rehearsal.start()
        return rehearsal.drive

    def begin_day(self, folder: str, pace: str, report: Callable[[list[Path], Path], None]) -> "DayShow":
        """Let the rehearsal car drive the whole day; `report` prints its sessions to a file."""
        from stream.drive.rehearsal import DayShow

        target = folder_of(folder)
        self.end()
        self.show = show = DayShow(day_words)
        self._thread = threading.Thread(
            target=_whole_day, args=(show, target, PACES[pace], report), name="steadypull-rehearsal", daemon=True
        )
        self._thread.start()
        return show

    def begin_replay(self, path: Path, pace: float | None) -> "Drive":
        """Show a session again; nothing is written. Raises InputError."""
        from stream.car import parse_car
        from stream.drive.drive import Drive
        from stream.record.session import open_session
        from stream.sources.replay import ReplaySource

        with open_session(path) as session:
            car = parse_car(session.car_text, f"the car file in {path.name}")
            tune, gear = session.tune, session.gear
        car.speed_line("a replay")
        drive = Drive(ReplaySource(str(path), pace), car, path=None, tune=tune, gear=gear, record=False, say=speaker())
        self.end()
        self.drive = drive
        drive.start()
        return drive

    def poll(self) -> None:
        """End a rehearsal's drive once the car has driven everything."""
        if self.rehearsal is not None and self.rehearsal.over() and not self.rehearsal.drive.done.is_set():
            self.rehearsal.drive.stop()

    def end(self) -> None:
        """End what goes on and wait until its recording is finished. A failure is told by the drive's own status."""
        show, thread, rehearsal, drive = self.show, self._thread, self.rehearsal, self.drive
        self.show = self._thread = self.rehearsal = self.drive = None
        if show is not None:
            show.stop()
        if thread is not None:
            thread.join()
        if drive is not None:
            drive.stop()
            drive.done.wait()
        if rehearsal is not None:
            rehearsal.port.stop()


def _whole_day(show: "DayShow", folder: Path, speed: float | None, report: Callable[[list[Path], Path], None]) -> None:
    """The rehearsal's day on its own thread; what ends it is told by the show."""
    from stream.drive.day_coach import DayCoach
    from stream.drive.rehearsal import Day, Rehearsal, drive_hold_row, drive_pulls, study_day

    def play(recording: Any, gear: int) -> "Drive":
        pulls = bool(recording.truth.pulls)
        coach = DayCoach() if pulls else None
        going = Rehearsal(recording, gear, folder, speed, coach=coach, say=speaker())
        going.start()
        try:
            show.follow(going, press_zero=pulls and speed is not None)
        finally:
            going.end()
        return going.drive

    day = Day()
    try:
        drive_hold_row(day, 1, play)
        drive_pulls(day, 1, play)
        show.study()
        study_day(day, say)
        report(day.sessions, folder / f"{day.sessions[0].stem}-day.html")
        show.finish(day.sessions[1:])
    except SteadypullError as error:
        show.fail(str(error))


# -- files to sessions: on a worker's thread -------------------------------------------------------------------------


def import_log(log: Path, car_path: Path, folder: Path, tune: str, gear: int | None, rate: str, tell: Tell) -> Path:
    """Make a log a session in the folder. Raises FieldError, InputError, StorageError."""
    from stream.car import load_car
    from stream.drive import offline
    from stream.sources.plugins import log_source

    try:
        car = load_car(car_path)
    except InputError as error:
        raise FieldError("car", str(error)) from None
    wanted = numbers_of("rate", rate, "50")
    if len(wanted) > 1 or any(value <= 0 for value in wanted):
        raise FieldError("rate", "one number above zero, or nothing")
    source = log_source(str(log), car, wanted[0] if wanted else None)
    out = free_path(folder, f"{log.name.split('.')[0]}.h5")
    note = f"imported from {log.name}"
    offline.import_log(
        source, car, tune=tune, gear=gear, note=note, path=out, progress=lambda rows: tell(rows, 0), say=say
    )
    return out


def recover_session(path: Path, tell: Tell) -> Path:
    """Join a cut-off session with its journal, and find its holds and pulls; the old file stays.

    Raises InputError, StorageError.
    """
    from stream.car import parse_car
    from stream.drive.offline import run_offline
    from stream.record.session import open_session
    from stream.sources.replay import ReplaySource
    from stream.study.edit import copy_said
    from stream.study.take_in import recover_all

    out = free_path(path.parent, f"{path.name.split('.')[0]}-recovered.h5")
    joined, _ = recover_all(path, out.with_name(f".{out.stem}.part.h5"))
    try:
        with open_session(joined) as session:
            car = parse_car(session.car_text, f"the car file in {path.name}")
            tune, gear, note, rows = session.tune, session.gear, session.note, session.rows
            began, dated = session.started_utc, session.dated
        run_offline(
            ReplaySource(str(joined)),
            car,
            tune=tune,
            gear=gear,
            started_utc=began,
            dated=lambda: dated,
            note=note,
            path=out,
            progress=lambda done: tell(done, rows),
            say=say,
        )
        copy_said(joined, out)
    finally:
        joined.unlink(missing_ok=True)
    return out


def write_report(session_paths: Sequence[str], path: Path, **wishes: Any) -> None:
    """Print sessions to a file; `wishes` are those of `ui.report.write`. Raises InputError, StorageError."""
    from ui.report.write import write_report as write

    write(session_paths, path, **wishes)
