"""Force per unit of load, and force, torque and power at the wheels per rev band, from pulls.

Power is link force times car speed. What the engine spends on its own inertia, the driven wheels and tyres and the
driveline is not in it, and is never guessed; the steady-equivalent line adds the inertia alone.
"""

from collections import Counter
from collections.abc import Sequence

import numpy as np
from scipy import stats

from stream.car import Car
from stream.errors import InputError
from stream.study.bands import DEFAULT_WIDTH_RPM
from stream.study.choose import usable_pulls
from stream.study.dataset import Dataset
from stream.study.force.coastdown import session_coastdown, session_runs
from stream.study.force.power_design import Design
from stream.study.force.power_records import GearScale, Power, PowerBand, TunePower
from stream.study.force.power_words import ONE_PULL_SCATTER, check_words, power_words
from stream.study.force.push_model import AIR_DENSITY, DENSITY_DOUBT, DRAG_DOUBT, RADIUS_DOUBT, UNDRIVEN_SHARE, CarModel
from stream.study.force.push_points import Points, driven_pull, points, road_traces
from stream.study.force.road_load import GRAVITY, RoadLoad
from stream.study.force.scale_fit import ScaleFit
from stream.study.pulls import all_traces
from stream.units import Floats as Array
from stream.units import Ints as IntArray

# γ = 1.04 + 0.0025 ξ², ξ the overall ratio: the turning parts in gear, engine included. Seen as short quotes in public
# codes, one of which credits Wong, Theory of Ground Vehicles; the page itself was not seen.
GAMMA = (1.04, 0.0025)
GAMMA_DOUBT = 0.25  # of what lies above 1
ONE_GEAR_DOUBT = 0.03  # what a second gear would have shown: a wrong ratio, slip, inertia
# Without a zero the scale hangs on how load changes with speed, and on two gears. On 40 days of the rehearsal car it
# came out 15 % high with a scatter of 5 %, for slip bends the same curve; the bands' force was within 3 %.
NO_ZERO_DOUBT = 0.10
GEARS_DIFFER = (0.03, 3.0)  # relative, and in standard doubts: both must be exceeded


def power(
    sessions: Sequence[Dataset],
    width: float = DEFAULT_WIDTH_RPM,
    coastdown: RoadLoad | None = None,
    air_density: float | None = None,
    both_ways: bool = False,
) -> Power:
    """Fit the scale over all clean pulls and give the bands of each tune.

    coastdown     road load in place of drag area and rolling coefficient; None: from the sessions, where one rolls
    air_density   kg/m³; None: 1.2 with a doubt
    both_ways     each pull went against the one before along the road: slope and wind are then seen

    Raises InputError where mass, radius, gearing or road load are missing, or no pull can be used.
    """
    if not sessions:
        raise InputError("power needs a session; name one")
    warnings: list[str] = []
    car = sessions[0].car
    coasted = _rolled(sessions, warnings) if coastdown is None else coastdown
    model = _car_model(car, coasted, air_density)
    traces, words = all_traces(sessions)
    used, more = usable_pulls(traces)
    warnings += words + more
    roads = road_traces(sessions)
    by_path = {str(session.path): session for session in sessions}
    found = [driven_pull(pull, by_path[pull.session], roads.get(pull.session), warnings) for pull in used]
    driven = [pull for pull in found if pull is not None]
    if not driven:
        raise InputError(
            f"power: no clean pull in a known gear ({warnings[-1]}); declare --gear, or log the road speed"
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
        np.linalg.norm([
            fit.u_scale, ONE_GEAR_DOUBT * fit.scale * (len(gears) == 1),
            NO_ZERO_DOUBT * fit.scale * (not design.zeroed.all()),
        ])
    )  # fmt: skip
    warnings += fault or power_words(table, gears, tunes, both_ways)
    if not fault and load.newtons_per_unit is not None:
        warnings.append(check_words(load.newtons_per_unit, fit.scale * per_unit, u_scale, load.unit))
    return Power(
        force_per_unit_n=None if fault else fit.scale * per_unit, u_force_per_unit_n=None if fault else u_scale,
        bands=tunes[0].bands if tunes else (), warnings=tuple(dict.fromkeys(warnings)), unit=load.unit,
        tune=tunes[0].tune if tunes else "", gear=tunes[0].gear if tunes else None, gears=gears, tunes=tunes,
    )  # fmt: skip


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
            "give drag_area_m2 and rolling_coefficient, or a session with coastdowns (--coastdown)"
        )
    mass = body.mass_kg or 0.0
    return CarModel(
        mass_kg=mass, radius_m=body.rolling_radius_m or 0.0,
        drag=0.5 * (AIR_DENSITY if density is None else density) * (body.drag_area_m2 or 0.0),
        u_drag=float(np.hypot(DRAG_DOUBT, DENSITY_DOUBT if density is None else 0.0)),
        rolling_n=(body.rolling_coefficient or 0.0) * mass * GRAVITY, coasted=coasted,
    )  # fmt: skip


def _rolled(sessions: Sequence[Dataset], warnings: list[str]) -> RoadLoad | None:
    """The road load of the first session in which the car rolls in neutral both ways, None where none does."""
    for session in sessions:
        if session.first("road_speed") is None or len(session_runs(session)) < 2:
            continue
        try:
            load = session_coastdown(session)
        except InputError as error:
            warnings.append(f"its coastdowns are not used: {error}")
            continue
        warnings.append(f"road load is from the {load.runs} coastdowns in {session.path.name}")
        return load
    return None


def _gears(design: Design, fit: ScaleFit, per_unit: float) -> tuple[GearScale, ...]:
    pulls = design.table.pulls
    rows = []
    for gear, (scale, doubt) in design.gear_scales(fit).items():
        own = [pull for pull in pulls if pull.gear == gear]
        slips = [pull.slip for pull in own if pull.slip is not None]
        rows.append(
            GearScale(
                gear=gear, pulls=len(own), force_per_unit_n=scale * per_unit, u_force_per_unit_n=doubt * per_unit,
                gamma=gamma(own[0].overall), slip_pct=100 * float(np.mean(slips)) if slips else None,
            )
        )  # fmt: skip
    return tuple(rows)


def gamma(overall: float) -> float:
    """Mass factor with the engine turning, at an overall ratio (engine turns per wheel turn)."""
    return GAMMA[0] + GAMMA[1] * overall**2


def _gear_fault(design: Design, fit: ScaleFit, gears: Sequence[GearScale]) -> list[str]:
    """Words where the gears' scales differ by more than chance and doubts allow; nothing where they agree."""
    least, most = GEARS_DIFFER
    if not any(abs(gap) > least * abs(fit.scale) and abs(gap) > most * doubt for gap, doubt in design.differences()):
        return []
    told = ", ".join(
        f"gear {gear.gear}: {gear.force_per_unit_n:.4g} ± {1.96 * gear.u_force_per_unit_n:.2g} N" for gear in gears
    )
    return [
        f"the force per unit differs by gear ({told}): a fault, so nothing is averaged and no power is given; check "
        "the ratios, the gears declared, the rolling radius and the zeros"
    ]


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


def _band(rows: IntArray, design: Design, fit: ScaleFit, model: CarModel, factor: float) -> PowerBand:
    """One band from the points of one tune and gear; every doubt once, through the fit's covariance."""
    table, n = design.table, len(rows)
    link, high = design.link_rows(rows, fit.scale), design.speed_rows(rows).mean(axis=0)
    forces = link @ fit.solution
    force, speed = float(forces.mean()), float(table.speed[rows].mean())
    if n > 1:
        scatter = float(forces.std(ddof=1)) / np.sqrt(n) * float(stats.t.ppf(0.975, n - 1)) / 1.959964
    else:
        scatter = ONE_PULL_SCATTER * abs(force)
    row = link.mean(axis=0)
    u_force = _doubt(row, fit, scatter)
    power_row = speed * (row - force * high)
    u_power = _doubt(power_row, fit, speed * scatter)
    spun = (factor - 1 - UNDRIVEN_SHARE) * model.mass_kg * float(table.acceleration[rows].mean())
    u_spun = GAMMA_DOUBT * (factor - 1) * model.mass_kg * float(table.acceleration[rows].mean())
    return PowerBand(
        rpm=float(table.rpm[rows[0]]), force_n=force, wheel_power_kw=force * speed / 1000,
        u_wheel_power_kw=u_power / 1000, wheel_torque_nm=force * model.radius_m, u_force_n=u_force,
        u_wheel_torque_nm=float(np.hypot(u_force, RADIUS_DOUBT * force)) * model.radius_m, speed_mps=speed,
        steady_equivalent_kw=(force + spun) * speed / 1000,
        u_steady_equivalent_kw=float(np.hypot(u_power, u_spun * speed)) / 1000, n=n,
    )  # fmt: skip


def _doubt(row: Array, fit: ScaleFit, scatter: float) -> float:
    return float(np.sqrt(max(float(row @ fit.covariance @ row), 0.0) + scatter**2))
