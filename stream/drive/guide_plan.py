"""What a guided drive asks for, what it tells, and the limits of both."""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from stream.calibrate.speed.speed_model import SpeedFit
from stream.car import Car
from stream.errors import InputError
from stream.findings import Finding, warning

REDLINE_SHARE = 0.9
MOST_TARGETS = 60


@dataclass(frozen=True, slots=True)
class GuidePlan:
    """What is to be held. targets: rpm, in order; until_u_rpm: the uncertainty at which the drive may end.

    gear         the gear that is driven in; None: not told
    parked       in neutral, standing
    near_redline ask for speeds above 90 % of redline too
    reading_error_rpm, scale_error_pct   of the reference, as for a fit
    """

    targets: tuple[float, ...] = ()
    until_u_rpm: float | None = None
    gear: int | None = None
    parked: bool = False
    near_redline: bool = False
    reading_error_rpm: float = 50.0
    scale_error_pct: float = 1.0


@dataclass(frozen=True, slots=True)
class Said:
    """To be told, as an event: 'target' a hold was taken, 'note', 'fault' a signal that does not follow."""

    kind: Literal["target", "note", "fault"]
    what: Finding | str
    value: float | None = None


def wanted(plan: GuidePlan, car: Car) -> tuple[list[float], Finding | None]:
    """The targets that are asked for, without those too near redline; and what there is to say about that.

    Raises InputError: no speeds, too many of them, too few for an uncertainty, or all of them too near redline.
    """
    targets, redline = plan.targets, car.engine.redline_rpm
    if any(not (math.isfinite(rpm) and rpm > 0) for rpm in targets):
        raise InputError(
            "a speed to hold is a number above zero; write them as 1500,2000,2500", code="target-not-positive"
        )
    if len(targets) > MOST_TARGETS:
        raise InputError(
            f"{len(targets)} speeds to hold are too many; give {MOST_TARGETS} or fewer",
            code="targets-many",
            count=len(targets),
            most=MOST_TARGETS,
        )
    kept, said = list(targets), None
    fast = [] if redline is None else [rpm for rpm in targets if rpm > REDLINE_SHARE * redline]
    if fast and redline is not None:
        asked = plan.near_redline or plan.parked
        said = warning("targets-near-redline", rpm=tuple(fast), redline_rpm=redline, asked=asked)
        if not asked:
            kept = [rpm for rpm in targets if rpm not in fast]
            if not kept:
                raise InputError(
                    f"all speeds to hold are above 90 % of redline ({redline:.0f} rpm); give lower ones",
                    code="targets-near-redline",
                    redline=redline,
                )
    if plan.until_u_rpm is not None and len(set(kept)) < 3:
        raise InputError(
            "an uncertainty comes from three or more different speeds to hold; give them", code="until-u-few-targets"
        )
    return kept, said


def largest_uncertainty(fit: SpeedFit, low_rpm: float, high_rpm: float) -> float:
    """Largest standard uncertainty of a predicted speed between two speeds, rpm, the scale error left out."""
    ends = np.sort([fit.signal(low_rpm), fit.signal(high_rpm)])
    return float(np.max(fit.u_rpm(np.linspace(ends[0], ends[1], 33), scale=False)))


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
