"""steadypull coastdown: road load from rolling in neutral."""

import math
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
    wind_change: float,
    as_json: bool,
) -> int:
    """A, B and C of F = A + B v + C v², from the coastdowns found in a session, each judged by itself."""
    import msgspec

    from stream.study.dataset import open_dataset
    from stream.study.force.coastdown import session_coastdown
    from ui.cli.options import given_car, say_foreign
    from ui.cli.results import print_json
    from ui.text import findings

    if back is not None and same_direction:
        raise click.UsageError("--back and --same-direction contradict each other; keep one")
    if wind_change != 0:
        positive("--wind-change", wind_change)
    went_back = None if back is None else {int(number) for number in numbers("--back", back, "2,4")}
    with open_dataset(session_path, given_car(car_path)) as data:
        say_foreign([data], car_path)
        load = session_coastdown(data, same_direction, drop, went_back, wind_change)
    if as_json:
        print_json({**msgspec.to_builtins(load), **findings.as_json(load.findings)})
    else:
        print_road_load(load)
    return 0


def print_road_load(load: "RoadLoad") -> None:
    """The glides, the coefficients ± 95 %, and force and coast time at the speeds glided through."""
    from ui.cli.paper import console, plain_table, say_warnings
    from ui.text.figures import figures
    from ui.text.findings import say_all
    from ui.text.force import GLIDE_WHY

    out = console()
    table = plain_table("glide", "from s", "to s", "km/h", "way", "")
    for row in load.coastdowns:
        span = f"{3.6 * row.from_mps:.0f} to {3.6 * row.to_mps:.0f}"
        state = "used" if row.used else f"left out: {GLIDE_WHY[row.why_not]}"
        way = "there" if row.way > 0 else "back"
        table.add_row(str(row.number), f"{row.start_s:.0f}", f"{row.end_s:.0f}", span, way, state)
    out.print(table)
    out.print(f"F = A + B v + C v², v in m/s, from {load.runs} coastdown{'s' if load.runs > 1 else ''}.")
    for name, unit, value, u in (
        ("A", "N", load.a_n, load.u_a),
        ("B", "N/(m/s)", load.b_n_per_mps, load.u_b),
        ("C", "N/(m/s)²", load.c_n_per_mps2, load.u_c),
    ):
        out.print(f"  {name} = {figures(value, 2 * u)} ± {figures(2 * u, 2 * u)} {unit}")
    times = {step.speed_kmh: step for step in load.precision}
    forces = plain_table("km/h", "N", "±", "coast time s", "pairs", "precision %")
    for speed_kmh in speeds_kmh(load):
        force, half = load.force_n(speed_kmh / 3.6), 2 * load.u_force_n(speed_kmh / 3.6)
        step = times.get(speed_kmh)
        timed = (
            ["", "", ""]
            if step is None
            else [
                f"{step.time_s:.2f}",
                str(step.pairs),
                "?" if step.precision_pct is None else f"{step.precision_pct:.1f}",
            ]
        )
        forces.add_row(f"{speed_kmh:.0f}", figures(force, half), figures(half, half), *timed)
    out.print(forces)
    out.print(
        f"± is 95 %; the mass is taken as exact. Only speeds that were glided through, {3.6 * load.from_mps:.0f} to "
        f"{3.6 * load.to_mps:.0f} km/h. Coast time is over ± 5 km/h; its precision is 100·t·s/(√n·T) over the pairs."
    )
    say_warnings(out, [line.rstrip(".") for line in say_all(load.findings)])


def speeds_kmh(load: "RoadLoad") -> list[float]:
    """Round speeds inside those that were glided through, at most a dozen, km/h."""
    low, high = 3.6 * load.from_mps, 3.6 * load.to_mps
    step = 10.0 if high - low <= 120 else 20.0
    return [step * place for place in range(math.ceil(low / step), math.floor(high / step) + 1)]
