"""steadypull coastdown: road load from rolling in neutral."""

from typing import TYPE_CHECKING

import click

from ui.cli.options import json_option, numbers, positive

if TYPE_CHECKING:
    from stream.study.force.road_load import RoadLoad


@click.command("coastdown")
@click.argument("session_path", metavar="SESSION")
@click.option("--car", "car_path", metavar="CAR.toml", help="In place of the car file that the session carries.")
@click.option(
    "--same-direction", is_flag=True, help="All runs went one way; else each is taken as against the one before."
)
@click.option("--drop", multiple=True, type=int, metavar="N", help="Glide N does not count; numbers as printed.")
@click.option("--back", metavar="N,…", help="These glides went the other way; in place of 'each against the last'.")
@click.option("--stretch", multiple=True, metavar="N=START_S-END_S", help="Glide N begins and ends there.")
@click.option(
    "--wind-change",
    type=float,
    default=1.5,
    metavar="MPS",
    help="How much the wind changes between a run and its partner (standard uncertainty).  [1.5]",
)
@json_option
def command(
    session_path: str,
    car_path: str | None,
    same_direction: bool,
    drop: tuple[int, ...],
    back: str | None,
    stretch: tuple[str, ...],
    wind_change: float,
    as_json: bool,
) -> int:
    """A, B and C of F = A + B v + C v², from the coastdowns found in a session, each judged by itself."""
    import msgspec

    from stream.study.dataset import open_dataset
    from stream.study.force.coastdown import session_coastdown
    from ui.cli.options import given_car, say_foreign
    from ui.cli.process import print_json
    from ui.text import findings

    if back is not None and same_direction:
        raise click.UsageError("--back and --same-direction contradict each other; keep one")
    if wind_change != 0:
        positive("--wind-change", wind_change)
    went_back = None if back is None else {int(number) for number in numbers("--back", back, "2,4")}
    stretches = dict(_stretch(text) for text in stretch)
    with open_dataset(session_path, given_car(car_path)) as data:
        say_foreign([data], car_path)
        load = session_coastdown(data, same_direction, drop, went_back, wind_change, stretches)
    if as_json:
        print_json({**msgspec.to_builtins(load), **findings.as_json(load.findings)})
    else:
        print_road_load(load)
    return 0


def print_road_load(load: "RoadLoad") -> None:
    """The glides, the coefficients ± 95 %, and force and coast time at the speeds glided through."""
    from ui.cli.paper import console, plain_table, say_warnings
    from ui.text import force as words
    from ui.text.findings import say_all

    out = console()
    table = plain_table(*words.GLIDE_HEADS)
    for row in load.coastdowns:
        table.add_row(*words.glide_cells(row))
    out.print(table)
    out.print(words.road_load_head(load))
    for line in words.coefficient_lines(load):
        out.print(f"  {line}")
    forces = plain_table(*words.LOAD_HEADS)
    for cells in words.road_load_cells(load):
        forces.add_row(*cells)
    out.print(forces)
    out.print(words.road_load_note(load))
    say_warnings(out, [line.rstrip(".") for line in say_all(load.findings)])


def _stretch(text: str) -> tuple[int, tuple[float, float]]:
    number, equals, span = text.partition("=")
    start, dash, end = span.partition("-")
    try:
        if equals and dash:
            return int(number), (float(start), float(end))
    except ValueError:
        pass
    raise click.UsageError(f"--stretch: {text!r} is not N=START_S-END_S; write it as 2=65-92")
