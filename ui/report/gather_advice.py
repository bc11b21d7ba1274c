"""What a report tells beyond the comparison: power where the car file allows it, proposals where a table is given."""

import hashlib
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import msgspec

from stream.errors import InputError
from stream.study.dataset import Dataset
from stream.study.force.power import Power
from stream.study.tables.gate import Advice
from stream.study.tables.mixture import MixtureAdvice, advise_mixture
from stream.study.tables.reached import cells_reached
from stream.study.tables.user_table import UserTable, read_target
from ui.text.cells import ignition_maps, mixture_maps
from ui.text.maps import CellMap


@dataclass(frozen=True, slots=True)
class Asked:
    """The tables that proposals are wanted for, as given to the command."""

    advance: str | None = None
    now: str | None = None
    none_heard: bool = False
    target: str | None = None
    fuel: str | None = None


@dataclass(frozen=True, slots=True)
class TableFile:
    """A table that a person gave: what it is, and its hash."""

    what: str
    path: Path
    size: int
    sha256: str


@dataclass(frozen=True, slots=True)
class Studies:
    """`power_trouble` says why there is no power though the car file has what it needs; '' where it has not. The maps
    are those of the two tables; none where a table was not given, or has no rows of the tune."""

    power: Power | None = None
    power_trouble: str = ""
    ignition: Advice | None = None
    now: str = ""
    none_heard: bool = False
    mixture: MixtureAdvice | None = None
    ignition_maps: tuple[CellMap, ...] = ()
    mixture_maps: tuple[CellMap, ...] = ()
    files: tuple[TableFile, ...] = ()


def studies_of(
    sessions: Sequence[Dataset], asked: Asked, width: float, air: Sequence[tuple[float, float, float]]
) -> Studies:
    """Raises InputError where a table cannot be read, or nothing can be advised on it."""
    if (asked.advance is None) != (asked.now is None):
        given, missing = ("--advance", "--now") if asked.now is None else ("--now", "--advance")
        raise InputError(f"{given}: a proposal of advance needs {missing} too; give both, or neither")
    if asked.none_heard and asked.advance is None:
        raise InputError("--none-heard: belongs to --advance and --now; give them too, or leave it out")
    if asked.fuel is not None and asked.target is None:
        raise InputError("--fuel: belongs to --target; give the table of wanted λ too, or leave it out")
    power, trouble = _power(sessions, width, air)
    ignition, ignition_shown = _ignition(sessions, asked, width)
    mixture, mixture_shown = _mixture(sessions, asked)
    files = [
        _file(what, Path(given))
        for what, given in (("Advance table", asked.advance), ("Wanted λ", asked.target), ("Fuel table", asked.fuel))
        if given is not None
    ]
    return Studies(
        power=power,
        power_trouble=trouble,
        ignition=ignition,
        now=asked.now or "",
        none_heard=asked.none_heard,
        mixture=mixture,
        ignition_maps=ignition_shown,
        mixture_maps=mixture_shown,
        files=tuple(files),
    )


def _ignition(sessions: Sequence[Dataset], asked: Asked, width: float) -> tuple[Advice | None, tuple[CellMap, ...]]:
    if asked.advance is None or asked.now is None:
        return None, ()
    from stream.study.tables.ignition import advise_ignition
    from stream.study.tables.ignition_table import keep_steps, table_with
    from stream.study.tables.knock import Listening
    from stream.study.tables.user_table import read_advance

    table = read_advance(asked.advance)
    advice = advise_ignition(sessions, table, asked.now, Listening(none_heard=asked.none_heard), width=width)
    kept = keep_steps(sessions, asked.now, advice, table.path)
    shown: tuple[CellMap, ...] = ()
    with suppress(InputError):  # a list without rows of the tune has no cells to show
        reached = cells_reached(sessions, table) if isinstance(table, UserTable) else None
        shown = ignition_maps(table_with(advice, table, asked.now, width)[1], table, reached)
    return msgspec.structs.replace(advice, findings=(*kept, *advice.findings)), shown


def _mixture(sessions: Sequence[Dataset], asked: Asked) -> tuple[MixtureAdvice | None, tuple[CellMap, ...]]:
    if asked.target is None:
        return None, ()
    from stream.study.tables.mixture_steps import read_steps
    from stream.study.tables.user_table import read_fuel

    target = read_target(asked.target)
    fuel = None if asked.fuel is None else read_fuel(asked.fuel)
    folders = {fuel.path.parent, *(one.path.parent for one in sessions)} if fuel is not None else set()
    advice = advise_mixture(sessions, target, fuel, steps=read_steps(folders))
    return advice, mixture_maps(advice, cells_reached(sessions, advice.grid))


def _power(
    sessions: Sequence[Dataset], width: float, air: Sequence[tuple[float, float, float]]
) -> tuple[Power | None, str]:
    """(power, why there is none); neither where the car file does not have what power needs."""
    from stream.study.force.air import air_density
    from stream.study.force.power import power

    cars = dict.fromkeys(session.car.car.name for session in sessions)
    first = sessions[0].car
    needed = (first.car.mass_kg, first.car.rolling_radius_m, first.gearing.final_drive, first.gearing.ratios or None)
    if len(cars) > 1 or None in needed or any(session.car.by_role("load") is None for session in sessions):
        return None, ""
    densities = [air_density(*reading) for reading in dict.fromkeys(air)]
    density = sum(densities) / len(densities) if densities else None
    try:
        return power(sessions, width, air_density=density), ""
    except InputError as error:
        return None, str(error)


def _file(what: str, path: Path) -> TableFile:
    data = path.read_bytes()
    return TableFile(what, path, len(data), hashlib.sha256(data).hexdigest())
