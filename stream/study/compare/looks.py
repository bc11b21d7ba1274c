"""When a verdict falls, and how strict it is there: a person who looks after every pull is not fooled by it.

Verdicts fall at set numbers of pulls. The chance of a false one, 5 % over all looks together, is spent by the
O'Brien-Fleming form of Lan and DeMets (Biometrika 70 (1983) 659) up to the sixth look, 4 of the 5 %; the rest is halved
from look to look behind it, for days that go on. The level at each look comes from the recursion of Armitage,
McPherson and Rowe (Journal of the Royal Statistical Society A 132 (1969) 235) for sums of equal steps.
"""

from functools import cache

import numpy as np
import scipy  # its parts load when first used

ALPHA = 0.05
LOOKS = (6, 8, 12, 16, 20, 24)  # pulls made of the two tunes, those left out included
SPENT_AT_LAST = 0.8 * ALPHA  # chosen: a fifth is kept for days that go on behind the last of LOOKS
_NODES = 101  # of Gauss-Legendre quadrature; 401 give the same five figures


def looks_up_to(pulls: int) -> list[int]:
    """The looks that have been reached with so many pulls."""
    found = [look for look in LOOKS if look <= pulls]
    while found and found[-1] >= LOOKS[-1] and (later := _after(found[-1])) <= pulls:
        found.append(later)
    return found


def next_look(pulls: int) -> int:
    """The next look, in pulls made."""
    reached = looks_up_to(pulls)
    later = [look for look in LOOKS if look > pulls]
    return later[0] if later else _after(reached[-1])


def level(look: int) -> float:
    """The two-sided p below which a look resolves, for a single test or the smallest of a family adjusted for it."""
    looks = looks_up_to(look)
    return _levels(len(looks))[-1]


@cache
def _levels(count: int) -> tuple[float, ...]:
    looks = [*LOOKS]
    while len(looks) < count:
        looks.append(_after(looks[-1]))
    looks = looks[:count]
    spent = [_spent(look) for look in looks]
    return nominal_levels(tuple(map(float, looks)), tuple(spent))


def _after(look: int) -> int:
    """Behind the last: by a third or a half of it, 32, 48, 64, 96 and so on."""
    power = 1 << (look.bit_length() - 1)
    return power + power // 2 if power == look else 2 * power


def _spent(look: int) -> float:
    if look > LOOKS[-1]:
        late, at = 0, LOOKS[-1]
        while at < look:
            late, at = late + 1, _after(at)
        return SPENT_AT_LAST + (ALPHA - SPENT_AT_LAST) * (1 - 0.5**late)
    limit = scipy.special.ndtri(1 - SPENT_AT_LAST / 2)
    return float(2 * scipy.special.ndtr(-limit / np.sqrt(look / LOOKS[-1])))


def nominal_levels(information: tuple[float, ...], spent: tuple[float, ...]) -> tuple[float, ...]:
    """Two-sided p at each look.

    information   rising, any unit (pulls); the sum of so many steps of unit variance is looked at
    spent         chance of a false claim up to each look, rising
    """
    levels: list[float] = []
    at, weight, density = np.empty(0), np.empty(0), np.empty(0)
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    for number, (now, due) in enumerate(zip(information, spent, strict=True)):
        root = np.sqrt(now)
        if number == 0:
            limit = float(scipy.special.ndtri(1 - due / 2)) * root
            inside = nodes * limit
            fresh = np.exp(-(inside**2) / (2 * now)) / np.sqrt(2 * np.pi * now)
        else:
            step = np.sqrt(now - information[number - 1])
            limit = _limit(at, weight * density, step, due - spent[number - 1], 10 * root)
            inside = nodes * limit
            kernel = np.exp(-((inside[:, None] - at[None]) ** 2) / (2 * step**2)) / (np.sqrt(2 * np.pi) * step)
            fresh = kernel @ (weight * density)
        levels.append(float(2 * scipy.special.ndtr(-limit / root)))
        at, weight, density = inside, weights * limit, fresh
    return tuple(levels)


def _limit(at: np.ndarray, mass: np.ndarray, step: float, due: float, highest: float) -> float:
    """The bound that the sum crosses at this look with chance `due`, by bisection."""
    low, high = 0.0, float(highest)
    for _ in range(60):
        middle = (low + high) / 2
        crossed = scipy.special.ndtr((at - middle) / step) + scipy.special.ndtr((-middle - at) / step)
        low, high = (middle, high) if float(mass @ crossed) > due else (low, middle)
    return (low + high) / 2
