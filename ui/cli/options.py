"""What several commands share: options and their checks, and the sessions, cars and air that they name."""

import math
import re
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from stream.errors import InputError

if TYPE_CHECKING:
    from stream.car import Car
    from stream.door import Day
    from stream.record.session import Session
    from stream.study.dataset import Dataset
    from stream.study.speed import HeldSession

MANY_SESSIONS = 40  # from so many on reading them takes a second, and progress is shown
_PAIR = re.compile(r"[-+.\deE]+=\S+")
Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]


def possible(value: float) -> bool:
    """Whether some quantity of an engine, a road or a day can have this value: finite, of a size arithmetic bears."""
    return value == 0 or 1e-12 < abs(value) < 1e12


class Number(click.types.FloatParamType):
    """Every option that takes a number (`group.py` sees to it), so that none can be meant that no quantity has."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The number. Fails, naming the option, where it is none or of no possible size."""
        number = super().convert(value, param, ctx)
        if not possible(number):
            option = param.opts[0] if param else "number"
            raise click.UsageError(f"{option}: {number:g} is no size that this can have; mend it", ctx)
        return number


NUMBER = Number()

json_option: Decorator = click.option(
    "--json", "as_json", is_flag=True, help="Print JSON, and nothing else, to standard output."
)
headless_option: Decorator = click.option("--headless", is_flag=True, help="Run in text, without a window.")
tune_option: Decorator = click.option("--tune", default="", metavar="LABEL", help="The tune that is in the car.")
gear_option: Decorator = click.option(
    "--gear", type=click.IntRange(1, 12), metavar="N", help="The gear that is driven in."
)


sessions_argument: Decorator = click.argument("session_paths", metavar="SESSION…", nargs=-1, required=True)
band_option: Decorator = click.option(
    "--band", "width", type=float, default=250.0, metavar="RPM", help="Width of the rev bands.  [250]"
)
history_option: Decorator = click.option(
    "--history",
    metavar="DIR|none",
    help="Folder of earlier sessions that teach this car's scatter; none: today alone.  [the sessions' own folder]",
)


def positive(name: str, value: float | None) -> float | None:
    """The value, where it is given, checked to be a number above zero. Raises InputError that names the option."""
    if value is not None and not (math.isfinite(value) and value > 0):
        raise InputError(f"{name}: {value} is not a number above zero; mend it")
    return value


def at_least_zero(name: str, value: float) -> float:
    """The value, checked to be a number from zero on. Raises InputError that names the option."""
    if not (math.isfinite(value) and value >= 0):
        raise InputError(f"{name}: {value} is not a number from 0 on; mend it")
    return value


def numbers(name: str, text: str, example: str = "1500,2000,2500") -> tuple[float, ...]:
    """Numbers separated by commas. Raises InputError that names the option and the cell; `example` is its cure."""
    values = []
    for position, cell in enumerate(text.split(","), start=1):
        try:
            value = float(cell)
        except ValueError:
            raise InputError(f"{name}: number {position}, {cell.strip()!r}, is not a number; write {example}") from None
        if not possible(value):
            raise InputError(
                f"{name}: number {position}, {cell.strip()!r}, is no size that this can have; write {example}"
            )
        values.append(value)
    return tuple(values)


def speed_ranges(name: str, text: str) -> tuple[tuple[float, float], ...]:
    """Ranges of engine speed, rpm, as in 4200-4600,5000-5400. Raises InputError that names the option and the cell."""
    ranges = []
    for position, cell in enumerate(text.split(","), start=1):
        low, dash, high = cell.strip().partition("-")
        try:
            pair = (float(low), float(high)) if dash else ()
        except ValueError:
            pair = ()
        if not pair or not (0 <= pair[0] < pair[1] and possible(pair[1])):
            raise InputError(
                f"{name}: range {position}, {cell.strip()!r}, is no range of rpm; write the lower speed first, as in "
                "4200-4600"
            )
        ranges.append(pair)
    return tuple(ranges)


def new_file(name: str, path: str | None) -> Path | None:
    """A file to be made. Raises InputError where it exists already or its folder does not."""
    if path is None:
        return None
    target = Path(path)
    if target.exists():
        raise InputError(f"{target}: is already there and is never overwritten; give {name} another name")
    if not target.parent.is_dir():
        raise InputError(f"{target.parent}: no such folder for {name}; make it first")
    return target


def folder(path: str) -> Path:
    """A folder for new files, made where it is missing. Raises InputError where that cannot be."""
    target = Path(path)
    try:
        target.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"{target}: cannot be made a folder ({error.strerror}); give -o another one") from None
    return target


events_option = click.option(
    "--events", "events_path", metavar="FILE", help="Write each event to it as a JSON line, the moment it happens."
)


def split_pairs(words: Sequence[str], option: Sequence[str]) -> tuple[list[str], list[str]]:
    """(paths, pairs): pairs that follow the option's first one are no paths, and commas separate pairs too."""
    if not option:
        return list(words), []
    paths = [word for word in words if not _PAIR.fullmatch(word) or Path(word).exists()]
    behind = [word for word in words if word not in paths]
    return paths, [pair.strip() for value in (*option, *behind) for pair in value.split(",") if pair.strip()]


def given_car(car_path: str | None) -> "Car | None":
    """The car file given beside sessions, its warnings said; None where none was given."""
    from stream.car import load_car
    from ui.cli.live_text import warn
    from ui.text.findings import say_all

    if car_path is None:
        return None
    car = load_car(car_path)
    warn(say_all(car.findings))
    return car


def say_foreign(sessions: "Iterable[Dataset | HeldSession]", car_path: str | None) -> None:
    """A warning for each session whose own car file differs from the one given."""
    from ui.cli.live_text import warn

    warn(
        f"{car_path} differs from the car file in {data.path}; {car_path} is used"
        for data in sessions
        if data.foreign_car
    )


def car_of(session: "Session", car_path: str | None) -> "Car":
    """The car file given with --car, with a warning where it differs from the session's own; else the session's own.

    Raises InputError where neither can be used.
    """
    from stream.car import parse_car
    from ui.cli.live_text import warn

    car = given_car(car_path)
    if car is None:
        return parse_car(session.car_text, f"{session.path}: the car file in it")
    if session.car_text.strip() != car.text.strip():
        warn([f"{car_path} differs from the car file in {session.path}; {car_path} is used"])
    return car


def read_day(session_paths: Sequence[str]) -> "Day":
    """The pulls of the sessions, and what must be said of these. Raises InputError where none has a pull."""
    from stream.door import day_of
    from stream.study.dataset import open_datasets

    if len(session_paths) < MANY_SESSIONS:
        return day_of(open_datasets(session_paths), session_paths)
    from ui.cli.paper import progress

    count = len(session_paths)
    with progress("sessions", 2 * count) as tell:
        return day_of(open_datasets(session_paths, tell=tell), session_paths, lambda read: tell(count + read))
