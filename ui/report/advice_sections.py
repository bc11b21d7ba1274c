"""Sections on power and on proposals: the numbers, what each rests on, and that a person decides."""

from collections.abc import Sequence
from functools import partial

from stream.study.force.power import TunePower
from stream.study.tables.gate import Advice
from stream.study.tables.mixture import MixtureAdvice
from ui.report import pictures
from ui.report.gather import Gathered
from ui.report.model import Part, Picture, Section, Table, Words, minds
from ui.text.cautions import DECIDES as PERSON_DECIDES
from ui.text.cautions import HEAT
from ui.text.figures import one_line, plus_minus, sentence, tune_name
from ui.text.findings import say, say_all
from ui.text.maps import CellMap
from ui.text.mixture import MULTIPLIERS, counts, multiplier
from ui.text.tables import (
    DECIDES,
    STEADY_NOTE,
    WATCH,
    ignition_rows,
    ignition_title,
    most_power,
    others,
    power_row,
)

POWER_HEADS = ("rpm", "force N", "wheel torque Nm", "wheel power kW", "steady-equivalent engine kW", "pulls")
LISTENED = "A person listened in its pulls and heard no knock."
NOT_LISTENED = "Nobody was said to have listened for knock, beyond what the sessions keep."
MAPS_MM, MOST_ROW_MM = 192.0, 7.0  # of a page, all maps together; and the highest that a row of cells may be
COLUMNS = 9  # of a mixture table side by side on a page


def power(found: Gathered) -> Section | None:
    """Force, torque and power at the wheels; None where the car file does not have what they need."""
    studies = found.studies
    if studies.power is None:
        if not studies.power_trouble:
            return None
        return Section("Power", (Words(f"No power: {found.short(one_line(studies.power_trouble)).rstrip('.')}."),))
    result = studies.power
    parts: list[Part] = []
    if result.force_per_unit_n is not None and result.u_force_per_unit_n is not None:
        told = plus_minus(result.force_per_unit_n, result.u_force_per_unit_n)
        parts.append(Words(f"One {result.unit or 'unit'} of load is {told} N; ± is 95 % throughout.", "answer"))
    else:
        parts.append(Words("No power is given: see what to mind below.", "answer"))
    for tune in result.tunes:
        parts += _tune(tune)
    if result.tunes:
        parts.append(Words(STEADY_NOTE))
    parts.append(Words(f"{PERSON_DECIDES} {HEAT}", "caution"))
    shown = [finding for finding in result.findings if finding.code != "power-tunes"]  # each has its own table
    kept = [line for line in say_all(shown) if line not in found.words]
    return Section("Power", (*parts, *minds([found.short(line) for line in kept])))


def _tune(tune: TunePower) -> list[Part]:
    name, count = tune_name(tune.tune), f"{tune.pulls} pull{'s' if tune.pulls > 1 else ''}"
    most = f"; {most_power(tune)}" if tune.bands else ""
    return [
        Words(f"{name}: {count} in gear {tune.gear}{most}."),
        Picture(
            partial(pictures.draw_power, tune=tune),
            70,
            f"{name}: power at the wheels and the steady-equivalent line at the engine's side (left), torque at the "
            "wheels (right), by rev band. Grey and hatched: 95 % intervals.",
        ),
        Table(POWER_HEADS, tuple(power_row(band) for band in tune.bands)),
    ]


def ignition(found: Gathered) -> Section | None:
    """The next step of the advance; None where it was not asked for."""
    studies = found.studies
    if studies.ignition is None:
        return None
    advice = studies.ignition
    _, title, detail = ignition_title(advice)
    parts: list[Part] = [
        Words(f"{title}.", "answer"),
        *_person_decides(),
        Words(
            f"{detail} n counts pulls at full load, stretches at part load. {tune_name(studies.now)} is in the car. "
            + (LISTENED if studies.none_heard else NOT_LISTENED)
        ),
    ]
    if any(cell.second_axis is None and cell.now is not None for cell in advice.cells):
        parts.append(
            Picture(
                partial(pictures.draw_advance, advice=advice),
                62,
                "Advance at full load, now and proposed, by rev band; whiskers: 95 % interval of the best advance, an "
                "arrow where one side has no bound, none where it is not known.",
            )
        )
    heads = ("rpm", "load", "now", "proposed", "best, 95 %", "n", "evidence")
    parts.append(Table(heads, tuple(ignition_rows(advice)), frozenset({1, 6})))
    return Section("Ignition: proposals", (*parts, *_minds(found, advice)))


def ignition_on_a_page(found: Gathered) -> Section | None:
    """The three maps of the advance table in the car; None where it was not asked for."""
    studies = found.studies
    if studies.ignition is None or not studies.ignition_maps:
        return None
    _, title, _ = ignition_title(studies.ignition)
    return _on_a_page(f"The ignition table, {tune_name(studies.now)} in the car", f"{title}.", studies.ignition_maps)


def mixture_on_a_page(found: Gathered) -> Section | None:
    """The three maps of the fuel table; None where it was not asked for."""
    advice = found.studies.mixture
    if advice is None or not found.studies.mixture_maps:
        return None
    dangers = [one for one in advice.findings if one.severity == "danger"]
    answer = f"Danger: {say(dangers[0])}." if dangers else f"{counts(advice)}."
    return _on_a_page("The fuel table", answer, found.studies.mixture_maps)


def _on_a_page(title: str, answer: str, maps: Sequence[CellMap]) -> Section:
    """The answer, what to mind, and the maps so high that all of it stands on one page."""
    parts: list[Part] = [Words(answer, "answer"), *_person_decides()]
    room = MAPS_MM / len(maps)
    for shown in maps:
        height = min(room, MOST_ROW_MM * (len(shown.rows) + 1))
        parts.append(
            Picture(partial(pictures.draw_cells, shown=shown), height, f"{shown.title}. {sentence(shown.legend)}")
        )
    return Section(title, tuple(parts), own_page=True)


def mixture(found: Gathered) -> Section | None:
    """Fuel multipliers; None where they were not asked for."""
    advice = found.studies.mixture
    if advice is None:
        return None
    dangers = [Words(f"{sentence(say(one))}", "caution") for one in advice.findings if one.severity == "danger"]
    reached = [cell for cell in advice.cells if cell.n]
    evidence = tuple((f"{cell.rpm:g}", f"{cell.second_axis:g}", one_line(say(cell.why))) for cell in reached)
    parts: list[Part] = [
        *dangers,
        Words(f"{counts(advice)}.", "answer"),
        *_person_decides(),
        Words(f"{MULTIPLIERS} An empty cell has too few hits."),
        *_grid(advice),
    ]
    if evidence:
        axis = f"{advice.grid.axis.replace('_', ' ')} {advice.grid.unit}"
        parts.append(Table(("rpm", axis, "evidence"), evidence, frozenset({2})))
    lesser = others(one for one in advice.findings if one.severity != "danger")
    kept = [line for line in lesser if line not in found.words]
    return Section("Mixture: proposals", (*parts, *minds([found.short(line) for line in kept])))


def _grid(advice: MixtureAdvice) -> list[Part]:
    """The multipliers on the grid's axes, both rising; a wide table in several pieces."""
    grid = advice.grid
    across = len(grid.second)
    tables: list[Part] = []
    for first in range(0, across, COLUMNS):
        columns = range(first, min(first + COLUMNS, across))
        rows = tuple(
            (f"{rpm:g}", *(multiplier(advice.cells[row * across + column]) for column in columns))
            for row, rpm in enumerate(grid.rpm)
        )
        heads = ("rpm", *(f"{grid.second[column]:g} {grid.unit}" for column in columns))
        tables.append(Table(heads, rows, note="Multipliers: ▲ richer, ▼ leaner."))
    return tables


def _person_decides() -> list[Part]:
    return [Words(sentence(text), "caution") for text in (DECIDES, WATCH)]


def _minds(found: Gathered, advice: Advice) -> list[Words]:
    kept = [line for line in others(advice.findings) if line not in found.words]
    return minds([found.short(line) for line in kept])
