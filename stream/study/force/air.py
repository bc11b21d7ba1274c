"""Correction of full-throttle torque to standard air, spark ignition without boost.

SAE J1349 (1990 form): 1.180 (990 / p_dry) sqrt((t + 273) / 298) - 0.18, p_dry in hPa, t in °C.
ISO 1585 (the same in UN R85): (99 / p_dry)^1.2 ((t + 273) / 298)^0.6, p_dry in kPa.
Saturation vapour pressure: Wagner and Pruß, J. Phys. Chem. Ref. Data 22 (1993) 783, over water, and carried
on below 0.01 °C as over supercooled water, which is how humidity is reported.
Sea level to station: the standard atmosphere of ISO 2533, p = p0 (1 - 0.0065 h / 288.15)^5.25588, h in
metres.

The pressure where the car stood, by the one rule that boost, the correction and the tables share: as a person said it,
or by a channel named so (the lower of the two where they disagree: that lets less pass for no boost, and more for high
load), else off the manifold of a standing engine.
"""

import math
from dataclasses import dataclass
from typing import Literal

import msgspec
import numpy as np

from stream.car import Channel
from stream.errors import InputError
from stream.findings import Finding, warning
from stream.study.dataset import Dataset
from stream.units import ABSOLUTE_OF, conversion, plain_unit

DRY_GAS, VAPOUR_GAS = 287.055, 461.495  # J/(kg K)
CRITICAL_K, CRITICAL_HPA = 647.096, 220_640.0
WAGNER = (
    (1.0, -7.85951783),
    (1.5, 1.84408259),
    (3.0, -11.7866497),
    (3.5, 22.6807411),
    (4.0, -15.9618719),
    (7.5, 1.80122502),
)
# Ranges: factor and pressure of both, temperature of SAE J1349 and of ISO 1585. The factor's bounds and those
# of SAE J1349 are from memory; the temperatures of ISO 1585 stand in (EU) 134/2014.
FACTOR_RANGE = (0.93, 1.07)
SAE_TEMPERATURE_C = (15.0, 35.0)
ISO_TEMPERATURE_C = (10.0, 45.0)
SAE_PRESSURE_HPA = (900.0, 1050.0)


class AirFactors(msgspec.Struct, frozen=True, kw_only=True):
    """The answer of `air`, as its JSON. Factors are None out of range, unless asked for beyond it."""

    sae_j1349: float | None
    iso_1585: float | None
    vapour_pressure_hpa: float
    dry_pressure_hpa: float
    valid: bool


def saturation_pressure_hpa(temperature_c: float) -> float:
    """Saturation vapour pressure over water, hPa."""
    kelvin = temperature_c + 273.15
    theta = 1 - kelvin / CRITICAL_K
    return CRITICAL_HPA * math.exp(CRITICAL_K / kelvin * sum(a * theta**power for power, a in WAGNER))


def station_pressure_hpa(sea_level_hpa: float, altitude_m: float) -> float:
    """Pressure where the car stands, from the sea-level pressure of a weather report, hPa and metres."""
    return float(sea_level_hpa * (1 - 0.0065 * altitude_m / 288.15) ** 5.25588)


def air_factors(
    temperature_c: float,
    pressure_hpa: float,
    humidity_pct: float,
    altitude_m: float | None = None,
    beyond_range: bool = False,
) -> AirFactors:
    """Correction factors of SAE J1349 and ISO 1585.

    temperature_c   of the air the engine takes in
    pressure_hpa    where the car stands; with altitude_m the sea-level pressure of a weather report
    humidity_pct    relative
    beyond_range    give the factors also where the standards do not

    Both factors are None, and `valid` is False, as soon as one standard's range is left; `range_findings` says
    which. Raises InputError where a number cannot be weather.
    """
    check_air(temperature_c, pressure_hpa, humidity_pct, altitude_m)
    station = pressure_hpa if altitude_m is None else station_pressure_hpa(pressure_hpa, altitude_m)
    vapour = humidity_pct / 100 * saturation_pressure_hpa(temperature_c)
    dry = station - vapour
    sae, iso = _factors(temperature_c, dry)
    valid = not _out_of_range(temperature_c, station, sae, iso)
    given = valid or beyond_range
    return AirFactors(
        sae_j1349=sae if given else None,
        iso_1585=iso if given else None,
        vapour_pressure_hpa=vapour,
        dry_pressure_hpa=dry,
        valid=valid,
    )


def air_density(temperature_c: float, pressure_hpa: float, humidity_pct: float) -> float:
    """Density of moist air, kg/m³: dry air and vapour as ideal gases, 287.055 and 461.495 J/(kg K).

    pressure_hpa   where the car stands
    Raises InputError where a number cannot be weather.
    """
    check_air(temperature_c, pressure_hpa, humidity_pct)
    vapour = humidity_pct / 100 * saturation_pressure_hpa(temperature_c)
    kelvin = temperature_c + 273.15
    return 100 * ((pressure_hpa - vapour) / DRY_GAS + vapour / VAPOUR_GAS) / kelvin


def range_findings(temperature_c: float, air: AirFactors) -> list[Finding]:
    """What leaves the standards' range; empty where all is inside."""
    sae, iso = _factors(temperature_c, air.dry_pressure_hpa)
    return _out_of_range(temperature_c, air.dry_pressure_hpa + air.vapour_pressure_hpa, sae, iso)


def _factors(temperature_c: float, dry_hpa: float) -> tuple[float, float]:
    ratio = (temperature_c + 273) / 298
    return 1.180 * (990 / dry_hpa) * math.sqrt(ratio) - 0.18, float((990 / dry_hpa) ** 1.2 * ratio**0.6)


def _out_of_range(temperature_c: float, station_hpa: float, sae: float, iso: float) -> list[Finding]:
    rows = (
        ("SAE J1349", "temperature", temperature_c, SAE_TEMPERATURE_C),
        ("ISO 1585", "temperature", temperature_c, ISO_TEMPERATURE_C),
        ("SAE J1349", "pressure", station_hpa, SAE_PRESSURE_HPA),
        ("SAE J1349", "factor", sae, FACTOR_RANGE),
        ("ISO 1585", "factor", iso, FACTOR_RANGE),
    )
    return [
        warning("air-out-of-range", standard=standard, what=what, value=value, low=low, high=high)
        for standard, what, value, (low, high) in rows
        if not low <= value <= high
    ]


def check_air(temperature_c: float, pressure_hpa: float, humidity_pct: float, altitude_m: float | None = None) -> None:
    """Refuse what cannot be the air an engine breathes: beyond the records of weather on land, or hotter than under a
    bonnet. Raises InputError."""
    rows = (
        ("temperature", temperature_c, -90.0, 100.0, "°C"),
        ("humidity", humidity_pct, 0.0, 100.0, "% relative"),
        ("pressure", pressure_hpa, 450.0, 1100.0, "hPa"),
        ("altitude", altitude_m, -500.0, 6000.0, "m"),
    )
    for what, value, low, high, unit in rows:
        if value is not None and not low <= value <= high:
            raise InputError(
                f"{what} {value:g}: not that of air on a road; give {unit}, from {low:g} to {high:g}",
                code="air-not-weather",
                what=what,
            )
    if altitude_m is not None and not 850 <= pressure_hpa <= 1100:
        raise InputError(
            f"pressure {pressure_hpa:g}: no sea level has it; beside an altitude give the sea-level pressure, or leave "
            "the altitude out",
            code="air-no-sea-level",
        )


HIGHEST_HPA = 1085.0  # about the highest ever read at a sea level; from memory
LOWEST_HPA = 500.0  # about 5 600 m (ISO 2533), the highest roads
APART_HPA = 15.0  # chosen: two barometers agree within 5; a sea-level pressure at 130 m of altitude does not
STANDING_RPM = 50.0
STANDING_S = 1.0  # chosen: so long at least; shorter is a stalled moment
# how the name of a channel tells that it is ambient pressure; common practice, no source
NAMES = ("baro", "ambient", "atmos")

Source = Literal["said", "channel", "standing", "wide-open", "standard"]


@dataclass(frozen=True, slots=True)
class Ambient:
    """Pressure of the air where the car stood, kPa, and how it is known."""

    kpa: float
    source: Source


def ambient(data: Dataset) -> tuple[Ambient | None, list[Finding]]:
    """(the ambient pressure of a session, None where nothing tells; what is odd about it)."""
    found: list[Finding] = []
    said = None if data.weather is None else data.weather.pressure_hpa
    if said is not None and not LOWEST_HPA <= said <= HIGHEST_HPA:
        said = None
    read = _barometer(data, found)
    if read is not None:
        name, hpa = read
        if said is None:
            return Ambient(hpa / 10, "channel"), found
        if abs(hpa - said) > APART_HPA:
            found.append(warning("ambient-apart", session=data.path.name, channel=name, read_hpa=hpa, said_hpa=said))
            return Ambient(min(hpa, said) / 10, "said" if said < hpa else "channel"), found
    if said is not None:
        return Ambient(said / 10, "said"), found
    return _standing(data), found


def manifold_channel(data: Dataset) -> Channel | None:
    """The first channel of manifold pressure that is not the air's own."""
    return next((one for one in data.recorded("manifold_pressure") if not _is_air(one)), None)


def kpa_per_unit(unit: str) -> float | None:
    """What a pressure in this unit is multiplied by to be in kPa; None where it is no unit of pressure."""
    plain = plain_unit(unit)
    factor = conversion(ABSOLUTE_OF.get(plain, plain), "kPa")
    return None if factor is None else factor[0]


def _is_air(channel: Channel) -> bool:
    return any(word in channel.name.lower() for word in NAMES)


def _barometer(data: Dataset, found: list[Finding]) -> tuple[str, float] | None:
    """(name, mean in hPa) of the first channel that is named so and can be it."""
    for channel in data.recorded("manifold_pressure", "other"):
        factor = kpa_per_unit(channel.unit) if _is_air(channel) else None
        mean = None if factor is None else data.mean_over([channel.name], 0.0, data.duration_s).get(channel.name)
        if factor is None or mean is None or not np.isfinite(mean):
            continue
        hpa = 10 * mean * factor
        if LOWEST_HPA <= hpa <= HIGHEST_HPA:
            return channel.name, hpa
        found.append(warning("ambient-odd", channel=channel.name, pressure_hpa=float(hpa)))
    return None


def _standing(data: Dataset) -> Ambient | None:
    """Off the manifold of an engine that does not turn: there the pressure is the air's."""
    channel = manifold_channel(data)
    factor = None if channel is None else kpa_per_unit(channel.unit)
    if channel is None or channel.gauge or factor is None:
        return None
    rows = data.even(("manifold_pressure",))
    kpa = rows.channels[channel.name] * factor
    still = np.isfinite(kpa) & (rows.speed_rpm < STANDING_RPM)
    if still.sum() * rows.step_s < STANDING_S:
        return None
    level = float(np.median(kpa[still]))
    return Ambient(level, "standing") if LOWEST_HPA <= 10 * level <= HIGHEST_HPA else None
