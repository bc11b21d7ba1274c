"""What the pages beside the comparison work out and say: power, proposals. No Qt in here."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec

from stream.study.force.power import Power, TunePower
from stream.study.tables.gate import Advice
from stream.study.tables.mixture import MixtureAdvice
from ui.text.figures import plus_minus, sentence, tune_name
from ui.text.findings import say
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
class Ignition:
    """Proposals, and the whole table with them in it as text; '' where the table has no place for them."""

    advice: Advice
    table: str


def work_out_ignition(paths: Sequence[str], table: Path, now: str, none_heard: bool) -> Ignition:
    """Next step of the advance. Raises InputError: the table, or what the sessions lack."""
    from contextlib import ExitStack, suppress

    from stream.errors import InputError
    from stream.study.bands import DEFAULT_WIDTH_RPM
    from stream.study.dataset import open_datasets
    from stream.study.tables.ignition import advise_ignition
    from stream.study.tables.ignition_table import keep_steps, table_with
    from stream.study.tables.knock import Listening
    from stream.study.tables.user_table import read_advance

    advance = read_advance(table)
    with ExitStack() as stack:
        sessions = [stack.enter_context(session) for session in open_datasets(paths)]
        advice = advise_ignition(sessions, advance, now, Listening(none_heard=none_heard))
        kept = keep_steps(sessions, now, advice, advance.path)
    text = ""
    with suppress(InputError):
        text = table_with(advice, advance, now, DEFAULT_WIDTH_RPM)[0]
    return Ignition(msgspec.structs.replace(advice, findings=(*kept, *advice.findings)), text)


def work_out_mixture(paths: Sequence[str], table: Path, fuel: Path | None, ratio: float) -> MixtureAdvice:
    """Fuel multipliers. Raises InputError: the table, or what the sessions lack."""
    from contextlib import ExitStack

    from stream.study.dataset import open_datasets
    from stream.study.tables.mixture import advise_mixture
    from stream.study.tables.mixture_steps import read_steps
    from stream.study.tables.user_table import read_fuel, read_target

    target = read_target(table)
    in_car = None if fuel is None else read_fuel(fuel)
    folders = {path.parent for path in (table, fuel, *map(Path, paths)) if path is not None}
    with ExitStack() as stack:
        drives = [stack.enter_context(one) for one in open_datasets(paths)]
        return advise_mixture(drives, target, in_car, stoichiometric=ratio, steps=read_steps(folders))


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
