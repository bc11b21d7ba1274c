"""Manifold pressure of a session as absolute pressure, whether the engine is boosted, and which air correction may be
used.

The factors of SAE J1349 and ISO 1585 that are kept here are for engines without boost. So a correction is refused with
boost declared or seen, and where boost is not known that is said beside it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from stream.errors import InputError
from stream.findings import Finding, note, warning
from stream.record.tables import Weather
from stream.study.dataset import Dataset
from stream.study.force.air import air_factors, check_air, range_findings
from stream.units import HPA_PER_UNIT, Flags, Floats, plain_unit

if TYPE_CHECKING:
    from stream.study.pulls import PullTrace

# chosen: ram air makes 29 hPa at 250 km/h (½ ρ v²), a sensor of 1 % errs by 10; a blower makes hundreds.
ABOVE_HPA = 50.0
HIGHEST_AMBIENT_HPA = 1085.0  # about the highest ever read at a sea level; from memory
STANDARD_HPA = 1013.25  # ISO 2533
LOWEST_AMBIENT_HPA = 700.0  # about 3 000 m, where roads end (ISO 2533)
LEAST_AT_LOAD = 0.7  # chosen, of ambient: an engine without boost fills to 0.9 and more at full throttle
BELOW_NOTHING_HPA = -30.0  # chosen: an absolute sensor's zero is not off by more
# chosen: from a cruise to full load the manifold of any engine moves by hundreds of hPa, and a live sensor's own noise
# and the pulses of the intake by more than this
STUCK_HPA = 2.0
AROUND_S = 1.0  # before and after a pull, where the throttle moves
AMBIENT_NAMES = ("baro", "ambient", "atmos")  # how a channel of other role tells that it is ambient pressure
AMBIENT_APART_HPA = 15.0  # chosen: two barometers agree within 5; a sea-level pressure at 130 m of altitude does not
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
    findings     what is odd about the pressure channels
    """

    weather: Weather | None = None
    boost: BoostState = "unknown"
    above_hpa: float | None = None
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
    ambient = _ambient(data, found)
    declared = data.car.engine.boosted
    channel = data.first("manifold_pressure")
    hpa = None if channel is None else data.channel("manifold_pressure", "hPa")
    if channel is None or hpa is None:
        if channel is not None:
            found.append(warning("pressure-no-unit", channel=channel.name, unit=channel.unit))
        return Pressure(None, SessionAir(data.weather, _state(declared, None), None, tuple(found)))
    hpa = hpa.copy()
    if channel.gauge:
        if ambient is None:
            found.append(warning("gauge-no-ambient", channel=channel.name, session=data.path.name))
        hpa = hpa + (STANDARD_HPA if ambient is None else ambient)
    stuck = [_stuck(data.time_s, hpa, span) for span in pulls]
    for rows in (rows for rows in stuck if rows is not None):
        hpa[rows] = np.nan
    if count := sum(rows is not None for rows in stuck):
        found.append(
            warning("pressure-stuck", channel=channel.name, session=data.path.name, pulls=count, of=len(pulls))
        )
    if not channel.gauge and (odd := _not_absolute(data, hpa, pulls, ambient)) is not None:
        found.append(odd)
        return Pressure(None, SessionAir(data.weather, _state(declared, None), None, tuple(found)))
    level = STANDARD_HPA if channel.gauge and ambient is None else ambient
    above = _above(data.time_s, hpa, pulls, level)
    state = _state(declared, above)
    if declared is False and state == "boosted":
        found.append(warning("boost-against-car", session=data.path.name, above_hpa=above or 0.0))
    return Pressure(hpa / 10, SessionAir(data.weather, state, above, tuple(found)))


def at_unequal_boost(base_kpa: Floats, other_kpa: Floats, airs: Sequence[SessionAir]) -> Flags:
    """(bands,) where two sides' mean manifold pressures, kPa, (bands,) each, differ by more than changes load visibly.

    Nowhere for an engine that is known to have no boost: its pressure at full throttle is the day's air, which the air
    correction takes off. Where a pressure is not known (NaN) nothing can be said.
    """
    if all(air.boost in ("none", "none-seen") for air in airs):
        return np.zeros(len(base_kpa), dtype=np.bool_)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.abs(np.log(other_kpa / base_kpa)) > EQUAL_PRESSURE)


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
    boosted = {path: air for path, air in sessions.items() if air.boost == "boosted"}
    if boosted:
        above = [air.above_hpa for air in boosted.values() if air.above_hpa is not None and air.above_hpa > ABOVE_HPA]
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


def correction_of(
    pulls: "Sequence[PullTrace]", given: Mapping[str, Reading] | None = None, *, beyond_range: bool = False
) -> Correction:
    """The correction of these pulls' sessions: by the readings given, else by those kept with the sessions."""
    unzeroed = dict.fromkeys(pull.session for pull in pulls if pull.usable and pull.zero is None)
    sessions = {pull.session: pull.air for pull in pulls}
    return correction(sessions, given, unzeroed=tuple(unzeroed), beyond_range=beyond_range)


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


def _ambient(data: Dataset, found: list[Finding]) -> float | None:
    """Ambient pressure, hPa: as a person said it, else by a channel named so; None where neither tells."""
    said = None if data.weather is None else data.weather.pressure_hpa
    for channel in data.recorded("other"):
        named = any(word in channel.name.lower() for word in AMBIENT_NAMES)
        if not named or plain_unit(channel.unit) not in HPA_PER_UNIT:
            continue
        mean = data.mean_over([channel.name], 0.0, data.duration_s).get(channel.name, np.nan)
        read = mean * HPA_PER_UNIT[plain_unit(channel.unit)]
        if not 450 <= read <= HIGHEST_AMBIENT_HPA:
            found.append(warning("ambient-odd", channel=channel.name, pressure_hpa=float(read)))
            continue
        if said is not None and abs(read - said) > AMBIENT_APART_HPA:
            found.append(
                warning("ambient-apart", session=data.path.name, channel=channel.name, read_hpa=read, said_hpa=said)
            )
            # A barometer on board stands where the car does. The lower of the two lets less pass for no boost.
            return min(read, said)
        return read if said is None else said
    return said


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
        values = hpa[(time >= start) & (time <= end)]
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
    above = max(highest) - HIGHEST_AMBIENT_HPA
    return above if above > ABOVE_HPA else None  # without an ambient pressure only boost can be seen, never its absence


def _state(declared: bool | None, above_hpa: float | None) -> BoostState:
    if declared or (above_hpa is not None and above_hpa > ABOVE_HPA):
        return "boosted"
    if declared is False:
        return "none"
    return "unknown" if above_hpa is None else "none-seen"
