"""steadypull power: force, torque and power at the wheels."""

from typing import TYPE_CHECKING

import click

from ui.cli.air import NONE
from ui.cli.options import band_option, json_option, sessions_argument
from ui.text.cautions import POWER

if TYPE_CHECKING:
    from stream.study.force.power import Power


@click.command("power")
@sessions_argument
@click.option("--car", "car_path", metavar="CAR.toml", help="In place of the car file that the sessions carry.")
@band_option
@click.option(
    "--coastdown",
    "coastdown_path",
    metavar="SESSION",
    help="Road load from the coastdowns of this session.  [from the sessions, else drag area and rolling coefficient]",
)
@click.option(
    "--air",
    metavar="C,HPA,PCT|none",
    help="Air density of the day from temperature, pressure where the car stands, humidity.  [as kept in the sessions, "
    "else 1.2 kg/m³]",
)
@click.option("--both-ways", is_flag=True, help="Each pull went against the one before: grade and wind then show.")
@json_option
def command(
    session_paths: tuple[str, ...],
    car_path: str | None,
    width: float,
    coastdown_path: str | None,
    air: str | None,
    both_ways: bool,
    as_json: bool,
) -> int:
    """Force per unit of load, and force, torque and power at the wheels per rev band, from pulls.

    Pulls in two gears check each other. Declare the gear when recording, or log the road speed.
    """
    import msgspec

    from stream.study.dataset import open_dataset, open_datasets
    from stream.study.force.coastdown import session_coastdown
    from stream.study.force.power import other_car, power
    from ui.cli.options import given_car, say_foreign
    from ui.cli.process import print_json
    from ui.text import findings

    sessions = open_datasets(session_paths, given_car(car_path))
    say_foreign(sessions, car_path)
    rolled, said = None, []
    if coastdown_path is not None:
        with open_dataset(coastdown_path) as data:  # with its own car file: its mass is the one that rolled
            rolled, said = session_coastdown(data), other_car(data.car, sessions[0].car)
    density = None if air in (None, NONE) else _density(air or "")
    result = power(sessions, width, rolled, density, both_ways, kept_air=air is None)
    result = msgspec.structs.replace(result, findings=(*said, *result.findings))
    if as_json:
        print_json({**msgspec.to_builtins(result), **findings.as_json(result.findings)})
    else:
        _print(result)
    return 0


def _density(text: str) -> float:
    from stream.study.force.air import air_density
    from ui.cli.air import three

    return air_density(*three(text))


def _print(result: "Power") -> None:
    from ui.cli.paper import console, plain_table, say_warnings
    from ui.text.figures import figures
    from ui.text.findings import say_all
    from ui.text.tables import most_power

    out = console()
    if result.force_per_unit_n is not None and result.u_force_per_unit_n is not None:
        half = 1.96 * result.u_force_per_unit_n
        scale = f"{figures(result.force_per_unit_n, half)} ± {figures(half, half)} N"
        out.print(f"One {result.unit or 'unit'} of load is {scale}.")
    for gear in result.gears:
        slip = "" if gear.slip_pct is None else f", slip {gear.slip_pct:.1f} %"
        pulls = f"{gear.pulls} pull{'s' if gear.pulls > 1 else ''}"
        half = 1.96 * gear.u_force_per_unit_n
        own = f"{figures(gear.force_per_unit_n, half)} ± {figures(half, half)} N"
        out.print(f"  gear {gear.gear}: {own} from {pulls}, mass factor {gear.gamma:.3f}{slip}")
    for tune in result.tunes:
        out.print(f"{tune.tune or 'no tune named'}, gear {tune.gear}, {tune.pulls} pulls, at the wheels:")
        table = plain_table("rpm", "N", "±", "Nm", "±", "kW", "±", "steady-equivalent kW", "±", "pulls")
        for band in tune.bands:
            pairs = (
                (band.force_n, band.u_force_n),
                (band.wheel_torque_nm, band.u_wheel_torque_nm),
                (band.wheel_power_kw, band.u_wheel_power_kw),
                (band.steady_equivalent_kw, band.u_steady_equivalent_kw),
            )
            cells = [cell for value, u in pairs for cell in (figures(value, 1.96 * u), figures(1.96 * u, 1.96 * u))]
            table.add_row(f"{band.rpm:.0f}", *cells, str(band.n))
        out.print(table)
        if tune.bands:
            out.print(f"{most_power(tune)}.")
    if result.tunes:
        out.print(
            "± is 95 %. Steady-equivalent is at the engine's side, its own inertia given back by the usual mass "
            "factor; what driveline and driven tyres lose is not known and not in it."
        )
    say_warnings(out, [line.rstrip(".") for line in say_all(result.findings)])
    out.print(POWER)
