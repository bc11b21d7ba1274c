"""What must be said beside power, so that nobody reads more into it than is there."""

from collections.abc import Sequence

from stream.study.force.power_records import GearScale, TunePower
from stream.study.force.push_points import Points

ONE_PULL_SCATTER = 0.03  # of the force: repeatability taken for a band that one pull alone crosses


def power_words(table: Points, gears: Sequence[GearScale], tunes: Sequence[TunePower], both_ways: bool) -> list[str]:
    """What must be known to read the numbers."""
    words = []
    if not both_ways:
        words.append("grade and wind are unknown: taken as level and calm, and in the doubt")
    if len(gears) == 1:
        words.append(f"all pulls are in gear {gears[0].gear}: a second gear would check the scale; the doubt is wider")
    slipping = [pull for pull in table.pulls if pull.slip is None]
    if slipping:
        words.append(
            "speed is from engine speed, which is high by the tyres' slip (3 to 8 % in a hard pull): not taken off, "
            "but in the doubt; a road_speed channel would show it"
        )
    for gear in gears:
        if gear.slip_pct is not None and not -3 < gear.slip_pct < 12:
            words.append(
                f"gear {gear.gear}: engine speed is {gear.slip_pct:+.0f} % off road speed, more than slip: check the "
                "radius, the ratios and the calibration of both"
            )
    if any(pull.trace.zero is None for pull in table.pulls):
        words.append("some pulls have no zero: the fit's intercept stands in for it, with a wider doubt")
    if len(tunes) > 1:
        words.append(f"each tune has its own bands; where one set alone is asked for, it is that of {tunes[0].tune!r}")
    if any(band.n == 1 for tune in tunes for band in tune.bands):
        words.append(
            f"where one pull alone crosses a band, {100 * ONE_PULL_SCATTER:.0f} % stands for its repeatability"
        )
    words.append("power is at the wheels; what the driveline and the engine's own inertia take is not in it")
    return words


def check_words(given: float, found: float, u_found: float, unit: str) -> str:
    """The car file's newtons_per_unit against the fit."""
    off = 100 * (found / given - 1)
    if abs(found - given) > 1.96 * u_found:
        return (
            f"the car file's newtons_per_unit {given:g} and the fit's {found:.4g} ± {1.96 * u_found:.3g} N per {unit} "
            f"do not agree ({off:+.1f} %): look at mass, gearing and the link's calibration"
        )
    return f"the car file's newtons_per_unit {given:g} agrees with the fit ({off:+.1f} %)"
