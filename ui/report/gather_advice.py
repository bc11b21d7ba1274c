"""What a report tells beyond the comparison: power where the car file allows it, proposals where a table is given."""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec

from stream.errors import InputError
from stream.study.dataset import Dataset
from stream.study.force.power import Power
from stream.study.tables.gate import Advice
from stream.study.tables.mixture import MixtureAdvice, advise_mixture
from stream.study.tables.user_table import read_target


@dataclass(frozen=True, slots=True)
class Asked:
    """The tables that proposals are wanted for, as given to the command."""

    advance: str | None = None
    now: str | None = None
    none_heard: bool = False
    target: str | None = None


@dataclass(frozen=True, slots=True)
class TableFile:
    """A table that a person gave: what it is, and its hash."""

    what: str
    path: Path
    size: int
    sha256: str


@dataclass(frozen=True, slots=True)
class Studies:
    """`power_trouble` says why there is no power though the car file has what it needs; '' where it has not."""

    power: Power | None = None
    power_trouble: str = ""
    ignition: Advice | None = None
    now: str = ""
    none_heard: bool = False
    mixture: MixtureAdvice | None = None
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
    power, trouble = _power(sessions, width, air)
    ignition, files = None, []
    if asked.advance is not None and asked.now is not None:
        from stream.study.tables.ignition import advise_ignition
        from stream.study.tables.ignition_table import keep_steps
        from stream.study.tables.knock import Listening
        from stream.study.tables.user_table import read_advance

        table = read_advance(asked.advance)
        listening = Listening(none_heard=asked.none_heard)
        ignition = advise_ignition(sessions, table, asked.now, listening, width=width)
        kept = keep_steps(sessions, asked.now, ignition, table.path)
        ignition = msgspec.structs.replace(ignition, findings=(*kept, *ignition.findings))
        files.append(_file("Advance table", Path(asked.advance)))
    mixture = None
    if asked.target is not None:
        target = read_target(asked.target)
        mixture = advise_mixture(sessions, target)
        files.append(_file("Wanted λ", Path(asked.target)))
    return Studies(
        power=power,
        power_trouble=trouble,
        ignition=ignition,
        now=asked.now or "",
        none_heard=asked.none_heard,
        mixture=mixture,
        files=tuple(files),
    )


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
