"""Options that several commands share, and their checks."""

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from stream.errors import InputError

Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]

json_option: Decorator = click.option(
    "--json", "as_json", is_flag=True, help="Print JSON, and nothing else, to standard output."
)
headless_option: Decorator = click.option("--headless", is_flag=True, help="Run in text, without a window.")
tune_option: Decorator = click.option("--tune", default="", metavar="LABEL", help="The tune that is in the car.")
gear_option: Decorator = click.option(
    "--gear", type=click.IntRange(1, 12), metavar="N", help="The gear that is driven in."
)


def positive(name: str, value: float | None) -> float | None:
    """The value, where it is given, checked to be a number above zero. Raises InputError that names the option."""
    if value is not None and not (math.isfinite(value) and value > 0):
        raise InputError(f"{name}: {value} is not a number above zero; mend it")
    return value


def numbers(name: str, text: str, example: str = "1500,2000,2500") -> tuple[float, ...]:
    """Numbers separated by commas. Raises InputError that names the option and the cell; `example` is its cure."""
    values = []
    for position, cell in enumerate(text.split(","), start=1):
        try:
            value = float(cell)
        except ValueError:
            raise InputError(f"{name}: number {position}, {cell.strip()!r}, is not a number; write {example}") from None
        if not math.isfinite(value):
            raise InputError(f"{name}: number {position}, {cell.strip()!r}, is not finite; write {example}")
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
        if not pair or not (0 <= pair[0] < pair[1] < math.inf):
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
