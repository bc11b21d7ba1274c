"""Preferred values of resistors and capacitors, IEC 60063.

E48, E96 and E192 follow the rule 10^(k/n) rounded to three digits, with one exception of the standard: 9.20
in E192 where the rule gives 9.19. E24 departs from the rule of two digits at eight values by history, and
E12, E6 and E3 are every second value of the next.
"""

import math
from typing import Literal

from stream.errors import InputError

Series = Literal["E3", "E6", "E12", "E24", "E48", "E96", "E192"]

_E24 = (
    1.0,
    1.1,
    1.2,
    1.3,
    1.5,
    1.6,
    1.8,
    2.0,
    2.2,
    2.4,
    2.7,
    3.0,
    3.3,
    3.6,
    3.9,
    4.3,
    4.7,
    5.1,
    5.6,
    6.2,
    6.8,
    7.5,
    8.2,
    9.1,
)
_STEP = {"E3": 8, "E6": 4, "E12": 2, "E24": 1}
_FINE = {"E48": 48, "E96": 96, "E192": 192}
TOLERANCE_PCT = {"E3": 40.0, "E6": 20.0, "E12": 10.0, "E24": 5.0, "E48": 2.0, "E96": 1.0, "E192": 0.5}


def values(series: str) -> tuple[float, ...]:
    """The values of one decade, 1 up to under 10. Raises InputError for a series that is not in the standard."""
    if series in _STEP:
        return _E24[:: _STEP[series]]
    if series in _FINE:
        count = _FINE[series]
        ruled = [round(10.0 ** (k / count), 2) for k in range(count)]
        return tuple(9.20 if value == 9.19 else value for value in ruled)
    raise InputError(f"series {series!r} is not in IEC 60063; use one of {', '.join(TOLERANCE_PCT)}")


def nearest(value: float, series: str) -> float:
    """The preferred value nearest by ratio, in the unit given. Raises InputError where value is not above
    zero.
    """
    return min(_around(value, series), key=lambda preferred: abs(math.log(preferred / value)))


def next_up(value: float, series: str) -> float:
    """The smallest preferred value not below this one."""
    return min(preferred for preferred in _around(value, series) if preferred >= value * (1.0 - 1e-9))


def next_down(value: float, series: str) -> float:
    """The largest preferred value not above this one."""
    return max(preferred for preferred in _around(value, series) if preferred <= value * (1.0 + 1e-9))


def _around(value: float, series: str) -> list[float]:
    if not (math.isfinite(value) and value > 0):
        raise InputError(f"a part of {value:g} does not exist; give a value above zero")
    decade = math.floor(math.log10(value))
    return [float(f"{digit:.3g}e{power}") for power in (decade - 1, decade, decade + 1) for digit in values(series)]
