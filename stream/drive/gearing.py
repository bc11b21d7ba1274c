"""The road speed that an engine speed means in a gear, without slip."""

import math

from stream.car import Car


def road_kmh(car: Car, gear: int | None, rpm: float) -> float | None:
    """Road speed, km/h, of the engine speed in this gear; None where gear, ratios or rolling radius are not known.

    A pulling tyre slips by some percent, so the car is that much slower.
    """
    final, ratios, radius = car.gearing.final_drive, car.gearing.ratios, car.car.rolling_radius_m
    if gear is None or not 1 <= gear <= len(ratios) or final is None or radius is None:
        return None
    return rpm / 60.0 / (final * ratios[gear - 1]) * 2.0 * math.pi * radius * 3.6


def road_words(car: Car, gear: int | None, rpm: float, parked: bool = False) -> str:
    """How to hold the speed: parked, or at what road speed, with the slowest gear beside the one that is driven in."""
    if parked:
        return "parked, in neutral"
    first, here = road_kmh(car, 1, rpm), road_kmh(car, gear, rpm)
    slowest = "" if first is None else f"{first:.0f} km/h in gear 1"
    if here is None:
        return f"{slowest}, or parked in neutral" if slowest else ""
    words = f"{here:.0f} km/h in gear {gear}"
    return words if gear == 1 or not slowest else f"{words}, slower: {slowest}"
