"""Pressure of the air where the car stood, by the one rule that the boost, the air correction and the tables share.

As a person said it, or by a channel named so (the lower of the two where they disagree: that lets less pass for no
boost, and more for high load), else off the manifold of a standing engine.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from stream.car import Channel
from stream.findings import Finding, warning
from stream.study.dataset import Dataset
from stream.units import ABSOLUTE_OF, conversion, plain_unit

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
