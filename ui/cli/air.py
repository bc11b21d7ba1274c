"""--air and what belongs to it: the air of a drive that is kept, and the correction that a study makes with it;
steadypull air: the factors themselves.
"""

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from stream.errors import InputError
from ui.cli.options import Decorator, json_option, numbers

if TYPE_CHECKING:
    from stream.door import Air
    from stream.record.tables import Weather
    from stream.study.force.boost import Reading


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
    from ui.cli.process import print_json
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


NONE = "none"
EXAMPLE = "18,1002,55 for 18 °C, 1002 hPa, 55 %"

air_option: Decorator = click.option(
    "--air",
    "air",
    multiple=True,
    metavar="C,HPA,PCT|none",
    help="Correct to standard air (ISO 1585): temperature, pressure where the car stands, humidity. Once for all "
    "sessions, or once for each in the order given. Full throttle without boost only.  [as kept in the sessions]",
)
beyond_option: Decorator = click.option(
    "--beyond-range", is_flag=True, help="Air correction also where the standards do not reach."
)
keep_air_option: Decorator = click.option(
    "--air",
    "air",
    metavar="C,HPA,PCT",
    help="The air of the day, kept in the session: temperature, pressure where the car stands (with --altitude that at "
    "sea level, from a weather report), humidity.",
)
altitude_option: Decorator = click.option(
    "--altitude", type=float, metavar="M", help="Of the road; the pressure of --air is then the sea-level one."
)


def weather_of(air: str | None, altitude_m: float | None) -> "Weather | None":
    """The air to keep, at station pressure; None where none was given. Raises InputError."""
    from stream.record.tables import Weather
    from stream.study.force.air import check_air, station_pressure_hpa

    if air is None:
        if altitude_m is not None:
            raise InputError("--altitude: belongs to --air; give the sea-level pressure there, or leave it out")
        return None
    temperature, pressure, humidity = three(air)
    try:
        check_air(temperature, pressure, humidity, altitude_m)
        station = pressure if altitude_m is None else station_pressure_hpa(pressure, altitude_m)
        check_air(temperature, station, humidity)
    except InputError as error:
        raise InputError(f"--air {air}: {error}") from None
    return Weather(
        temperature_c=temperature, pressure_hpa=station, humidity_pct=humidity, said_utc=datetime.now(UTC).isoformat()
    )


def readings_of(session_paths: Sequence[str], air: Sequence[str]) -> "dict[str, Reading] | None":
    """The reading of each session; None where none was given. Raises InputError."""
    from stream.study.force.air import check_air
    from stream.study.force.boost import Reading

    if not air:
        return None
    if len(air) not in (1, len(session_paths)):
        raise InputError(
            f"--air: given {len(air)} times for {len(session_paths)} sessions; give it once for all, or once for each"
        )
    readings = {}
    for path, text in zip(session_paths, [air[0]] * len(session_paths) if len(air) == 1 else air, strict=True):
        reading = Reading(*three(text))
        try:
            check_air(reading.temperature_c, reading.pressure_hpa, reading.humidity_pct)
        except InputError as error:
            raise InputError(f"--air {text}: {error}") from None
        readings[str(Path(path))] = reading
    return readings


def wanted_air(session_paths: Sequence[str], air: Sequence[str]) -> "Air":
    """`--air none` is no correction, no --air is what was kept with the sessions. Raises InputError for a reading that
    cannot be used.
    """
    if NONE in air:
        if len(air) > 1:
            raise InputError(f"--air {NONE}: beside other readings; correct all sessions or none")
        return None
    readings = readings_of(session_paths, air)
    return "kept" if readings is None else readings


def three(text: str) -> tuple[float, float, float]:
    """°C, hPa, % of an --air, checked. Raises InputError."""
    reading = numbers("--air", text, EXAMPLE)
    if len(reading) != 3:
        raise InputError(f"--air {text}: is not three numbers; write {EXAMPLE}")
    return reading[0], reading[1], reading[2]
