"""The road speed that an engine speed means in a gear, without slip."""

import math
from dataclasses import dataclass

from stream.car import Car


@dataclass(frozen=True, slots=True)
class RoadHint:
    """How to hold a speed on the road: parked, or the road speed (km/h) in the gear that is driven in and in the first.

    None where gear, ratios or rolling radius are not known.
    """

    parked: bool
    gear: int | None
    kmh: float | None
    first_kmh: float | None


def road_kmh(car: Car, gear: int | None, rpm: float) -> float | None:
    """Road speed, km/h, of the engine speed in this gear; None where gear, ratios or rolling radius are not known.

    A pulling tyre slips by some percent, so the car is that much slower.
    """
    final, ratios, radius = car.gearing.final_drive, car.gearing.ratios, car.car.rolling_radius_m
    if gear is None or not 1 <= gear <= len(ratios) or final is None or radius is None:
        return None
    return rpm / 60.0 / (final * ratios[gear - 1]) * 2.0 * math.pi * radius * 3.6


def road_hint(car: Car, gear: int | None, rpm: float, parked: bool = False) -> RoadHint:
    """How to hold the engine speed."""
    if parked:
        return RoadHint(True, None, None, None)
    return RoadHint(False, gear, road_kmh(car, gear, rpm), road_kmh(car, 1, rpm))
