"""What a pull was made under: means over the pull of mixture, temperatures and pressures, and the gear that the
road speed shows. From raw, for the live stage keeps speed and load only.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from stream.car import Car, Channel
from stream.record.session import Session
from stream.study.compare.fair import TEMPERATURE

STOICHIOMETRIC_AFR = 14.7  # fleet convention, from memory; only a channel that says AFR is divided by it
HPA_PER_UNIT = {"hpa": 1.0, "mbar": 1.0, "kpa": 10.0, "pa": 0.01, "bar": 1000.0, "psi": 68.947573, "inhg": 33.86389}
MPS_PER_UNIT = {"km/h": 1 / 3.6, "kph": 1 / 3.6, "kmh": 1 / 3.6, "": 1 / 3.6, "m/s": 1.0, "mps": 1.0, "mph": 0.44704}
# How a temperature channel's name tells what it measures; the first that fits counts. Common practice, no source.
TEMPERATURE_NAMES = (
    ("intake_c", ("intake", "inlet", "charge", "iat", "mat")),
    ("coolant_c", ("coolant", "water", "clt", "ect")),
    ("air_c", ("ambient", "outside", "air")),
)
# A hard-driven tyre slips by 3 to 8 %; neighbouring ratios of a gearbox differ by 15 % and more.
GEAR_MATCH = 0.12


@dataclass(frozen=True, slots=True)
class Conditions:
    """Means over one pull (keys as in `fair.py`), and the road speed's mean, m/s; NaN where there is none."""

    means: Mapping[str, float] = field(default_factory=dict)
    road_speed_mps: float = math.nan


def read_conditions(session: Session, car: Car, spans: Sequence[tuple[float, float]]) -> list[Conditions]:
    """Conditions of the stretches (start_s, end_s) of an open session; empty ones where it has no such channel.

    A cell that is missing does not count. Raises InputError where the file turns out to be damaged.
    """
    wanted = [
        (column, key, scale, shift)
        for column, name in enumerate(session.info.names)
        if (channel := car.by_name(name)) is not None and (found := _meaning(channel)) is not None
        for key, scale, shift in (found,)
    ]
    if not wanted:
        return [Conditions() for _ in spans]
    starts = np.concatenate(([0], session.gaps["index"].astype(np.int64)))
    lost = np.concatenate(([0], np.cumsum(session.gaps["lost"].astype(np.int64))))
    rows = [[_row_at(time_s * session.rate_hz, starts, lost) for time_s in span] for span in spans]
    return [_means(session, first, last, wanted) for first, last in rows]


def gear_of(speed_rpm: float, road_speed_mps: float, car: Car) -> int | None:
    """The gear that turns this road speed into this engine speed; None where the car file or the speeds cannot tell."""
    radius, final = car.car.rolling_radius_m, car.gearing.final_drive
    if radius is None or final is None or not car.gearing.ratios:
        return None
    if not (math.isfinite(speed_rpm) and math.isfinite(road_speed_mps) and speed_rpm > 0 and road_speed_mps > 1):
        return None
    turns = speed_rpm / 60 / (road_speed_mps / (2 * math.pi * radius))
    away = [abs(math.log(turns / (final * ratio))) for ratio in car.gearing.ratios]
    nearest = int(np.argmin(away))
    return nearest + 1 if away[nearest] < GEAR_MATCH else None


def _means(session: Session, first: int, last: int, wanted: Sequence[tuple[int, str, float, float]]) -> Conditions:
    parts = [samples for _, samples in session.slabs(first, last)]
    if not parts:
        return Conditions()
    samples = np.concatenate(parts)
    means: dict[str, float] = {}
    for column, key, scale, shift in wanted:
        values = samples[:, column].astype(np.float64)
        values = values[np.isfinite(values)]
        if len(values):
            means.setdefault(key, float(values.mean()) * scale + shift)
    road = means.pop("road_speed", math.nan)
    return Conditions(means, road)


def _row_at(index: float, starts: npt.NDArray[np.int64], lost: npt.NDArray[np.int64]) -> int:
    """The row of the sample at this place on the session's count, or the next one where that sample was lost."""
    whole = max(math.ceil(index - 1e-6), 0)
    stretch = int(np.searchsorted(starts + lost, whole, side="right")) - 1
    row = whole - int(lost[stretch])
    return min(row, int(starts[stretch + 1])) if stretch + 1 < len(starts) else row


def _meaning(channel: Channel) -> tuple[str, float, float] | None:
    """(key, scale, shift): what a channel says of the conditions; None for one that says nothing."""
    unit = channel.unit.strip().lower().replace("°", "").removeprefix("deg")
    if channel.role == "lambda" and unit != "v":
        return "lambda", 1 / STOICHIOMETRIC_AFR if "afr" in unit else 1.0, 0.0
    if channel.role == "fuel_trim" and unit in ("", "%"):
        return "fuel_trim_pct", 1.0, 0.0
    if channel.role == "manifold_pressure" and unit in HPA_PER_UNIT:
        return "manifold_hpa", HPA_PER_UNIT[unit], 0.0
    if channel.role == "road_speed" and unit in MPS_PER_UNIT:
        return "road_speed", MPS_PER_UNIT[unit], 0.0
    if channel.role == "temperature" and unit in ("", "c", "f", "k"):
        scale, shift = {"f": (5 / 9, -160 / 9), "k": (1.0, -273.15)}.get(unit, (1.0, 0.0))
        name = channel.name.lower()
        known = (key for key, words in TEMPERATURE_NAMES if any(word in name for word in words))
        return next(known, TEMPERATURE + channel.name), scale, shift
    return None
