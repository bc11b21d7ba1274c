"""Sentences. Air, coastdown, power."""

import math
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ui.text.figures import figures
from ui.text.findings import Sentence

if TYPE_CHECKING:
    from stream.study.force.road_load import CoastVerdict, RoadLoad

# Why a glide is no coastdown, or is not used.
GLIDE_WHY = {
    "too-short": "shorter than 10 s",
    "too-small-a-fall": "speed falls by less than a fifth",
    "in-gear": "rolled with a gear in",
    "braked": "slowed by the brakes",
    "held-back": "held back by more than 6 % of the weight: a brake or a gear",
    "driven": "the car gains speed in it: the engine, or a slope",
    "broken": "samples are missing for more than 1 s: what the car did there is not known",
    "twice": "it shares seconds with a glide that counts: one run is no pair",
    "dropped": "dropped",
}


COAST_CAUTION = (
    "Roll in neutral on a closed, level road, both ways in turn, off the brakes; a second person watches the screen."
)
NO_WIND = "The wind's change is a number of m/s, 0 or more."
GLIDE_HEADS = ("glide", "from s", "to s", "km/h", "way", "")
LOAD_HEADS = ("km/h", "N", "±", "coast time s", "pairs", "precision %")


def glide_cells(row: "CoastVerdict") -> tuple[str, ...]:
    """A glide's number, times, speeds, way, and whether it is used."""
    span = f"{3.6 * row.from_mps:.0f} to {3.6 * row.to_mps:.0f}"
    state = "used" if row.used else f"left out: {GLIDE_WHY[row.why_not]}"
    return str(row.number), f"{row.start_s:.0f}", f"{row.end_s:.0f}", span, way_word(row), state


def way_word(row: "CoastVerdict") -> str:
    """Which way the car went in a glide."""
    return "there" if row.way > 0 else "back"


def coefficient_lines(load: "RoadLoad") -> tuple[str, ...]:
    """A, B and C with half their 95 % intervals and units."""
    rows = (
        ("A", "N", load.a_n, load.u_a),
        ("B", "N/(m/s)", load.b_n_per_mps, load.u_b),
        ("C", "N/(m/s)²", load.c_n_per_mps2, load.u_c),
    )
    return tuple(f"{name} = {figures(value, 2 * u)} ± {figures(2 * u, 2 * u)} {unit}" for name, unit, value, u in rows)


def road_load_head(load: "RoadLoad") -> str:
    """The formula, and from how many coastdowns."""
    return f"F = A + B v + C v², v in m/s, from {load.runs} coastdown{'s' if load.runs > 1 else ''}."


def road_load_cells(load: "RoadLoad") -> tuple[tuple[str, ...], ...]:
    """Force and coast time at round speeds."""
    times = {step.speed_kmh: step for step in load.precision}
    rows = []
    for speed_kmh in speeds_kmh(load):
        force, half = load.force_n(speed_kmh / 3.6), 2 * load.u_force_n(speed_kmh / 3.6)
        step = times.get(speed_kmh)
        timed = ("", "", "")
        if step is not None:
            precise = "?" if step.precision_pct is None else f"{step.precision_pct:.1f}"
            timed = (f"{step.time_s:.2f}", str(step.pairs), precise)
        rows.append((f"{speed_kmh:.0f}", figures(force, half), figures(half, half), *timed))
    return tuple(rows)


def road_load_note(load: "RoadLoad") -> str:
    """What the table holds for."""
    return (
        f"± is 95 %; the mass is taken as exact. Only speeds that were glided through, {3.6 * load.from_mps:.0f} to "
        f"{3.6 * load.to_mps:.0f} km/h. Coast time is over ± 5 km/h; its precision is 100·t·s/(√n·T) over the pairs."
    )


def speeds_kmh(load: "RoadLoad") -> list[float]:
    """Round speeds inside those that were glided through, at most a dozen, km/h."""
    low, high = 3.6 * load.from_mps, 3.6 * load.to_mps
    step = 10.0 if high - low <= 120 else 20.0
    return [step * place for place in range(math.ceil(low / step), math.floor(high / step) + 1)]


def _glide(values: Mapping[str, Any]) -> str:
    span = f"{values['from_kmh']:.0f} to {values['to_kmh']:.0f} km/h at {values['start_s']:.0f} s"
    return f"glide {values['number']} ({span}) is left out: {GLIDE_WHY[values['why']]}"


def _ways(values: Mapping[str, Any]) -> str:
    told = ", ".join(f"{number:.0f}" for number in values["numbers"])
    many = len(values["numbers"]) > 1
    return (
        f"glide{'s' if many else ''} {told} between the used ones {'are' if many else 'is'} left out, so which way the "
        "later ones went is a guess: each used one is taken as against the one before; say which went back if not so"
    )


def _wind_change(values: Mapping[str, Any]) -> str:
    used, stated = values["wind_mps"], values["stated_mps"]
    words = f"the wind may change by {used:.1f} m/s between a run and its partner, which looks like B: it is in the ±"
    learned = f" (stated {stated:g} m/s, corrected by the runs' own scatter)"
    return words if abs(used - stated) < 0.05 else words + learned


# Why a pull gives no power.
PULL_WHY = {
    "no-such-ratio": "road speed fits no gear of the car file",
    "road-fits-none": "road speed fits no gear of the car file",
    "gear-unknown": "no known gear: not declared, and no road speed tells it",
    "no-ratio": "the car file has no ratio for the gear declared",
    "too-short": "it is too short for an acceleration",
}


def _when(values: Mapping[str, Any]) -> str:
    starts = values["start_s"]
    told = ", ".join(f"{start:.0f}" for start in starts[:4]) + (", …" if len(starts) > 4 else "")
    return f"{values['session']}: the pull{'s' if len(starts) > 1 else ''} at {told} s"


def _gear_by_road(values: Mapping[str, Any]) -> str:
    declared, seen = values["declared"], values["seen"]
    return f"{_when(values)}: declared as gear {declared}, but road speed shows gear {seen}; that is used"


def _gear_fits_none(values: Mapping[str, Any]) -> str:
    return (
        f"{_when(values)}: declared as gear {values['declared']}, but road speed fits no gear of the car file; look at "
        "the ratios, the rolling radius and the road speed's calibration"
    )


def _left_out(values: Mapping[str, Any]) -> str:
    gear = "" if values["gear"] is None else f", declared as gear {values['gear']},"
    return f"{values['session']}: the pull at {values['start_s']:.0f} s{gear} is left out: {PULL_WHY[values['why']]}"


def _gears(values: Mapping[str, Any]) -> str:
    rows = zip(values["gears"], values["force_n"], values["u_force_n"], strict=True)
    told = ", ".join(f"gear {gear:.0f}: {force:.4g} ± {1.96 * u:.2g} N" for gear, force, u in rows)
    return (
        f"the force per unit differs by gear ({told}): a fault, so nothing is averaged and no power is given; check "
        "the ratios, the gears declared, the rolling radius and the zeros"
    )


def _against_car(values: Mapping[str, Any]) -> str:
    given, fitted = values["given"], values["fitted"]
    return (
        f"the car file's newtons_per_unit {given:g} and the fit's {fitted:.4g} ± {1.96 * values['u_fitted']:.3g} N per "
        f"{values['unit']} do not agree ({100 * (fitted / given - 1):+.1f} %): look at mass, gearing and the link's "
        "calibration"
    )


def _agrees(values: Mapping[str, Any]) -> str:
    off = 100 * (values["fitted"] / values["given"] - 1)
    return f"the car file's newtons_per_unit {values['given']:g} agrees with the fit ({off:+.1f} %)"


def _other_car(values: Mapping[str, Any]) -> str:
    masses = [values["coasted_kg"], values["driven_kg"]]
    coasted, driven = ("" if kg is None else f" ({kg:.0f} kg)" for kg in masses)
    return (
        f"the coastdown is of {values['coasted']!r}{coasted}, the pulls of {values['driven']!r}{driven}: road load is "
        "that of another car or mass"
    )


def _range(values: Mapping[str, Any]) -> str:
    unit = {"temperature": " °C", "pressure": " hPa", "factor": ""}[values["what"]]
    what = "air" if values["what"] == "temperature" else values["what"]
    return (
        f"{values['standard']}: {what} {values['value']:.4g}{unit} is outside {values['low']:g} to "
        f"{values['high']:g}{unit}"
    )


def _refused(values: Mapping[str, Any]) -> str:
    above = values["above_hpa"]
    seen = (
        "the car file says it is boosted"
        if above is None
        else f"manifold pressure is {above / 10:.0f} kPa above ambient"
    )
    return (
        f"no air correction: {seen}, and SAE J1349 and ISO 1585 are for engines without boost; results are as "
        "measured, so compare within one day's air, at equal boost"
    )


def _some_only(values: Mapping[str, Any]) -> str:
    names = ", ".join(Path(path).name for path in values["missing"])
    return (
        f"no air correction: the air of the day was kept in {values['kept']} of the sessions and not in {names}; "
        "correct all or none: keep it there too"
    )


def _against_kept(values: Mapping[str, Any]) -> str:
    kept, given = (f"{c:g} °C, {hpa:.4g} hPa, {pct:g} %" for c, hpa, pct in (values["kept"], values["given"]))
    return (
        f"{Path(values['session']).name}: the air given ({given}) is not the air kept with the session ({kept}); that "
        "given is used: look which one is right, and whether one is a sea-level pressure"
    )


def _unequal(values: Mapping[str, Any]) -> str:
    rpm = ", ".join(f"{one:.0f}" for one in values["rpm"])
    return (
        f"{values['tune']!r} ran at another manifold pressure than {values['now']!r} at {rpm} rpm (by up to "
        f"{values['gap_pct']:.1f} %): more boost is no better advance, so it is not compared there"
    )


def _no_ambient(values: Mapping[str, Any]) -> str:
    return (
        f"{values['session']}: {values['channel']!r} is a gauge pressure and the ambient one is not known: 1013 hPa is "
        "added, which is too much at altitude; keep the air of the day with the session"
    )


def _apart(values: Mapping[str, Any]) -> str:
    return (
        f"{values['session']}: {values['channel']!r} reads {values['read_hpa']:.0f} hPa of ambient pressure, and the "
        f"air kept says {values['said_hpa']:.0f}: a sea-level pressure, perhaps; the lower one is taken for boost"
    )


SENTENCES: dict[str, Sentence] = {
    "air-out-of-range": _range,
    "air-refused-boost": _refused,
    "air-some-only": _some_only,
    "air-against-kept": _against_kept,
    "air-kept-out-of-range": "no air correction: the air kept with {session} is out of the standards' range",
    "air-kept-no-zero": "no air correction, though the air was kept: it needs a zero in every session with a pull",
    "air-from-kept": (
        "corrected with the air kept in the sessions (ISO 1585 factors {lowest:.3f} to {highest:.3f}); full throttle "
        "without boost only"
    ),
    "air-boost-unknown": (
        "whether the engine is boosted is not known (nothing in the car file, no manifold pressure beside a known "
        "ambient one): with boost this correction is wrong; say it in the car file, [engine] boosted"
    ),
    "air-boost-not-seen": (
        "the car file does not say whether the engine is boosted; manifold pressure never went above ambient, so it is "
        "corrected as without boost"
    ),
    "advance-unequal-boost": _unequal,
    "advance-boost-not-logged": (
        "the engine is boosted and its manifold pressure is not known: whether the tunes ran at equal boost cannot be "
        "seen, and more boost looks like better advance"
    ),
    "boost-against-car": (
        "{session}: the car file says the engine is not boosted, but manifold pressure is {above_hpa:.0f} hPa above "
        "ambient: one of the two is wrong, and it is taken as boosted"
    ),
    "pressure-stuck": (
        "{session}: manifold pressure {channel!r} does not move through {pulls} of {of} pulls: stuck, and taken as not "
        "known there"
    ),
    "pressure-no-unit": (
        "manifold pressure {channel!r} has the unit {unit!r}, which is no pressure: not used; say kPa, hPa, mbar, bar, "
        "psi or inHg"
    ),
    "pressure-not-absolute": (
        "{session}: manifold pressure {channel!r} goes to {lowest_hpa:.0f} hPa and no further than {highest_hpa:.0f} "
        "in a pull, which no absolute pressure does: not used; a gauge pressure wants gauge = true in the car file"
    ),
    "gauge-no-ambient": _no_ambient,
    "ambient-apart": _apart,
    "ambient-odd": "{channel!r} reads {pressure_hpa:.0f} hPa, which is no ambient pressure: not used",
    "gear-by-road": _gear_by_road,
    "gear-fits-none": _gear_fits_none,
    "power-pull-left-out": _left_out,
    "power-gears-differ": _gears,
    "power-against-car": _against_car,
    "power-agrees-with-car": _agrees,
    "power-other-car": _other_car,
    "power-coastdown-unused": "its coastdowns are not used: {why}",
    "power-road-load": "road load is from the {runs} coastdowns in {session}",
    "power-beyond-coastdown": (
        "the pulls go from {from_kmh:.0f} to {to_kmh:.0f} km/h, the coastdown from {glided_from_kmh:.0f} to "
        "{glided_to_kmh:.0f}: beyond that road load is carried on by its formula"
    ),
    "power-air-kept": "air of {density_kg_m3:.3f} kg/m³, from the air kept with the sessions",
    "power-one-way": "grade and wind are unknown: taken as level and calm, and in the uncertainty",
    "power-one-gear": "all pulls are in gear {gear}: a second gear would check the scale; the uncertainty is wider",
    "power-slip-unknown": (
        "speed is from engine speed, which is high by the tyres' slip (3 to 8 % in a hard pull): not taken off, but in "
        "the uncertainty; a road_speed channel would show it"
    ),
    "power-no-slip": (
        "gear {gear}: engine speed is {off_pct:+.0f} % off road speed, more than slip: check the radius, the ratios "
        "and the calibration of both"
    ),
    "power-no-zero": "some pulls have no zero: the fit's intercept stands in for it, with a wider uncertainty",
    "power-tunes": "each tune has its own bands; where one set alone is asked for, it is that of {tune!r}",
    "power-one-pull": "where one pull alone crosses a band, {scatter_pct:.0f} % stands for its repeatability",
    "power-at-wheels": "power is at the wheels; what the driveline and the engine's own inertia take is not in it",
    "coast-glide-left-out": _glide,
    "coast-ways-guessed": _ways,
    "coast-wind": "wind of about {wind_mps:.0f} m/s along the road; wait for a calmer day",
    "coast-wind-change": _wind_change,
    "coast-odd-runs": "{runs} runs, more one way than the other: one has no partner in the other direction",
    "coast-one-alone": "one coastdown alone: grade and wind are unknown, and the uncertainty is wider for it",
    "coast-one-way": "all coastdowns went one way: grade and wind are unknown, and the uncertainty is wider for it",
    "coast-c-negative": "C is negative, which no air does: start faster and roll further, or use the sum only",
    "coast-a-negative": "A is negative, which no tyre does: roll on to a lower speed, or look for a slope",
    "coast-narrow": "speeds from {from_kmh:.0f} to {to_kmh:.0f} km/h only: A, B and C are hardly told apart",
    "coast-rolling-high": (
        "rolling takes {share_pct:.1f} % of the weight, and tyres on a hard road need 1 to 2 %: look for a brake that "
        "drags, or soft ground"
    ),
    "coast-no-engine-speed": "there is no engine speed, so whether the car was in neutral cannot be seen",
    "coast-imprecise": (
        "coast times of {pairs} pairs scatter: precision {precision_pct:.1f} % at {speed_kmh:.0f} km/h, and road-load "
        "standards ask for 3 %; make more pairs, or wait for less wind"
    ),
}
