"""Force per unit of load, and force, torque and power at the wheels per rev band, from pulls.

Power is link force times car speed. What the engine spends on its own inertia, the driven wheels and tyres and the
driveline is not in it, and is never guessed; the steady-equivalent line adds the inertia alone.
"""

from collections import Counter
from collections.abc import Sequence
from typing import Any

import msgspec
import numpy as np

from stream.car import Car
from stream.errors import InputError
from stream.findings import Finding, note, unique, warning
from stream.frames import to_pandas
from stream.study.bands import DEFAULT_WIDTH_RPM
from stream.study.choose import usable_pulls
from stream.study.dataset import Dataset
from stream.study.force.air import air_density as air_density_of
from stream.study.force.coastdown import session_coastdown, session_runs
from stream.study.force.road_load import GRAVITY, RoadLoad
from stream.study.force.scale import Design, ScaleFit
from stream.study.force.traction import (
    AIR_DENSITY,
    U_DENSITY,
    U_DRAG,
    U_RADIUS,
    UNDRIVEN_SHARE,
    CarModel,
    Points,
    driven_pull,
    points,
    road_traces,
)
from stream.study.pulls import all_traces, gear_findings
from stream.study.stats import t_quantile
from stream.units import Floats, Ints

# γ = 1.04 + 0.0025 ξ², ξ the overall ratio: the turning parts in gear, engine included. Seen as short quotes in public
# codes, one of which credits Wong, Theory of Ground Vehicles; the page itself was not seen.
GAMMA = (1.04, 0.0025)
U_GAMMA = 0.25  # of what lies above 1
U_ONE_GEAR = 0.03  # what a second gear would have shown: a wrong ratio, slip, inertia
# Without a zero the scale hangs on how load changes with speed, and on two gears. On 40 days of the rehearsal car it
# came out 15 % high with a scatter of 5 %, for slip bends the same curve; the bands' force was within 3 %.
U_NO_ZERO = 0.10
GEARS_DIFFER = (0.03, 3.0)  # relative, and in standard uncertainties: both must be exceeded
ONE_PULL_SCATTER = 0.03  # chosen, of the force: repeatability taken for a band that one pull alone crosses
MOST_SLIP_PCT, LEAST_SLIP_PCT = 12.0, -3.0  # beyond these it is no slip but a wrong radius, ratio or calibration


class PowerBand(msgspec.Struct, frozen=True, kw_only=True):
    """One rev band; u_* are standard uncertainties. `steady_equivalent_kw` is at the engine's side, less what the
    driveline and the driven tyres lose.
    """

    rpm: float
    force_n: float
    wheel_power_kw: float
    u_wheel_power_kw: float
    wheel_torque_nm: float
    u_force_n: float
    u_wheel_torque_nm: float
    speed_mps: float
    steady_equivalent_kw: float
    u_steady_equivalent_kw: float
    n: int


class GearScale(msgspec.Struct, frozen=True, kw_only=True):
    """The scale that one gear's pulls give, its mass factor γ, and the mean slip where road speed shows it."""

    gear: int
    pulls: int
    force_per_unit_n: float
    u_force_per_unit_n: float
    gamma: float
    slip_pct: float | None


class TunePower(msgspec.Struct, frozen=True, kw_only=True):
    """One tune's bands, in the gear it has most pulls in."""

    tune: str
    gear: int
    pulls: int
    bands: tuple[PowerBand, ...]


class Power(msgspec.Struct, frozen=True, kw_only=True):
    """The answer of `power`, as its JSON. `bands` are those of the tune with most pulls; the scale and all bands are
    missing (None, empty) where the gears contradict each other.
    """

    force_per_unit_n: float | None
    u_force_per_unit_n: float | None
    bands: tuple[PowerBand, ...]
    findings: tuple[Finding, ...]
    unit: str
    tune: str
    gear: int | None
    gears: tuple[GearScale, ...]
    tunes: tuple[TunePower, ...]

    def to_pandas(self) -> Any:
        """A pandas DataFrame with a row for each band of each tune."""
        frame = to_pandas(band for tune in self.tunes for band in tune.bands)
        frame.insert(0, "tune", [tune.tune for tune in self.tunes for _ in tune.bands])
        return frame


def power(
    sessions: Sequence[Dataset],
    width: float = DEFAULT_WIDTH_RPM,
    coastdown: RoadLoad | None = None,
    air_density: float | None = None,
    both_ways: bool = False,
    kept_air: bool = True,
) -> Power:
    """Fit the scale over all clean pulls and give the bands of each tune.

    coastdown     road load in place of drag area and rolling coefficient; None: from the sessions, where one rolls
    air_density   kg/m³; None: of the air kept with the sessions, else 1.2 with a uncertainty
    kept_air      whether that kept air may be used
    both_ways     each pull went against the one before along the road: slope and wind are then seen

    Raises InputError where mass, radius, gearing or road load are missing, or no pull can be used.
    """
    if not sessions:
        raise InputError("power needs a session; name one")
    findings: list[Finding] = []
    car = sessions[0].car
    coasted = _rolled(sessions, findings) if coastdown is None else coastdown
    if air_density is None and kept_air:
        air_density = _kept_density(sessions, findings)
    model = _car_model(car, coasted, air_density)
    traces, words = all_traces(sessions)
    used, more = usable_pulls(traces)
    findings += [*words, *more]
    findings += gear_findings(used)
    roads = road_traces(sessions)
    by_path = {str(session.path): session for session in sessions}
    found = [driven_pull(pull, by_path[pull.session], roads.get(pull.session), findings) for pull in used]
    driven = [pull for pull in found if pull is not None]
    if not driven:
        why = findings[-1].values["why"] if findings and findings[-1].code == "power-pull-left-out" else ""
        raise InputError(
            f"no clean pull in a known gear ({str(why).replace('-', ' ')}): no known gear, no power; declare the gear "
            "when recording, or log the road speed",
            code="power-no-gear",
            why=why,
        )
    table = points(driven, model, width, both_ways)
    design = Design(table)
    fit = design.fit()
    load = car.need("load", "power")
    per_unit = 1.0 if load.newtons_per_unit is None else load.newtons_per_unit
    gears = _gears(design, fit, per_unit)
    fault = _gear_fault(design, fit, gears)
    tunes = () if fault else tuple(_tune(tune, design, fit, model) for tune in _by_pulls(table))
    u_scale = per_unit * float(
        np.linalg.norm(
            [
                fit.u_scale,
                U_ONE_GEAR * fit.scale * (len(gears) == 1),
                U_NO_ZERO * fit.scale * (not design.zeroed.all()),
            ]
        )
    )
    findings += fault or _reading(table, gears, tunes, both_ways)
    if coasted is not None:
        findings += _beyond(table, coasted)
    if not fault and load.newtons_per_unit is not None:
        findings.append(_against_car(load.newtons_per_unit, fit.scale * per_unit, u_scale, load.unit))
    return Power(
        force_per_unit_n=None if fault else fit.scale * per_unit,
        u_force_per_unit_n=None if fault else u_scale,
        bands=tunes[0].bands if tunes else (),
        findings=unique(findings),
        unit=load.unit,
        tune=tunes[0].tune if tunes else "",
        gear=tunes[0].gear if tunes else None,
        gears=gears,
        tunes=tunes,
    )


def _car_model(car: Car, coasted: RoadLoad | None, density: float | None) -> CarModel:
    """Raises InputError for what the force needs and the car file lacks."""
    body, name = car.car, car.car.name
    for key, value, why in (
        ("car.mass_kg", body.mass_kg, "the mass as driven, people included"),
        ("car.rolling_radius_m", body.rolling_radius_m, "the driven wheels' rolling radius"),
        ("gearing.final_drive", car.gearing.final_drive, "the final drive's ratio"),
        ("gearing.ratios", car.gearing.ratios or None, "the gearbox's ratios"),
    ):
        if value is None:
            raise InputError(f"car file {name!r}: {key} is missing; power needs {why}")
    if coasted is None and (body.drag_area_m2 is None or body.rolling_coefficient is None):
        key = "drag_area_m2" if body.drag_area_m2 is None else "rolling_coefficient"
        raise InputError(
            f"car file {name!r}: car.{key} is missing and no session has a coastdown; power needs the road load: "
            "give drag_area_m2 and rolling_coefficient, or a session with coastdowns",
            code="power-no-road-load",
        )
    mass = body.mass_kg or 0.0
    return CarModel(
        mass_kg=mass,
        radius_m=body.rolling_radius_m or 0.0,
        drag=0.5 * (AIR_DENSITY if density is None else density) * (body.drag_area_m2 or 0.0),
        u_drag=float(np.hypot(U_DRAG, U_DENSITY if density is None else 0.0)),
        rolling_n=(body.rolling_coefficient or 0.0) * mass * GRAVITY,
        coasted=coasted,
    )


def _rolled(sessions: Sequence[Dataset], findings: list[Finding]) -> RoadLoad | None:
    """The road load of the first session in which the car rolls in neutral both ways, None where none does."""
    for session in sessions:
        if session.first("road_speed") is None or len(session_runs(session)) < 2:
            continue
        try:
            load = session_coastdown(session)
        except InputError as error:
            findings.append(warning("power-coastdown-unused", session=session.path.name, why=str(error)))
            continue
        findings.append(note("power-road-load", runs=load.runs, session=session.path.name))
        return load
    return None


def _kept_density(sessions: Sequence[Dataset], findings: list[Finding]) -> float | None:
    """kg/m³, mean over the sessions; None where one of them has no air kept with it."""
    kept = [session.weather for session in sessions if session.weather is not None]
    if len(kept) < len(sessions):
        return None
    densities = [air_density_of(air.temperature_c, air.pressure_hpa, air.humidity_pct) for air in kept]
    density = float(np.mean(densities))
    findings.append(note("power-air-kept", density_kg_m3=density))
    return density


def _beyond(table: Points, coasted: RoadLoad) -> list[Finding]:
    """Where the pulls go faster or slower than was glided through: there the road load is carried on by its formula."""
    low, high = float(table.speed.min()), float(table.speed.max())
    if low >= coasted.from_mps - 0.5 and high <= coasted.to_mps + 0.5:
        return []
    return [
        warning(
            "power-beyond-coastdown",
            from_kmh=3.6 * low,
            to_kmh=3.6 * high,
            glided_from_kmh=3.6 * coasted.from_mps,
            glided_to_kmh=3.6 * coasted.to_mps,
        )
    ]


def other_car(coasted: Car, driven: Car) -> list[Finding]:
    """What must be said where the coastdown is of a car of another name or mass than the pulls."""
    masses = (coasted.car.mass_kg, driven.car.mass_kg)
    same_mass = None in masses or abs((masses[0] or 0.0) - (masses[1] or 0.0)) <= 0.01 * (masses[1] or 0.0)
    if coasted.car.name == driven.car.name and same_mass:
        return []
    return [
        warning(
            "power-other-car",
            coasted=coasted.car.name,
            driven=driven.car.name,
            coasted_kg=masses[0],
            driven_kg=masses[1],
        )
    ]


def _gears(design: Design, fit: ScaleFit, per_unit: float) -> tuple[GearScale, ...]:
    pulls = design.table.pulls
    rows = []
    for gear, (scale, u) in design.gear_scales(fit).items():
        own = [pull for pull in pulls if pull.gear == gear]
        slips = [pull.slip for pull in own if pull.slip is not None]
        rows.append(
            GearScale(
                gear=gear,
                pulls=len(own),
                force_per_unit_n=scale * per_unit,
                u_force_per_unit_n=u * per_unit,
                gamma=gamma(own[0].overall),
                slip_pct=100 * float(np.mean(slips)) if slips else None,
            )
        )
    return tuple(rows)


def gamma(overall: float) -> float:
    """Mass factor with the engine turning, at an overall ratio (engine turns per wheel turn)."""
    return GAMMA[0] + GAMMA[1] * overall**2


def _gear_fault(design: Design, fit: ScaleFit, gears: Sequence[GearScale]) -> list[Finding]:
    """Where the gears' scales differ by more than chance and uncertainties allow; nothing where they agree."""
    least, most = GEARS_DIFFER
    if not any(abs(gap) > least * abs(fit.scale) and abs(gap) > most * u for gap, u in design.differences()):
        return []
    return [
        warning(
            "power-gears-differ",
            gears=tuple(float(gear.gear) for gear in gears),
            force_n=tuple(gear.force_per_unit_n for gear in gears),
            u_force_n=tuple(gear.u_force_per_unit_n for gear in gears),
        )
    ]


def _reading(table: Points, gears: Sequence[GearScale], tunes: Sequence[TunePower], both_ways: bool) -> list[Finding]:
    """What must be known to read the numbers."""
    found = []
    if not both_ways:
        found.append(note("power-one-way"))
    if len(gears) == 1:
        found.append(warning("power-one-gear", gear=gears[0].gear))
    if any(pull.slip is None for pull in table.pulls):
        found.append(warning("power-slip-unknown"))
    for gear in gears:
        if gear.slip_pct is not None and not LEAST_SLIP_PCT < gear.slip_pct < MOST_SLIP_PCT:
            found.append(warning("power-no-slip", gear=gear.gear, off_pct=gear.slip_pct))
    if any(pull.trace.zero is None for pull in table.pulls):
        found.append(warning("power-no-zero"))
    if len(tunes) > 1:
        found.append(note("power-tunes", tune=tunes[0].tune))
    if any(band.n == 1 for tune in tunes for band in tune.bands):
        found.append(note("power-one-pull", scatter_pct=100 * ONE_PULL_SCATTER))
    found.append(note("power-at-wheels"))
    return found


def _against_car(given: float, fitted: float, u_fitted: float, unit: str) -> Finding:
    """The car file's newtons_per_unit against the fit."""
    if abs(fitted - given) > 1.96 * u_fitted:
        return warning("power-against-car", given=given, fitted=fitted, u_fitted=u_fitted, unit=unit)
    return note("power-agrees-with-car", given=given, fitted=fitted)


def _by_pulls(table: Points) -> list[str]:
    """Tunes, the one with most pulls first."""
    return [tune for tune, _ in Counter(pull.trace.tune for pull in table.pulls).most_common()]


def _tune(tune: str, design: Design, fit: ScaleFit, model: CarModel) -> TunePower:
    table = design.table
    counts = Counter(pull.gear for pull in table.pulls if pull.trace.tune == tune)
    gear = counts.most_common(1)[0][0]
    own = [index for index, pull in enumerate(table.pulls) if pull.trace.tune == tune and pull.gear == gear]
    mine = np.isin(table.pull, own)
    factor = gamma(table.pulls[own[0]].overall)
    bands = tuple(
        _band(np.flatnonzero(mine & (table.rpm == rpm)), design, fit, model, factor)
        for rpm in np.unique(table.rpm[mine])
    )
    return TunePower(tune=tune, gear=gear, pulls=len(own), bands=bands)


def _band(rows: Ints, design: Design, fit: ScaleFit, model: CarModel, factor: float) -> PowerBand:
    """One band from the points of one tune and gear; every cause once, through the fit's covariance."""
    table, n = design.table, len(rows)
    link, high = design.link_rows(rows, fit.scale), design.speed_rows(rows).mean(axis=0)
    forces = link @ fit.solution
    force, speed = float(forces.mean()), float(table.speed[rows].mean())
    if n > 1:
        scatter = float(forces.std(ddof=1)) / np.sqrt(n) * t_quantile(n - 1) / 1.959964
    else:
        scatter = ONE_PULL_SCATTER * abs(force)
    row = link.mean(axis=0)
    u_force = _uncertainty(row, fit, scatter)
    power_row = speed * (row - force * high)
    u_power = _uncertainty(power_row, fit, speed * scatter)
    spun = (factor - 1 - UNDRIVEN_SHARE) * model.mass_kg * float(table.acceleration[rows].mean())
    u_spun = U_GAMMA * (factor - 1) * model.mass_kg * float(table.acceleration[rows].mean())
    return PowerBand(
        rpm=float(table.rpm[rows[0]]),
        force_n=force,
        wheel_power_kw=force * speed / 1000,
        u_wheel_power_kw=u_power / 1000,
        wheel_torque_nm=force * model.radius_m,
        u_force_n=u_force,
        u_wheel_torque_nm=float(np.hypot(u_force, U_RADIUS * force)) * model.radius_m,
        speed_mps=speed,
        steady_equivalent_kw=(force + spun) * speed / 1000,
        u_steady_equivalent_kw=float(np.hypot(u_power, u_spun * speed)) / 1000,
        n=n,
    )


def _uncertainty(row: Floats, fit: ScaleFit, scatter: float) -> float:
    return float(np.sqrt(max(float(row @ fit.covariance @ row), 0.0) + scatter**2))
