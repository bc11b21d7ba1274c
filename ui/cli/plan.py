"""steadypull plan: frequencies, converter parts and resolution, before anything is built."""

from typing import TYPE_CHECKING, Any, cast

import click

from ui.cli.options import Decorator, json_option
from ui.text.cautions import CHAIN

if TYPE_CHECKING:
    from stream.calibrate.chain.plan import Plan
    from stream.calibrate.link.bridge import BridgeKind

BRIDGES = ("quarter", "half-poisson", "half-bending", "full-bending", "full-axial", "full-torsion")

FLAGS = {
    "pulses": "--pulses", "redline": "--redline", "idle": "--idle", "supply": "--supply", "output": "--output",
    "pump_ua": "--pump-current", "ceiling": "--ceiling", "ripple": "--ripple", "response_ms": "--response",
    "pull": "--pull", "tolerance": "--tolerance", "adc_range": "--input-range", "excitation": "--excitation",
    "gain": "--gain", "gauge_factor": "--gauge-factor", "band": "--band", "hop": "--wheel-hop",
}  # fmt: skip


def _number(flag: str, name: str, default: float | None, metavar: str, text: str) -> Decorator:
    shown = "" if default is None else f"  [{default:g}]"
    return click.option(flag, name, type=float, default=default, metavar=metavar, help=text + shown)


@click.command("plan")
@click.option("--pulses", type=float, required=True, metavar="N", help="Pulses of the tap per turn of the crankshaft.")
@click.option("--redline", type=float, required=True, metavar="RPM", help="The highest speed that must be seen.")
@_number("--idle", "idle", 800.0, "RPM", "The lowest.")
@_number("--supply", "supply", 5.0, "V", "Supply of the converter.")
@_number("--output", "output", 4.5, "V", "What it shall give a little above redline; 0 V is standing.")
@_number("--pump-current", "pump_ua", 150.0, "UA", "The most its pump delivers, microamperes; from its data sheet.")
@_number("--ceiling", "ceiling", None, "HZ", "The highest frequency of a converter that is there already.")
@_number("--ripple", "ripple", 60.0, "RPM", "Ripple that may be left at idle, peak to peak.")
@_number("--response", "response_ms", 100.0, "MS", "How soon the output must have followed, within 2 %.")
@_number("--pull", "pull", 1500.0, "RPM/S", "How fast the engine gains speed in a hard pull.")
@_number("--tolerance", "tolerance", 5.0, "PCT", "Of the timing capacitor.")
@click.option("--bits", type=int, default=12, metavar="N", help="Bits of the analogue input.  [12]")
@_number("--input-range", "adc_range", 5.0, "V", "What the analogue input covers.")
@_number("--excitation", "excitation", 5.0, "V", "Supply of the strain bridge.")
@_number("--gain", "gain", 500.0, "X", "Gain of its amplifier.")
@click.option(
    "--bridge", type=click.Choice(BRIDGES), default="full-bending", metavar="KIND",
    help=f"How the gauges sit: {', '.join(BRIDGES)}.  [full-bending]",
)  # fmt: skip
@_number("--gauge-factor", "gauge_factor", 2.0, "K", "Off the gauges' packet.")
@_number("--band", "band", 250.0, "RPM", "Width of the rev bands that pulls are studied in.")
@_number("--wheel-hop", "hop", 12.0, "HZ", "Where the axle bounces: 10 to 15 on most cars.")
@json_option
def command(as_json: bool, **wish: Any) -> int:
    """Plan the chain on paper: what the tap gives, which parts the converter needs, what the input resolves.

    The engine-speed tap is buffered and proved standing still first, for a bad one can stall the engine in traffic; its
    supply is fused. Gauges are glued, never ground, drilled or heated into a suspension part.
    """
    import msgspec

    from ui.cli.live_text import warn
    from ui.cli.results import print_json

    plan = _plan(wish)
    if as_json:
        warn(plan.warnings)
        print_json(msgspec.to_builtins(plan))
    else:
        print_plan(plan)
    return 0


def _plan(wish: dict[str, Any]) -> "Plan":
    from stream.calibrate.chain.plan import make_plan
    from stream.calibrate.chain.sizing import ConverterWish
    from stream.errors import InputError

    for name, flag in FLAGS.items():
        value = wish[name]
        if value is not None and not (0 < value < float("inf") or (value == 0 and name == "tolerance")):
            raise InputError(f"{flag}: {value:g} is not a number above zero; mend it")
    if wish["output"] > wish["supply"]:
        raise InputError(
            f"--output: {wish['output']:g} V cannot come from a supply of {wish['supply']:g} V; "
            "lower it or raise --supply"
        )
    if wish["idle"] >= wish["redline"]:
        raise InputError(f"--idle: {wish['idle']:g} rpm is not below --redline {wish['redline']:g} rpm; mend one")
    return make_plan(
        ConverterWish(
            pulses_per_turn=wish["pulses"], redline_rpm=wish["redline"], idle_rpm=wish["idle"], supply_v=wish["supply"],
            output_v=wish["output"], pump_current_a=wish["pump_ua"] * 1e-6, ripple_rpm=wish["ripple"],
            response_s=wish["response_ms"] * 1e-3, rpm_per_s=wish["pull"], capacitor_tolerance_pct=wish["tolerance"],
        ),
        ceiling_hz=wish["ceiling"], adc_bits=wish["bits"], adc_range_v=wish["adc_range"],
        excitation_v=wish["excitation"], amplifier_gain=wish["gain"], bridge=cast("BridgeKind", wish["bridge"]),
        gauge_factor=wish["gauge_factor"], band_rpm=wish["band"], wheel_hop_hz=wish["hop"],
    )  # fmt: skip


def print_plan(plan: "Plan") -> None:
    """The plan as words and tables on standard output."""
    from ui.cli.paper import console, plain_table, say_words

    out = console()
    parts = plan.converter
    table = plain_table("pulses a turn", "idle Hz", "redline Hz", "stops at rpm", "")
    table.columns[4].justify = "left"
    for row in plan.pulse_ranges:
        mark = "this engine" if row.pulses_per_turn == plan.pulses_per_turn else ""
        short = "" if row.covers else "does not reach redline"
        table.add_row(
            f"{row.pulses_per_turn:g}", f"{row.idle_hz:.0f}", f"{row.redline_hz:.0f}", f"{row.stops_at_rpm:.0f}",
            ", ".join(part for part in (mark, short) if part),
        )  # fmt: skip
    out.print(table)
    out.print(
        f"converter: R {_ohm(parts.resistor_ohm)}, C {_farad(parts.capacitor_f)}, "
        f"smoothing {_farad(parts.smoothing.farad)}"
    )
    out.print(
        f"output: {parts.output_at_idle_v:.2f} V at idle, {parts.output_at_redline_v:.2f} V at redline; "
        f"ceiling {parts.ceiling_hz:.0f} Hz, {parts.ceiling_rpm:.0f} rpm"
    )
    out.print(
        f"the parts' tolerances put the scale off by up to ±{parts.gain_spread.worst_pct:.1f} % "
        f"(±{parts.gain_spread.rss_pct:.1f} % as a rule): that is what a fit is for"
    )
    trade = plain_table("smoothing", "ripple at idle, rpm", "settled after, ms", "behind in a pull, rpm", "")
    trade.columns[4].justify = "left"
    for choice in parts.trade:
        mark = "chosen" if choice == parts.smoothing else ""
        trade.add_row(
            _farad(choice.farad), f"{choice.ripple_rpm:.0f}", f"{1000 * choice.settle_2_pct_s:.0f}",
            f"{choice.lag_in_pull_rpm:.0f}", mark,
        )  # fmt: skip
    out.print(trade)
    out.print(
        f"one step of {plan.adc_bits} bits is {1000 * plan.adc_step_v:.3g} mV: {plan.adc_step_rpm:.2g} rpm, "
        f"{plan.adc_step_microstrain:.2g} microstrain"
    )
    out.print(f"live filter: {plan.filter.words}")
    for line in plan.warnings:
        out.print(f"note: {line}")
    say_words(CHAIN)


def _ohm(value: float) -> str:
    return f"{value / 1000:.3g} kΩ" if value >= 1000 else f"{value:.3g} Ω"


def _farad(value: float) -> str:
    for size, unit in ((1e-6, "µF"), (1e-9, "nF")):
        if value >= 0.9995 * size:
            return f"{value / size:.3g} {unit}"
    return f"{value * 1e12:.3g} pF"
