"""steadypull coastdown: road load from rolling in neutral."""

from typing import TYPE_CHECKING

import click

from ui.cli.options import json_option

if TYPE_CHECKING:
    from stream.study.force.coastdown import RoadLoad


@click.command("coastdown")
@click.argument("session_path", metavar="SESSION")
@click.option("--car", "car_path", metavar="CAR.toml", help="In place of the car file that the session carries.")
@click.option(
    "--same-direction", is_flag=True, help="All runs went one way; else each is taken as against the one before."
)
@json_option
def command(session_path: str, car_path: str | None, same_direction: bool, as_json: bool) -> int:
    """A, B and C of F = A + B v + C v², from the coastdowns found in a session."""
    import msgspec

    from stream.record.session import open_session
    from stream.study.force.coast_session import session_coastdown
    from ui.cli.results import print_json
    from ui.cli.session_car import car_of

    with open_session(session_path) as session:
        car = car_of(session, car_path)
    load = session_coastdown(session_path, car, same_direction)
    if as_json:
        print_json(msgspec.to_builtins(load))
    else:
        print_road_load(load)
    return 0


def print_road_load(load: "RoadLoad") -> None:
    """The coefficients with their 95 % doubt, and the force at three speeds, on standard output."""
    from ui.cli.paper import console
    from ui.cli.study_options import say_warnings
    from ui.text.figures import figures

    out = console()
    out.print(f"F = A + B v + C v², v in m/s, from {load.runs} coastdown{'s' if load.runs > 1 else ''}.")
    for name, unit, value, doubt in (
        ("A", "N", load.a_n, load.u_a),
        ("B", "N/(m/s)", load.b_n_per_mps, load.u_b),
        ("C", "N/(m/s)²", load.c_n_per_mps2, load.u_c),
    ):
        out.print(f"  {name} = {figures(value, 2 * doubt)} ± {figures(2 * doubt, 2 * doubt)} {unit}")
    at = ", ".join(f"{load.force_n(kmh / 3.6):.0f} N at {kmh} km/h" for kmh in (50, 80, 110))
    out.print(f"That is {at}. ± is 95 %; the mass is taken as exact.")
    say_warnings(out, load.warnings)
