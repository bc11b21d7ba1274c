"""Pulls as the study sees them: load in newtons where that is known, zero off, with gear, lag and conditions.

From here on the study works on arrays only.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal, TypeVar

import numpy as np

from stream.calibrate.link.zero import PullZero, zero_at
from stream.car import Car, Channel
from stream.findings import Finding, note, warning
from stream.live.records import Pull
from stream.study.dataset import UNKNOWN_LAG_U_S, Dataset
from stream.study.force.boost import UNKNOWN_AIR, Correction, Reading, SessionAir, correction, pressure_of
from stream.units import CELSIUS_FROM, HPA_PER_UNIT, MPS_PER_UNIT, Floats, plain_unit

SIDE_S = 1.0  # kept before and after a pull; the lag is taken off from there
KEPT = {0: None, 1: True, -1: False}  # what a person said of a pull, as PullTrace.keep has it
# A hard-driven tyre slips by 3 to 8 %; neighbouring ratios of a gearbox differ by 15 % and more. Common practice.
GEAR_MATCH = 0.12
STOICHIOMETRIC_AFR = 14.7  # fleet convention, from memory; only a channel that says AFR is divided by it
# How a temperature channel's name tells what it measures; the first that fits counts. Common practice, no source.
TEMPERATURE_NAMES = (
    ("intake_c", ("intake", "inlet", "charge", "iat", "mat")),
    ("coolant_c", ("coolant", "water", "clt", "ect")),
    ("air_c", ("ambient", "outside", "air")),
)
_Kind = TypeVar("_Kind")
TEMPERATURE = "temperature:"  # a condition's key that begins so goes on with the channel's name; °C

GearFrom = Literal["declared", "road speed", "contradicted", ""]
"""How a gear is known. contradicted: declared, but the road speed fits no gear of the car file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PullTrace:
    """One pull at the live rate.

    time_s, speed_rpm, load   float64, shape (rows,); NaN is a missing sample; a second before and after may be in it
    gear, gear_from           the gear by the one rule (`gear_of_pull`), and how it is known
    declared_gear             what the session says
    start_s, end_s            the pull itself, on the clock of time_s; None is the first and last row
    started                   when the pull began, any clock that all pulls share, s; NaN where unknown
    order                     place in the order the pulls were made, used where `started` is unknown
    number                    the pull's number in its session, from 1; 0 where it is in none
    keep                      a person's decision; None lets the verdict decide
    load_key                  what is equal where the loads of two sessions are on one scale
    lag_s, u_lag_s            how much later speed arrives than load, and its standard uncertainty
    zero                      what was taken off `load`; None: load as recorded
    direction                 which way along the road, any word
    conditions                means over the pull: lambda, intake_c, air_c, pressure_hpa, fuel_trim_pct, ...
    pressure_kpa              absolute manifold pressure, (rows,); None where it was not recorded, NaN where not known
    air                       the air kept with the session, and whether its engine is boosted
    """

    time_s: Floats
    speed_rpm: Floats
    load: Floats
    tune: str
    session: str = ""
    gear: int | None = None
    gear_from: GearFrom = ""
    declared_gear: int | None = None
    start_s: float | None = None
    end_s: float | None = None
    started: float = math.nan
    order: int = 0
    number: int = 0
    verdict: Literal["clean", "flawed"] = "clean"
    faults: tuple[str, ...] = ()
    keep: bool | None = None
    unit: str = ""
    car: str = ""
    calibration: tuple[str | float, ...] = ()
    load_key: tuple[object, ...] = ()
    lag_s: float = 0.0
    u_lag_s: float = 0.0
    zero: PullZero | None = None
    direction: str | None = None
    conditions: Mapping[str, float] = field(default_factory=dict)
    pressure_kpa: Floats | None = None
    air: SessionAir = UNKNOWN_AIR

    @property
    def usable(self) -> bool:
        """Kept by a person, or clean and not dropped by one."""
        return self.verdict == "clean" if self.keep is None else self.keep

    def without_zero(self) -> "PullTrace":
        """The same pull with the load as it was recorded."""
        if self.zero is None:
            return self
        return replace(self, load=self.load + self.zero.value, zero=None)

    def with_zero(self, zero: PullZero | None) -> "PullTrace":
        """The pull with this zero taken off its load, in place of the one that was."""
        if zero is None:
            return self
        plain = self.without_zero()
        return replace(plain, load=plain.load - zero.value, zero=zero)


def in_time_order(pulls: Sequence[PullTrace]) -> list[PullTrace]:
    """The pulls as they were made: by `started` where all have it, else by `order`; ties keep their place."""
    if all(math.isfinite(pull.started) for pull in pulls):
        return sorted(pulls, key=lambda pull: (pull.started, pull.order))
    return sorted(pulls, key=lambda pull: pull.order)


def pull_traces(data: Dataset) -> list[PullTrace]:
    """The pulls of a session in order of time, flawed ones too; an empty list where none was found.

    Load carries the sign of the car file, is in newtons where the car file has `newtons_per_unit`, and has its zero
    taken off where one was taken. Raises InputError where the car has no load channel.
    """
    data.car.need("load", "a study of pulls")
    if not data.pulls:
        return []
    factor, unit = data.load_scale
    lag, u_lag = data.speed_lag
    time, began = data.time_s, data.started_utc.timestamp()
    calibration = _calibration_key(data, factor)
    pressure = pressure_of(data, [(pull.start_s, pull.end_s) for pull in data.pulls])
    traces = []
    for number, pull in enumerate(data.pulls):
        rows = slice(*np.searchsorted(time, [pull.start_s - SIDE_S, pull.end_s + SIDE_S]))
        conditions, road_mps = _conditions(data, pull)
        declared = data.gear if pull.gear is None else pull.gear
        inside = (time[rows] >= pull.start_s) & (time[rows] <= pull.end_s) & np.isfinite(data.speed_rpm[rows])
        rpm = float(data.speed_rpm[rows][inside].mean()) if inside.any() else math.nan
        known = data.calibration is not None or data.car.need("engine_speed", "a study of pulls").unit == "rpm"
        gear, gear_from = gear_of_pull(declared, rpm, road_mps, data.car, speed_known=known)
        trace = PullTrace(
            time_s=time[rows],
            speed_rpm=data.speed_rpm[rows],
            load=data.load[rows] * factor,
            tune=pull.tune or data.tune,
            session=str(data.path),
            gear=gear,
            gear_from=gear_from,
            declared_gear=declared,
            start_s=pull.start_s,
            end_s=pull.end_s,
            started=began + pull.start_s,
            order=number,
            number=number + 1,
            verdict=pull.verdict,
            faults=pull.faults,
            keep=KEPT[data.pull_marks[number].kept],
            unit=unit,
            car=data.car.car.name,
            calibration=calibration,
            load_key=load_key(data),
            lag_s=lag,
            u_lag_s=u_lag,
            conditions=conditions,
            pressure_kpa=None if pressure.kpa is None else pressure.kpa[rows],
            air=pressure.air,
        )
        zero = zero_at((pull.start_s + pull.end_s) / 2, data.zeros, str(data.path))
        traces.append(trace.with_zero(None if zero is None else zero.scaled(factor)))
    return traces


def load_key(data: Dataset) -> tuple[object, ...]:
    """What must be equal for the loads of two sessions to be on one scale: the car and its load channel's figures."""
    load = data.car.by_role("load")
    if load is None:
        return (data.car.car.name,)
    scale = (load.sign, load.newtons_per_unit, load.bridge, load.gauge_factor, load.side)
    return (data.car.car.name, load.name, load.unit, *scale)


def all_traces(
    sessions: Sequence[Dataset], traces: Callable[[Dataset], Sequence[PullTrace]] = pull_traces
) -> tuple[list[PullTrace], list[Finding]]:
    """The pulls of several sessions in the order they were made, and what must be said of the sessions.

    traces   gives a session's pulls, for one that has them already
    """
    pulls: list[PullTrace] = []
    ended = float("-inf")
    for data in sorted(sessions, key=lambda one: one.started_utc):
        # One car makes one drive at a time. Logs that were imported one after the other begin at the moment of their
        # import and last for longer than it took: the later one is moved behind the one before.
        began = data.started_utc.timestamp()
        later = max(0.0, ended - began)
        pulls += [replace(pull, started=pull.started + later) for pull in traces(data)]
        ended = began + later + data.duration_s
    return [replace(pull, order=place) for place, pull in enumerate(pulls)], session_findings(sessions)


def gear_of_pull(
    declared: int | None, speed_rpm: float, road_mps: float, car: Car, *, speed_known: bool
) -> tuple[int | None, GearFrom]:
    """THE gear of a pull, and how it is known: road speed is a measurement, and outranks what was declared.

    speed_rpm    mean engine speed over the pull; road_mps its mean road speed, m/s (NaN: not logged)
    speed_known  False: engine speed is by a provisional line, which may be 30 % off: that it fits no gear then says
                 nothing against the declared one
    """
    seen = gear_of(speed_rpm, road_mps, car)
    if seen is not None:
        return seen, "road speed"
    if declared is None:
        return None, ""
    looked = speed_known and math.isfinite(road_mps) and road_mps > 1 and _can_tell_gears(car)
    return declared, "contradicted" if looked else "declared"


def gear_findings(pulls: Sequence[PullTrace]) -> list[Finding]:
    """Where the gear that was declared and the road speed disagree: one finding for each way of it and session.

    Every study that uses the gear says them.
    """
    kinds: dict[tuple[str, int, int | None], list[float]] = {}
    for pull in pulls:
        contradicted = pull.gear_from == "contradicted"
        if pull.declared_gear is None or (pull.gear == pull.declared_gear and not contradicted):
            continue
        key = (pull.session, pull.declared_gear, None if contradicted else pull.gear)
        kinds.setdefault(key, []).append(pull.start_s or 0.0)
    found = []
    for (session, declared, seen), starts in kinds.items():
        name = Path(session).name
        if seen is None:
            found.append(warning("gear-fits-none", session=name, declared=declared, start_s=tuple(starts)))
        else:
            found.append(warning("gear-by-road", session=name, declared=declared, seen=seen, start_s=tuple(starts)))
    return found


def gear_of(speed_rpm: float, road_mps: float, car: Car) -> int | None:
    """The gear that turns this road speed into this engine speed; None where the car file or the speeds cannot tell."""
    if not _can_tell_gears(car) or not (math.isfinite(speed_rpm) and math.isfinite(road_mps)):
        return None
    if speed_rpm <= 0 or road_mps <= 1:
        return None
    radius, final = car.car.rolling_radius_m or 1.0, car.gearing.final_drive or 1.0
    turns = speed_rpm / 60 / (road_mps / (2 * math.pi * radius))
    away = [abs(math.log(turns / (final * ratio))) for ratio in car.gearing.ratios]
    nearest = int(np.argmin(away))
    return nearest + 1 if away[nearest] < GEAR_MATCH else None


def _can_tell_gears(car: Car) -> bool:
    return car.car.rolling_radius_m is not None and car.gearing.final_drive is not None and bool(car.gearing.ratios)


def _conditions(data: Dataset, pull: Pull) -> tuple[dict[str, float], float]:
    """(means over the pull, keys as in `compare/fair.py`; the road speed's mean, m/s, NaN where there is none)."""
    known = {name: found for name in data.names if (found := _meaning(data.car.by_name(name))) is not None}
    means: dict[str, float] = {}
    for name, value in data.mean_over(list(known), pull.start_s, pull.end_s).items():
        key, factor, added = known[name]
        means.setdefault(key, value * factor + added)
    return means, means.pop("road_speed", math.nan)


def _meaning(channel: Channel | None) -> tuple[str, float, float] | None:
    """(key, factor, then added): what a channel says of the conditions; None for one that says nothing."""
    if channel is None:
        return None
    unit = plain_unit(channel.unit)
    if channel.role == "lambda" and unit != "v":
        return "lambda", 1 / STOICHIOMETRIC_AFR if "afr" in unit else 1.0, 0.0
    if channel.role == "fuel_trim" and unit in ("", "%"):
        return "fuel_trim_pct", 1.0, 0.0
    if channel.role == "manifold_pressure" and unit in HPA_PER_UNIT:
        return "manifold_hpa", HPA_PER_UNIT[unit], 0.0
    if channel.role == "road_speed" and unit in MPS_PER_UNIT:
        return "road_speed", MPS_PER_UNIT[unit], 0.0
    if channel.role == "temperature" and unit in CELSIUS_FROM:
        name = channel.name.lower()
        known = (key for key, words in TEMPERATURE_NAMES if any(word in name for word in words))
        return next(known, TEMPERATURE + channel.name), *CELSIUS_FROM[unit]
    return None


def _calibration_key(data: Dataset, factor: float) -> tuple[str | float, ...]:
    """What turned volts into rpm and the link's signal into load, so that two sessions can be told apart by it."""
    fit = data.calibration
    return (*data.line, factor) if fit is None else (fit.when, fit.slope_rpm_per_unit, fit.intercept_rpm, factor)


def correction_of(
    pulls: Sequence[PullTrace], given: Mapping[str, Reading] | None = None, *, beyond_range: bool = False
) -> Correction:
    """The correction of these pulls' sessions: by the readings given, else by those kept with the sessions."""
    unzeroed = dict.fromkeys(pull.session for pull in pulls if pull.usable and pull.zero is None)
    sessions = {pull.session: pull.air for pull in pulls}
    return correction(sessions, given, unzeroed=tuple(unzeroed), beyond_range=beyond_range)


def session_findings(sessions: Sequence[Dataset]) -> list[Finding]:
    """Sessions without a pull, chains that differ, a speed that was never calibrated, a lag nobody gave."""
    found = [note("session-without-pull", session=str(data.path)) for data in sessions if not data.pulls]
    with_pulls = [data for data in sessions if data.pulls]
    single = tuple(str(data.path) for data in with_pulls if len(data.zeros) == 1)
    if single:
        found.append(warning("one-zero-only", sessions=single))
    chains, lags = _kinds(with_pulls, _chain), _kinds(with_pulls, _lag)
    if len(chains) > 1:
        names, bridges, sides, factors = zip(*chains, strict=True)
        values = {"channels": names, "bridges": bridges, "sides": sides, "gauge_factors": factors}
        found.append(warning("load-channel-differs", **values, sessions=tuple(chains.values())))
    if len(lags) > 1:
        found.append(warning("speed-lag-differs", lags_s=tuple(lags), sessions=tuple(lags.values())))
    if any(data.calibration is None and _speed(data).unit != "rpm" for data in with_pulls):
        found.append(warning("speed-by-provisional-line"))
    if any(_speed(data).lag_s is None and _speed(data).unit != "rpm" for data in with_pulls):
        found.append(warning("speed-lag-not-given", u_lag_s=UNKNOWN_LAG_U_S))
    return found


def _kinds(sessions: Sequence[Dataset], what: Callable[[Dataset], _Kind]) -> dict[_Kind, str]:
    """Each kind that there is, and the first session with it."""
    kinds: dict[_Kind, str] = {}
    for data in sessions:
        kinds.setdefault(what(data), str(data.path))
    return kinds


def _speed(data: Dataset) -> Channel:
    return data.car.need("engine_speed", "a study of pulls")


def _lag(data: Dataset) -> str | float:
    lag = _speed(data).lag_s
    return "" if lag is None else lag


def _chain(data: Dataset) -> tuple[str | float, ...]:
    """Name, bridge, side and gauge factor of the load channel; '' for what the car file does not give."""
    load = data.car.need("load", "a study of pulls")
    return load.name, load.bridge or "", load.side or "", "" if load.gauge_factor is None else load.gauge_factor
