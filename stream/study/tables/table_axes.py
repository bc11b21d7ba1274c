"""Which axis of a person's table is rpm, what the other one is and in which unit: read off the corner and the values.

Nothing is guessed where two readings are possible: a table laid over the wrong axis changes the wrong cells.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from stream.errors import InputError
from stream.units import ABSOLUTE_OF, HPA_PER_UNIT

Axis = Literal["manifold_pressure", "throttle"]
Kind = Literal["rpm", "manifold_pressure", "throttle"]

RPM_REACHES = 2000.0  # what the rpm axis reaches and no other does, where the corner does not say which is which
LARGEST_RPM = 25_000.0
# chosen: full load without boost at 4 000 m is 60 kPa, and no road engine is filled above 5 bar
PRESSURE_TOP_KPA = (45.0, 600.0)
LEAST_TOP_KPA = 35.0  # chosen: a part of a table may end low; 30 inHg or 15 psi called kPa may not pass
SHARE_TOP = 1.05  # a throttle axis that ends here is a share of one, not per cent
THROTTLE_TOP_PCT = 105.0
PRESSURE_UNITS = {"kpa": "kPa", "hpa": "hPa", "mbar": "mbar", "pa": "Pa", "bar": "bar", "psi": "psi", "inhg": "inHg"}
THROTTLE_UNITS = {
    "%": "%",
    "pct": "%",
    "percent": "%",
    "0..1": "1",
    "0-1": "1",
    "1": "1",
    "ratio": "1",
    "fraction": "1",
}
_GAUGE = {"gauge", "gage", "boost", "vacuum", "rel", "relative", "g", "psig", "barg", "kpag", "hpag", "mbarg"}
_ABSOLUTE = {"map", "manifold", "abs", "absolute", "a", *ABSOLUTE_OF}  # 'map' is manifold absolute pressure
_FOREIGN = {"v", "volt", "volts", "mv", "deg", "degree", "degrees", "°", "adc", "raw", "x", "mmhg", "torr", "atm"}
NEXT_TO_NONE_KPA = 5.0  # chosen: an engine at rest shows the air, a running one 15 kPa and more
LEAST_TOP_RPM = 500.0  # chosen: an axis that ends below is in thousands, or something else
_RPM = {"rpm", "revs", "n"}
_PRESSURE = {"pressure", "map", "manifold"}
_THROTTLE = {"throttle", "tps", "tp"}
_PER_MINUTE = re.compile(r"\b(?:1|u|r|rev|revs)\s*/\s*min\b|\bmin\s*\^?-1\b", re.IGNORECASE)
_BRACKETS = re.compile(r"[\[(]([^\])]*)[\])]")


@dataclass(frozen=True, slots=True)
class Named:
    """What a word of the corner names; unit '' where none is written."""

    kind: Kind
    unit: str = ""
    absolute: bool = False  # it says so


@dataclass(frozen=True, slots=True)
class Layout:
    """rpm_on_top: rpm runs across. `named` False: nothing in the file names the second axis, its values do."""

    rpm_on_top: bool
    axis: Axis
    unit: str
    named: bool


def layout(place: str, corner: str, side: Sequence[float], top: Sequence[float]) -> Layout:
    """How a table lies. `place` names the corner in errors. Raises InputError where that cannot be told."""
    words = [part.strip() for part in re.split(r"[\\/]", _PER_MINUTE.sub("rpm", corner))]
    if len(words) > 2:
        raise InputError(f"{place}: {corner!r} has more than two words; write side, then top, as in kPa\\rpm")
    named = [_named(place, corner, word) for word in words if word]
    second = next((word for word in named if word.kind != "rpm"), None)
    if len(named) == 2:
        rpm_on_top = _two_words(place, corner, named, side, top)
    else:
        rpm_on_top = _by_values(place, corner, second, side, top)
    values = side if rpm_on_top else top
    if second is None:
        axis, unit = _unnamed(place, values)
    else:
        assert second.kind != "rpm"  # noqa: S101 - chosen so above; for the type checker
        axis, unit = second.kind, second.unit or _unit(place, second.kind, values)
    _check(place, axis, unit, values)
    _check_rpm(place, top if rpm_on_top else side)
    if axis == "manifold_pressure" and second is not None and not second.absolute:
        _not_gauge(place, corner, unit, values)
    return Layout(rpm_on_top, axis, unit, second is not None)


def _named(place: str, corner: str, word: str) -> Named:
    brackets = _BRACKETS.search(word)
    inside = brackets.group(1).strip().lower() if brackets else ""
    outside = _BRACKETS.sub(" ", word).lower()
    tokens = re.findall(r"[a-zα-ω]+|[%°]", outside)
    every = {*tokens, *re.findall(r"[a-z]+|[%°]", inside)}
    if every & _GAUGE:
        raise InputError(
            f"{place}: {corner!r} is gauge pressure; the axis is absolute: add the ambient pressure to its values, and "
            "write manifold_pressure there"
        )
    unit = next(
        (found for text in (inside, *re.findall(r"[a-z%]+", inside), *tokens) if (found := _known_unit(text))), ""
    )
    kinds: set[Kind] = set()
    if set(tokens) & _RPM or {"engine", "speed"} <= set(tokens):
        kinds.add("rpm")
    if set(tokens) & _PRESSURE or unit in PRESSURE_UNITS.values():
        kinds.add("manifold_pressure")
    if set(tokens) & _THROTTLE or unit == "%":
        kinds.add("throttle")
    if len(kinds) != 1:
        raise InputError(
            f"{place}: {corner!r} does not name the axis; write manifold_pressure[kPa] or throttle[%] there, or both "
            "axes as in kPa\\rpm: side, then top"
        )
    kind = kinds.pop()
    own = THROTTLE_UNITS if kind == "throttle" else PRESSURE_UNITS
    if kind != "rpm" and inside and unit not in own.values():
        raise InputError(
            f"{place}: {inside!r} is no unit of {kind}; use one of {', '.join(dict.fromkeys(own.values()))}"
        )
    if foreign := sorted(every & _FOREIGN):
        raise InputError(
            f"{place}: {corner!r}: the axis is not read in {foreign[0]!r}; give it in rpm, in one of "
            f"{', '.join(dict.fromkeys(PRESSURE_UNITS.values()))}, or as throttle in % or 0..1"
        )
    return Named(kind, "" if kind == "rpm" else unit, bool(every & _ABSOLUTE))


def _known_unit(text: str) -> str:
    return PRESSURE_UNITS.get(ABSOLUTE_OF.get(text, text)) or THROTTLE_UNITS.get(text, "")


def _two_words(place: str, corner: str, named: Sequence[Named], side: Sequence[float], top: Sequence[float]) -> bool:
    """Whether rpm is on top by the corner's two words; the values may not say the opposite."""
    kinds = [word.kind for word in named]
    if kinds.count("rpm") != 1:
        raise InputError(f"{place}: {corner!r} names the same kind of axis twice; one of the two is rpm")
    rpm_on_top = kinds[1] == "rpm"
    rpm, other = (top, side) if rpm_on_top else (side, top)
    second = named[0] if rpm_on_top else named[1]
    # hPa and Pa may pass 2 000 themselves
    if max(rpm) < RPM_REACHES <= max(other) and second.unit not in ("hPa", "mbar", "Pa"):
        raise InputError(
            f"{place}: {corner!r} says that rpm {'is on top' if rpm_on_top else 'goes down'}, where the values end at "
            f"{max(rpm):g}, and the other axis reaches {max(other):g}; write side, then top"
        )
    return rpm_on_top


def _by_values(place: str, corner: str, second: Named | None, side: Sequence[float], top: Sequence[float]) -> bool:
    """Whether rpm is on top where the corner has one word or none: the axis that reaches 2 000 is rpm."""
    down, across = max(side) >= RPM_REACHES, max(top) >= RPM_REACHES
    if down != across:
        return across
    if not down and second is not None:
        return False  # low-revving: the one word names what runs across
    if down and second is not None and second.unit in ("hPa", "mbar", "Pa"):
        possible = [_may_be(rpm, other, second.unit) for rpm, other in ((side, top), (top, side))]
        if possible[0] != possible[1]:
            return possible[1]
    reach = "both axes reach" if down else "neither axis reaches"
    raise InputError(
        f"{place}: {corner!r} does not tell which axis is rpm, and {reach} {RPM_REACHES:.0f}; write both there, side, "
        "then top, as in rpm\\kPa"
    )


def _may_be(rpm: Sequence[float], pressure: Sequence[float], unit: str) -> bool:
    kpa = max(pressure) * HPA_PER_UNIT[unit.lower()] / 10
    return max(rpm) <= LARGEST_RPM and PRESSURE_TOP_KPA[0] <= kpa <= PRESSURE_TOP_KPA[1]


def _unit(place: str, axis: Axis, values: Sequence[float]) -> str:
    """The unit of an axis that is named without one, from where its values end."""
    last = max(values)
    if axis == "throttle":
        return "1" if last <= SHARE_TOP else "%"
    for unit in ("kPa", "hPa", "bar"):
        if PRESSURE_TOP_KPA[0] <= last * HPA_PER_UNIT[unit.lower()] / 10 < 10 * PRESSURE_TOP_KPA[0]:
            return unit
    raise InputError(
        f"{place}: pressure that ends at {last:g} names no unit; write it there, as in manifold_pressure[psi]"
    )


def _unnamed(place: str, values: Sequence[float]) -> tuple[Axis, str]:
    """(axis, unit) where only values can tell. An engine does not run at 0 kPa: an axis from 0 to 100 is throttle."""
    low, last = min(values), max(values)
    if low < 10 and 10 <= last <= THROTTLE_TOP_PCT:
        return "throttle", "%"
    if low < 0.1 and last <= SHARE_TOP:
        return "throttle", "1"
    if last <= SHARE_TOP or last < PRESSURE_TOP_KPA[0]:
        raise InputError(
            f"{place}: an axis from {low:g} to {last:g} may be pressure or throttle; write manifold_pressure[kPa], "
            "[bar], [psi] or throttle[%] there"
        )
    return "manifold_pressure", _unit(place, "manifold_pressure", values)


def _not_gauge(place: str, corner: str, unit: str, values: Sequence[float]) -> None:
    """Raises InputError where an axis begins at next to nothing and nothing says that it is absolute: a boost gauge
    begins there too, and its cells would be laid a whole atmosphere too low."""
    if min(values) * HPA_PER_UNIT[unit.lower()] / 10 < NEXT_TO_NONE_KPA:
        raise InputError(
            f"{place}: {corner!r} begins at {min(values):g} {unit}, as gauge pressure does; if it is absolute write "
            f"manifold_pressure[{unit}] there, else add the ambient pressure to its values first"
        )


def _check_rpm(place: str, values: Sequence[float]) -> None:
    if 0 <= max(values) < LEAST_TOP_RPM:
        raise InputError(f"{place}: rpm that ends at {max(values):g} is no engine's; write it in revolutions a minute")


def _check(place: str, axis: Axis, unit: str, values: Sequence[float]) -> None:
    last = max(values)
    if min(values) < 0:
        raise InputError(
            f"{place}: {axis} of {min(values):g} is below zero; "
            + ("write absolute pressure" if axis == "manifold_pressure" else "mend it")
        )
    if axis == "throttle":
        most = SHARE_TOP if unit == "1" else THROTTLE_TOP_PCT
        if last > most or (unit == "%" and last <= SHARE_TOP):
            raise InputError(
                f"{place}: throttle that ends at {last:g} is not in {unit}; write throttle[%] or throttle[0..1]"
            )
        return
    kpa = last * HPA_PER_UNIT[unit.lower()] / 10
    if not LEAST_TOP_KPA <= kpa <= PRESSURE_TOP_KPA[1]:
        raise InputError(
            f"{place}: manifold pressure that ends at {last:g} {unit} is {kpa:.3g} kPa, which no engine sees; write "
            "the unit that the values are in"
        )
