"""--air and what belongs to it: the air of a drive that is kept, and the correction that a study makes with it."""

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from stream.errors import InputError
from ui.cli.options import Decorator, numbers

if TYPE_CHECKING:
    from stream.door import Air
    from stream.record.tables import Weather
    from stream.study.force.boost import Reading

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
