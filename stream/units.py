"""Units of what is logged, once: what a value is multiplied by and what is then added to be in another unit; and the
array types of the project.
"""

from typing import Final

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.intp]
Counts = npt.NDArray[np.int64]  # of samples

# psi and inHg by NIST SP 811 (2008), appendix B.8: 6.894 757 kPa and 3.386 389 kPa.
HPA_PER_UNIT: Final = {
    "hpa": 1.0,
    "mbar": 1.0,
    "kpa": 10.0,
    "pa": 0.01,
    "bar": 1000.0,
    "psi": 68.94757,
    "inhg": 33.86389,
}
# Pressures that are named as absolute; common practice, no source.
ABSOLUTE_OF: Final = {"psia": "psi", "bara": "bar", "barabs": "bar", "kpaa": "kpa", "kpaabs": "kpa"}
# The mile per hour by the same table: 0.447 04 m/s exactly. A road speed without a unit is in km/h.
MPS_PER_UNIT: Final = {
    "km/h": 1 / 3.6,
    "kph": 1 / 3.6,
    "kmh": 1 / 3.6,
    "": 1 / 3.6,
    "m/s": 1.0,
    "mps": 1.0,
    "mph": 0.44704,
}
# A throttle opening; without a unit it may be either.
PCT_PER_UNIT: Final = {"%": 1.0, "pct": 1.0, "percent": 1.0} | dict.fromkeys(
    ("1", "0..1", "0-1", "ratio", "fraction"), 100.0
)
# (factor, then added) to degrees Celsius; exact. A temperature without a unit is in °C.
CELSIUS_FROM: Final = {"": (1.0, 0.0), "c": (1.0, 0.0), "f": (5 / 9, -160 / 9), "k": (1.0, -273.15)}


def in_float64(values: npt.ArrayLike) -> Floats:
    """The values in double precision. A file may hold a NaN of the kind that numpy warns of; it is one like others."""
    with np.errstate(invalid="ignore"):
        return np.array(values, np.float64)


def plain_unit(unit: str) -> str:
    """A unit as the tables here have it: no case, no blanks, no degree sign."""
    return unit.strip().lower().replace(" ", "").replace("°", "").removeprefix("deg")


def conversion(unit: str, wanted: str) -> tuple[float, float] | None:
    """(factor, then added) from one unit to another of the same quantity; None where the tables cannot tell."""
    old, new = plain_unit(unit), plain_unit(wanted)
    if old == new:
        return 1.0, 0.0
    for table in (HPA_PER_UNIT, MPS_PER_UNIT, PCT_PER_UNIT):
        if old in table and new in table and new:
            return table[old] / table[new], 0.0
    if old in CELSIUS_FROM and new in CELSIUS_FROM and new:
        (factor, added), (back, less) = CELSIUS_FROM[old], CELSIUS_FROM[new]
        return factor / back, (added - less) / back
    return None


_QUANTITIES: Final = (
    (
        ("rpm", "1/min", "min-1", "min^-1", "u/min", "r/min", "rev/min", "revs/min"),
        ("hz", "1/s"),
        ("rps",),
        ("krpm", "rpm*1000", "rpm x 1000", "rpm x1000", "1000 rpm", "1000rpm", "x1000 rpm", "1000/min"),
    ),
    (("kpa",), ("hpa", "mbar"), ("bar",), ("psi", "psig", "psia", "lb/in2"), ("pa",), ("mpa",), ("inhg",)),
    (("v", "volt", "volts"), ("mv",)),
    (("km/h", "kmh", "kph", "km/hr"), ("mph", "mi/h"), ("m/s", "mps")),
    (("°c", "c", "degc", "deg c", "celsius"), ("°f", "f", "degf", "deg f"), ("k",)),
    # what a link is logged in: a reading of one is none of another
    (
        ("n",),
        ("kn",),
        ("lbf",),
        ("kgf",),
        ("mv/v",),
        ("microstrain", "µstrain", "µε", "µm/m", "um/m", "ue", "με"),
        ("v",),
        ("mv",),
    ),
    (("λ", "lambda", "la"), ("afr", "a/f", "air/fuel")),
)


def differ(one: str, other: str) -> bool:
    """Whether both are units of one quantity, and not the same one: as kPa and bar. No unit at all says nothing."""
    pair = [unit.strip().casefold() for unit in (one, other)]
    if not all(pair):
        return False
    for units in _QUANTITIES:
        places = [[place for place, spellings in enumerate(units) if unit in spellings] for unit in pair]
        if all(places) and places[0] != places[1]:
            return True
    return False
