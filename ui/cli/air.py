"""steadypull air: correction of full-throttle torque to standard air."""

import click

from ui.cli.options import json_option


@click.command("air")
@click.option("--temperature", type=float, required=True, metavar="C", help="Of the air the engine takes in.")
@click.option(
    "--pressure",
    type=float,
    required=True,
    metavar="HPA",
    help="Where the car stands; with --altitude the sea-level pressure of a weather report.",
)
@click.option("--humidity", type=float, required=True, metavar="PCT", help="Relative.")
@click.option("--altitude", type=float, metavar="M", help="Of the road; the pressure is then the sea-level one.")
@click.option("--beyond-range", is_flag=True, help="Factors also where the standards do not reach.")
@json_option
def command(
    temperature: float, pressure: float, humidity: float, altitude: float | None, beyond_range: bool, as_json: bool
) -> int:
    """Factors of SAE J1349 and ISO 1585 for full-throttle torque, spark ignition without boost."""
    import msgspec

    from stream.study.force.air import air_factors, range_findings
    from ui.cli.results import print_json
    from ui.text.findings import say_all

    air = air_factors(temperature, pressure, humidity, altitude, beyond_range)
    if as_json:
        print_json(msgspec.to_builtins(air))
        return 0
    outside = say_all(range_findings(temperature, air))
    if air.sae_j1349 is None or air.iso_1585 is None:
        click.echo("No factor: out of the standards' range. --beyond-range gives one all the same.")
    else:
        click.echo(f"SAE J1349  {air.sae_j1349:.4f}\nISO 1585   {air.iso_1585:.4f}")
    for words in outside:
        click.echo(f"Warning: {words}.")
    station = air.dry_pressure_hpa + air.vapour_pressure_hpa
    click.echo(
        f"Pressure where the car stands {station:.1f} hPa, of it water vapour {air.vapour_pressure_hpa:.1f}, "
        f"dry air {air.dry_pressure_hpa:.1f} hPa."
    )
    click.echo("Full throttle without boost only; on both sides of a comparison or on neither.")
    return 0
