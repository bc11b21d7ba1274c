"""Units as logs write them: whether two spellings mean one unit."""

from typing import Final

_SPELLINGS: Final = (
    ("rpm", "1/min", "min-1", "min^-1", "u/min", "r/min", "rev/min", "revs/min"),
    ("kpa", "kilopascal"), ("hpa", "mbar"), ("bar",), ("psi", "psig", "psia", "lb/in2"), ("pa",),
    ("%", "percent", "pct"), ("v", "volt", "volts"), ("mv",), ("mv/v",),
    ("km/h", "kmh", "kph", "km/hr"), ("mph", "mi/h"), ("m/s", "mps"),
    ("°c", "c", "degc", "deg c", "celsius"), ("°f", "f", "degf", "deg f"), ("k",),
    ("n",), ("kn",), ("lbf",), ("microstrain", "µm/m", "um/m", "µstrain", "ustrain"),
)  # fmt: skip
_CODE: Final = {spelling: number for number, group in enumerate(_SPELLINGS) for spelling in group}


def same_unit(one: str, other: str) -> bool | None:
    """Whether two units are the same; None where either is not known."""
    codes = [_CODE.get(unit.strip().casefold().replace("μ", "µ")) for unit in (one, other)]
    return None if None in codes else codes[0] == codes[1]
