"""Units as logs write them: whether two spellings mean one unit of one quantity, or two."""

from typing import Final

# quantity: its units, each with its spellings
_QUANTITIES: Final = (
    (("rpm", "1/min", "min-1", "min^-1", "u/min", "r/min", "rev/min", "revs/min"), ("hz", "1/s"), ("rps",)),
    (("kpa",), ("hpa", "mbar"), ("bar",), ("psi", "psig", "psia", "lb/in2"), ("pa",), ("mpa",), ("inhg",)),
    (("v", "volt", "volts"), ("mv",)),
    (("km/h", "kmh", "kph", "km/hr"), ("mph", "mi/h"), ("m/s", "mps")),
    (("°c", "c", "degc", "deg c", "celsius"), ("°f", "f", "degf", "deg f"), ("k",)),
    (("n",), ("kn",), ("lbf",), ("kgf",)),
)
_PLACE: Final = {
    spelling: (quantity, unit)
    for quantity, units in enumerate(_QUANTITIES)
    for unit, spellings in enumerate(units)
    for spelling in spellings
}


def differ(one: str, other: str) -> bool:
    """Whether both are units of one quantity, and not the same one: as kPa and bar."""
    places = [_PLACE.get(unit.strip().casefold()) for unit in (one, other)]
    return None not in places and places[0] != places[1] and places[0][0] == places[1][0]  # type: ignore[index]
