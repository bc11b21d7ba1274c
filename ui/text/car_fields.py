"""The figures of a car file in words: what each is, in which unit, what is usual, where it is found on a car."""

from dataclasses import dataclass
from typing import Final

HEAD: Final = "A car file. Change it with any text editor."
COMMENTS: Final = {  # behind a key that is written for the first time
    "mass_kg": "as driven, people included",
    "rolling_radius_m": "axle to road, loaded",
    "rpm_per_unit": "provisional, until a fit",
    "range": "outside it: clipped",
    "lag_s": "what the converter's smoothing delays",
}
FURTHER: Final = {  # role of a further channel: its usual unit
    "lambda": "lambda",
    "advance": "deg",
    "manifold_pressure": "kPa",
    "throttle": "%",
    "road_speed": "km/h",
    "temperature": "degC",
    "knock": "V",
    "fuel_trim": "%",
}
ROLES: Final = {
    "lambda": "Mixture (λ or AFR)",
    "advance": "Spark advance",
    "manifold_pressure": "Manifold pressure",
    "throttle": "Throttle",
    "road_speed": "Road speed",
    "temperature": "Temperature",
    "knock": "Knock signal",
    "fuel_trim": "Fuel trim",
}


@dataclass(frozen=True, slots=True)
class Field:
    """One figure of the form.

    key     place in the car file, as errors name it: 'car.mass_kg', 'speed.range' for the channel with that role
    kind    'text', 'number', 'numbers', or the choices, separated by |
    usual   what most cars have; beyond it the form asks whether it is meant. None: anything goes
    where   where the figure is found on a car
    """

    key: str
    caption: str
    unit: str
    kind: str
    example: str
    usual: tuple[float, float] | None
    where: str
    needed: bool = False


# ranges: common practice, no source
CAR: Final = (
    Field("car.name", "Name", "", "text", "hill-climb special", None, "What you call it.", True),
    Field(
        "car.mass_kg",
        "Mass as driven",
        "kg",
        "number",
        "790",
        (150, 4000),
        "A weighbridge, with everybody and the fuel in it.",
    ),
    Field(
        "car.rolling_radius_m",
        "Rolling radius",
        "m",
        "number",
        "0.281",
        (0.15, 0.6),
        "Push the loaded car ten turns of a driven wheel: metres rolled divided by 62.8.",
    ),
    Field(
        "car.drag_area_m2",
        "Drag area",
        "m²",
        "number",
        "0.58",
        (0.15, 3.0),
        "Drag coefficient times frontal area; a coastdown gives it too.",
    ),
    Field(
        "car.rolling_coefficient",
        "Rolling coefficient",
        "",
        "number",
        "0.013",
        (0.004, 0.05),
        "0.010 to 0.015 on tarmac; a coastdown gives it too.",
    ),
)
GEARING: Final = (
    Field(
        "gearing.final_drive",
        "Final drive",
        "",
        "number",
        "4.3",
        (1.5, 9.0),
        "On the axle's tag, or teeth of the crown wheel over those of the pinion.",
    ),
    Field(
        "gearing.ratios",
        "Gear ratios, first gear up",
        "",
        "numbers",
        "3.0, 1.95, 1.38, 1.0",
        (0.3, 8.0),
        "The gearbox's handbook; engine turns for one turn of its output shaft.",
    ),
)
ENGINE: Final = (
    Field(
        "engine.pulses_per_turn",
        "Pulses a turn",
        "",
        "number",
        "4",
        (0.5, 400),
        "Of the tap, a turn of the crankshaft: teeth of its wheel, or half the cylinders at a coil (four-stroke).",
    ),
    Field(
        "engine.redline_rpm",
        "Redline",
        "rpm",
        "number",
        "7400",
        (1500, 20000),
        "What the engine may turn at most; on the dial or in its papers.",
        True,
    ),
    Field(
        "engine.advance_max_deg",
        "Most advance",
        "°",
        "number",
        "",
        (5, 60),
        "No proposal goes above it. Leave it empty where you set no limit.",
    ),
    Field(
        "engine.boosted",
        "Turbo or compressor",
        "",
        "not known|no|yes",
        "not known",
        None,
        "A boosted engine is never corrected to standard air.",
    ),
)
SPEED: Final = (
    Field("speed.name", "Channel", "", "text", "speed_v", None, "Its name in the device's description.", True),
    Field("speed.unit", "Unit", "", "V|mV|Hz|rpm", "V", None, "What the device sends."),
    Field(
        "speed.standing",
        "Reads, engine standing",
        "",
        "number",
        "0.25",
        None,
        "Ignition on, engine off. Within 30 % is near enough: a fit makes it exact.",
        True,
    ),
    Field(
        "speed.redline",
        "Reads at redline",
        "",
        "number",
        "4.55",
        None,
        "From the plan of the chain, or one reading in neutral scaled up.",
        True,
    ),
    Field(
        "speed.range",
        "Believable readings",
        "",
        "numbers",
        "0, 4.9",
        None,
        "Lowest and highest; outside them a sample counts as clipped.",
    ),
    Field(
        "speed.lag_s",
        "Lag",
        "s",
        "number",
        "0.02",
        (0, 1),
        "Resistor times smoothing capacitor of the converter, both stages together.",
    ),
)
LOAD: Final = (
    Field("load.name", "Channel", "", "text", "link", None, "Its name in the device's description.", True),
    Field("load.unit", "Unit", "", "mV/V|V|microstrain|N", "mV/V", None, "What the device sends."),
    Field("load.range", "Believable readings", "", "numbers", "-2, 2", None, "Lowest and highest of the amplifier."),
    Field(
        "load.bridge",
        "How the gauges sit",
        "",
        "full-bending|full-axial|full-torsion|half-bending|quarter",
        "full-bending",
        None,
        "Four gauges that bend with the link are a full bending bridge.",
    ),
    Field("load.gauge_factor", "Gauge factor", "", "number", "2.08", (1.5, 2.6), "On the gauges' packet."),
    Field(
        "load.sign",
        "Reading when pushed forwards",
        "",
        "rises|falls",
        "rises",
        None,
        "Push the standing car forwards by hand and look which way the reading goes.",
    ),
)
GROUPS: Final = (("Car", CAR), ("Gearing", GEARING), ("Engine", ENGINE), ("Engine speed", SPEED), ("Load", LOAD))


def unusual(field: Field, value: float) -> str:
    """The question about a figure outside what is usual; '' for one inside."""
    if field.usual is None or field.usual[0] <= value <= field.usual[1]:
        return ""
    low, high = field.usual
    unit = f" {field.unit}" if field.unit else ""
    return f"{value:g}{unit} is unusual ({low:g} to {high:g} on most cars): is it meant?"
