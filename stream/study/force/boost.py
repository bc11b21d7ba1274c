"""Manifold pressure of a session as absolute pressure, whether the engine is boosted, and which air correction may be
used.

The factors of SAE J1349 and ISO 1585 that are kept here are for engines without boost. So a correction is refused with
boost declared or seen, and where boost is not known that is said beside it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from stream.errors import InputError
from stream.findings import Finding, note, warning
from stream.record.tables import Weather
from stream.study.dataset import Dataset
from stream.study.force.air import (
    HIGHEST_HPA,
    air_factors,
    ambient,
    check_air,
    kpa_per_unit,
    manifold_channel,
    range_findings,
)
from stream.units import Flags, Floats

# chosen: ram air makes 29 hPa at 250 km/h (½ ρ v²), a sensor of 1 % errs by 10; a blower makes hundreds.
ABOVE_HPA = 50.0
STANDARD_HPA = 1013.25  # ISO 2533
LOWEST_AMBIENT_HPA = 700.0  # about 3 000 m, where roads end (ISO 2533)
LEAST_AT_LOAD = 0.7  # chosen, of ambient: an engine without boost fills to 0.9 and more at full throttle
BELOW_NOTHING_HPA = -30.0  # chosen: an absolute sensor's zero is not off by more
# chosen: from a cruise to full load the manifold of any engine moves by hundreds of hPa, and a live sensor's own noise
# and the pulses of the intake by more than this
STUCK_HPA = 2.0
AROUND_S = 1.0  # before and after a pull, where the throttle moves
# chosen: load of a boosted engine goes about with absolute pressure, so 1 % of pressure is 1 % of load, half of the
# 2 % that a comparison sets out to settle
EQUAL_PRESSURE = 0.01
# chosen: what two readings of one day's air differ by when one of them is wrong
APART = (("temperature_c", 3.0), ("pressure_hpa", 5.0), ("humidity_pct", 20.0))

BoostState = Literal["boosted", "none", "none-seen", "unknown"]
"""boosted: declared or seen; none: declared; none-seen: not declared, and pressure never above ambient."""


@dataclass(frozen=True, slots=True)
class SessionAir:
    """What a session says of its air and its boost.

    weather      the air that was kept with it, None where nobody said
    above_hpa    how far manifold pressure stood above ambient at most, hPa; None: unknown
    reached_hpa  what it reached in the pulls, hPa, absolute; None: not recorded, or a gauge's beside an unknown ambient
    findings     what is odd about the pressure channels
    """

    weather: Weather | None = None
    boost: BoostState = "unknown"
    above_hpa: float | None = None
    reached_hpa: float | None = None
    findings: tuple[Finding, ...] = ()


UNKNOWN_AIR = SessionAir()


@dataclass(frozen=True, slots=True)
class Pressure:
    """Absolute manifold pressure on the live clock, kPa, (ticks,), NaN where unknown; None: no channel. And the air."""

    kpa: Floats | None
    air: SessionAir


@dataclass(frozen=True, slots=True)
class Reading:
    """Air as a person gives it for a correction: °C, hPa where the car stands, % relative."""

    temperature_c: float
    pressure_hpa: float
    humidity_pct: float


@dataclass(frozen=True, slots=True)
class Correction:
    """Factor of each session, None where nothing is corrected; and why."""

    factors: Mapping[str, float] | None
    findings: tuple[Finding, ...] = ()


def pressure_of(data: Dataset, pulls: Sequence[tuple[float, float]]) -> Pressure:
    """Manifold pressure and boost of a session; `pulls` are their (start, end), s.

    A gauge channel gets the ambient pressure added: that kept with the session, else of a channel, else 1013 hPa,
    which is said. A channel that does not move through a pull and the second about it is no pressure there.
    """
    found: list[Finding] = []
    known, odd_air = ambient(data)
    found += odd_air
    ambient_hpa = None if known is None else 10 * known.kpa
    declared = data.car.engine.boosted
    channel = manifold_channel(data)
    factor = None if channel is None else kpa_per_unit(channel.unit)
    hpa = None if channel is None or factor is None else 10 * factor * data.on_live_clock(channel)
    if channel is None or hpa is None:
        if channel is not None:
            found.append(warning("pressure-no-unit", channel=channel.name, unit=channel.unit))
        return Pressure(None, SessionAir(data.weather, _state(declared, None), findings=tuple(found)))
    if channel.gauge:
        if ambient_hpa is None:
            found.append(warning("gauge-no-ambient", channel=channel.name, session=data.path.name))
        hpa = hpa + (STANDARD_HPA if ambient_hpa is None else ambient_hpa)
    stuck = [_stuck(data.time_s, hpa, span) for span in pulls]
    for rows in (rows for rows in stuck if rows is not None):
        hpa[rows] = np.nan
    if count := sum(rows is not None for rows in stuck):
        found.append(
            warning("pressure-stuck", channel=channel.name, session=data.path.name, pulls=count, of=len(pulls))
        )
    if not channel.gauge and (odd := _not_absolute(data, hpa, pulls, ambient_hpa)) is not None:
        found.append(odd)
        return Pressure(None, SessionAir(data.weather, _state(declared, None), findings=tuple(found)))
    level = STANDARD_HPA if channel.gauge and ambient_hpa is None else ambient_hpa
    above = _above(data.time_s, hpa, pulls, level)
    state = _state(declared, above)
    if declared is False and state == "boosted":
        found.append(warning("boost-against-car", session=data.path.name, above_hpa=above or 0.0))
    reached = max(_levels(data.time_s, hpa, pulls), default=None)
    if channel.gauge and ambient_hpa is None:
        reached = None
    return Pressure(hpa / 10, SessionAir(data.weather, state, above, reached, tuple(found)))


def at_unequal_boost(base_kpa: Floats, other_kpa: Floats, airs: Sequence[SessionAir]) -> Flags:
    """(bands,) where two sides' mean manifold pressures, kPa, (bands,) each, differ by more than changes load visibly.

    Nowhere for an engine that is known to have no boost: its pressure at full throttle is the day's air, which the air
    correction takes off. Where a pressure is not known (NaN) nothing can be said.
    """
    if all(air.boost in ("none", "none-seen") for air in airs):
        return np.zeros(len(base_kpa), dtype=np.bool_)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.abs(np.log(other_kpa / base_kpa)) > EQUAL_PRESSURE)


def boost_not_known(base_kpa: Floats, other_kpa: Floats, airs: Sequence[SessionAir]) -> Flags:
    """(bands,) where an engine that is boosted has no manifold pressure on one side or both."""
    if not any(air.boost == "boosted" for air in airs):
        return np.zeros(len(base_kpa), dtype=np.bool_)
    return np.asarray(~(np.isfinite(base_kpa) & np.isfinite(other_kpa)))


def correction(
    sessions: Mapping[str, SessionAir],
    given: Mapping[str, Reading] | None = None,
    *,
    unzeroed: Sequence[str] = (),
    beyond_range: bool = False,
) -> Correction:
    """Which factor each session's load is multiplied by (ISO 1585), and what must be said.

    sessions   what each says of its air, by path
    given      readings in place of those kept; None: those kept, where all sessions have one
    unzeroed   sessions with a pull without a zero: a load without one cannot be corrected

    Raises InputError where a given reading cannot be used; one that was kept is left out, and that is said.
    """
    kept = {path: air.weather for path, air in sessions.items() if air.weather is not None}
    found: list[Finding] = [finding for air in sessions.values() for finding in air.findings]
    if given is None and not kept:
        return Correction(None, tuple(found))
    above_hpa = {path: _above_given(air, None if given is None else given.get(path)) for path, air in sessions.items()}
    boosted = [path for path, air in sessions.items() if air.boost == "boosted" or (above_hpa[path] or 0) > ABOVE_HPA]
    if boosted:
        above = [one for path in boosted if (one := above_hpa[path]) is not None and one > ABOVE_HPA]
        found.append(warning("air-refused-boost", above_hpa=max(above, default=None), sessions=tuple(boosted)))
        return Correction(None, tuple(found))
    if given is None and len(kept) < len(sessions):
        missing = tuple(path for path in sessions if path not in kept)
        found.append(warning("air-some-only", missing=missing, kept=len(kept)))
        return Correction(None, tuple(found))
    readings = _readings(sessions, given, kept)
    found += _apart(given, kept)
    factors: dict[str, float] = {}
    for path, reading in readings.items():
        air = air_factors(reading.temperature_c, reading.pressure_hpa, reading.humidity_pct, beyond_range=beyond_range)
        if air.iso_1585 is None:
            beyond = range_findings(reading.temperature_c, air)
            if given is not None:
                raise _range_error(beyond[0])
            return Correction(None, (*found, warning("air-kept-out-of-range", session=path), *beyond))
        factors[path] = air.iso_1585
    if unzeroed:
        if given is not None:
            raise InputError(
                f"{unzeroed[0]}: air correction needs a zero; take one first", code="air-needs-zero", path=unzeroed[0]
            )
        return Correction(None, (*found, warning("air-kept-no-zero")))
    if given is None:
        found.append(note("air-from-kept", lowest=min(factors.values()), highest=max(factors.values())))
    states = {air.boost for air in sessions.values()}
    if "unknown" in states:
        found.append(warning("air-boost-unknown"))
    elif "none-seen" in states:
        found.append(note("air-boost-not-seen"))
    return Correction(factors, tuple(found))


def _above_given(air: SessionAir, given: Reading | None) -> float | None:
    """How far manifold pressure stood above ambient, hPa, by the reading where one is given and says more."""
    if given is None or air.reached_hpa is None:
        return air.above_hpa
    by_reading = air.reached_hpa - given.pressure_hpa
    return by_reading if air.above_hpa is None else max(air.above_hpa, by_reading)


def _readings(
    sessions: Mapping[str, SessionAir], given: Mapping[str, Reading] | None, kept: Mapping[str, Weather]
) -> dict[str, Reading]:
    if given is None:
        return {path: Reading(one.temperature_c, one.pressure_hpa, one.humidity_pct) for path, one in kept.items()}
    for path in sessions:
        if path not in given:
            raise InputError(f"{path}: no air reading for it; correct all sessions or none")
        reading = given[path]
        check_air(reading.temperature_c, reading.pressure_hpa, reading.humidity_pct)
    return {path: given[path] for path in sessions}


def _apart(given: Mapping[str, Reading] | None, kept: Mapping[str, Weather]) -> list[Finding]:
    """Where what is given contradicts what was kept."""
    for path, one in kept.items():
        reading = None if given is None else given.get(path)
        if reading is not None and any(abs(getattr(reading, key) - getattr(one, key)) > most for key, most in APART):
            numbers = (one.temperature_c, one.pressure_hpa, one.humidity_pct)
            used = (reading.temperature_c, reading.pressure_hpa, reading.humidity_pct)
            return [warning("air-against-kept", session=path, kept=numbers, given=used)]
    return []


def _range_error(finding: Finding) -> InputError:
    value = finding.values
    return InputError(
        f"air: {value['standard']}: {value['what']} {value['value']:.4g} is outside {value['low']:g} to "
        f"{value['high']:g}; leave the correction out, or ask for it beyond the range",
        code="air-out-of-range",
    )


def _not_absolute(
    data: Dataset, hpa: Floats, pulls: Sequence[tuple[float, float]], ambient_hpa: float | None
) -> Finding | None:
    """A finding where a channel that should be absolute cannot be: below nothing, or far below ambient at full load."""
    channel, levels = data.first("manifold_pressure"), _levels(data.time_s, hpa, pulls)
    if channel is None or not np.isfinite(hpa).any() or not levels:
        return None
    lowest, highest = float(np.nanmin(hpa)), max(levels)
    least = LEAST_AT_LOAD * (LOWEST_AMBIENT_HPA if ambient_hpa is None else ambient_hpa)
    if lowest > BELOW_NOTHING_HPA and highest > least:
        return None
    return warning(
        "pressure-not-absolute", channel=channel.name, session=data.path.name, lowest_hpa=lowest, highest_hpa=highest
    )


def _levels(time: Floats, hpa: Floats, pulls: Sequence[tuple[float, float]]) -> list[float]:
    """What pressure reached for a tenth of each pull or more, hPa."""
    found = []
    for start, end in pulls:
        values = hpa[np.searchsorted(time, start) : np.searchsorted(time, end, side="right")]
        values = values[np.isfinite(values)]
        if len(values) > 2:
            found.append(float(np.percentile(values, 90)))
    return found


def _stuck(time: Floats, hpa: Floats, span: tuple[float, float]) -> Flags | None:
    """The rows of a pull and the time about it where pressure does not move though load does; None: it moves."""
    rows = (time >= span[0] - AROUND_S) & (time <= span[1] + AROUND_S)
    values = hpa[rows]
    values = values[np.isfinite(values)]
    return rows if len(values) > 2 and np.ptp(values) < STUCK_HPA else None


def _above(time: Floats, hpa: Floats, pulls: Sequence[tuple[float, float]], ambient_hpa: float | None) -> float | None:
    """By how much pressure stood above ambient for a tenth of a pull or more, hPa; None where that cannot be told."""
    highest = _levels(time, hpa, pulls)
    if not highest:
        return None
    if ambient_hpa is not None:
        return max(highest) - ambient_hpa
    above = max(highest) - HIGHEST_HPA
    return above if above > ABOVE_HPA else None  # without an ambient pressure only boost can be seen, never its absence


def _state(declared: bool | None, above_hpa: float | None) -> BoostState:
    if declared or (above_hpa is not None and above_hpa > ABOVE_HPA):
        return "boosted"
    if declared is False:
        return "none"
    return "unknown" if above_hpa is None else "none-seen"
