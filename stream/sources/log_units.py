"""Units as logs write them: whether two spellings mean one unit of one quantity, or two."""

from typing import Final

# quantity: its units, each with its spellings
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
