"""What the pages beside the comparison work out and say: power, proposals. No Qt in here."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec

from stream.study.force.power import Power, TunePower
from stream.study.tables.gate import Advice
from stream.study.tables.mixture import MixtureAdvice
from ui.text.cells import ignition_maps, mixture_maps
from ui.text.figures import plus_minus, sentence, tune_name
from ui.text.findings import say
from ui.text.maps import CellMap
from ui.text.mixture import table_files
from ui.text.tables import most_power, power_row

WIDE = 0.15  # of the power: a uncertainty beyond it is said
POWER_HEADS = ("rpm", "force\nN", "torque\nNm", "wheel power\nkW", "steady-equiv.\nengine kW", "pulls")


def work_out_power(paths: Sequence[str], both_ways: bool) -> Power:
    """Power of these sessions. Raises InputError, in words, where something is missing."""
    from stream.study.dataset import open_datasets
    from stream.study.force.power import power

    return power(open_datasets(paths), both_ways=both_ways)


def tunes_of(paths: Sequence[str]) -> list[str]:
    """The tunes of the sessions that can be read, in order of time."""
    from stream.errors import InputError
    from stream.record.session import open_session

    found = []
    for path in paths:
        try:
            with open_session(path) as session:
                found.append((session.started_utc, session.tune))
        except InputError:
            continue
    return list(dict.fromkeys(tune for _, tune in sorted(found)))


@dataclass(frozen=True, slots=True)
class Written:
    """What came of a table: the maps of its cells, the whole table with the proposals in it as text ('' where it has no
    place for them), and the file beside it that says per cell why."""

    maps: tuple[CellMap, ...]
    table: str
    why: str
    encoding: str


@dataclass(frozen=True, slots=True)
class Ignition(Written):
    """Proposals of advance."""

    advice: Advice


@dataclass(frozen=True, slots=True)
class Mixture(Written):
    """Multipliers of fuel."""

    advice: MixtureAdvice


def work_out_ignition(paths: Sequence[str], table: Path, now: str, none_heard: bool) -> Ignition:
    """Next step of the advance. Raises InputError: the table, or what the sessions lack."""
    from contextlib import ExitStack, suppress

    from stream.errors import InputError
    from stream.study.bands import DEFAULT_WIDTH_RPM
    from stream.study.dataset import open_datasets
    from stream.study.tables.ignition import advise_ignition
    from stream.study.tables.ignition_table import keep_steps, table_with
    from stream.study.tables.knock import Listening
    from stream.study.tables.reached import cells_reached
    from stream.study.tables.user_table import UserTable, read_advance
    from ui.text.tables import advance_why

    advance = read_advance(table)
    text, why = "", ""
    maps: tuple[CellMap, ...] = ()
    with ExitStack() as stack:
        sessions = [stack.enter_context(session) for session in open_datasets(paths)]
        advice = advise_ignition(sessions, advance, now, Listening(none_heard=none_heard))
        kept = keep_steps(sessions, now, advice, advance.path)
        advice = msgspec.structs.replace(advice, findings=(*kept, *advice.findings))
        with suppress(InputError):  # a list without rows of the tune
            text, written = table_with(advice, advance, now, DEFAULT_WIDTH_RPM)
            why = advance_why(advice, advance, now, written)
            reached = cells_reached(sessions, advance) if isinstance(advance, UserTable) else None
            maps = ignition_maps(written, advance, reached)
    return Ignition(maps, text, why, advance.encoding, advice)


def work_out_mixture(paths: Sequence[str], table: Path, fuel: Path | None, ratio: float) -> Mixture:
    """Fuel multipliers. Raises InputError: the table, or what the sessions lack."""
    from contextlib import ExitStack

    from stream.study.dataset import open_datasets
    from stream.study.tables.mixture import advise_mixture
    from stream.study.tables.mixture_steps import read_steps
    from stream.study.tables.reached import cells_reached
    from stream.study.tables.user_table import read_fuel, read_target

    target = read_target(table)
    in_car = None if fuel is None else read_fuel(fuel)
    folders = {path.parent for path in (table, fuel, *map(Path, paths)) if path is not None}
    with ExitStack() as stack:
        drives = [stack.enter_context(one) for one in open_datasets(paths)]
        advice = advise_mixture(drives, target, in_car, stoichiometric=ratio, steps=read_steps(folders))
        maps = mixture_maps(advice, cells_reached(drives, advice.grid))
    return Mixture(maps, *table_files(advice), advice.grid.encoding, advice)


def keep_pasted(text: str, folder: Path, what: str) -> Path:
    """A table from the clipboard as a file of its own beside the sessions, byte for byte.

    Raises InputError where it is empty, StorageError where the folder does not take it.
    """
    from stream.errors import InputError
    from stream.record.names import free_path, write_text

    if not text.strip():
        raise InputError("the clipboard holds no text; copy the table with its axes there first")
    path = free_path(folder, f"{what}-pasted.csv")
    write_text(path, text)
    return path


def power_rows(tune: TunePower) -> list[tuple[str, ...]]:
    """A row a band, under POWER_HEADS."""
    return [power_row(band) for band in tune.bands]


def power_title(result: Power, tune: TunePower | None) -> tuple[str, str, str]:
    """(state shape, the answer, what it rests on)."""
    scale = ""
    if result.force_per_unit_n is not None and result.u_force_per_unit_n is not None:
        told = plus_minus(result.force_per_unit_n, result.u_force_per_unit_n)
        scale = f"One {result.unit or 'unit'} of load is {told} N. "
    if tune is None or not tune.bands:
        fault = [finding for finding in result.findings if finding.code == "power-gears-differ"]
        return "caution", "No power is given", sentence(say(fault[0])) if fault else ""
    best = max(tune.bands, key=lambda band: band.wheel_power_kw)
    title = f"{tune_name(tune.tune)}: {most_power(tune)}"
    pulls = f"{tune.pulls} pull{'s' if tune.pulls > 1 else ''} in gear {tune.gear}"
    if 1.96 * best.u_wheel_power_kw > WIDE * best.wheel_power_kw:
        return "caution", title, f"{scale}{pulls}. ± is 95 %: a wide uncertainty; a better zero or scale narrows it."
    return "ok", title, f"{scale}{pulls}. ± is 95 %."
