"""steadypull plan: frequencies, converter parts and resolution, before anything is built."""

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, cast

import click

from ui.cli.options import Decorator, json_option
from ui.text.cautions import CHAIN

if TYPE_CHECKING:
    from stream.calibrate.chain.plan import Plan
    from stream.calibrate.link.bridge import BridgeKind

BRIDGES = ("quarter", "half-poisson", "half-bending", "full-bending", "full-axial", "full-torsion")

FLAGS = {
    "redline": "--redline",
    "idle": "--idle",
    "supply": "--supply",
    "output": "--output",
    "pump_ua": "--pump-current",
    "ceiling": "--ceiling",
    "ripple": "--ripple",
    "response_ms": "--response",
    "pull": "--pull",
    "tolerance": "--tolerance",
    "adc_range": "--input-range",
    "excitation": "--excitation",
    "gain": "--gain",
    "gauge_factor": "--gauge-factor",
    "band": "--band",
    "hop": "--wheel-hop",
    "threshold": "--input-threshold",
    "tap_v": "--tap-at-idle",
    "headroom": "--output-headroom",
}
MAY_BE_ZERO = ("tolerance", "headroom")


def _number(flag: str, name: str, default: float | None, metavar: str, text: str) -> Decorator:
    shown = "" if default is None else f"  [{default:g}]"
    return click.option(flag, name, type=float, default=default, metavar=metavar, help=text + shown)


@click.command("plan")
@click.option(
    "--pulses",
    required=True,
    metavar="N[,N…]",
    help="Pulses of the tap per turn of the crankshaft; several counts are compared side by side.",
)
@click.option("--redline", type=float, required=True, metavar="RPM", help="The highest speed that must be seen.")
@_number("--idle", "idle", 800.0, "RPM", "The lowest.")
@_number("--supply", "supply", 5.0, "V", "Supply of the converter.")
@click.option(
    "--pump",
    type=click.Choice(("twice", "once")),
    default="twice",
    help="How often in a cycle the pump moves charge: half of it in each half cycle, as common integrated converters "
    "do, or all of it once.  [twice]",
)
@_number("--output-headroom", "headroom", 1.5, "V", "How far below its supply the output stage stops; data sheet.")
@_number(
    "--output",
    "output",
    None,
    "V",
    "What it shall give a little above redline; 0 V is standing.  [supply less headroom, 4.5 at most]",
)
@_number("--pump-current", "pump_ua", 150.0, "UA", "The most its pump delivers, microamperes; from its data sheet.")
@_number("--input-threshold", "threshold", None, "V", "Amplitude its input needs to see a pulse, hysteresis included.")
@_number("--tap-at-idle", "tap_v", None, "V", "Amplitude of the tap's pulses at idle, where it grows with speed.")
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
    "--bridge",
    type=click.Choice(BRIDGES),
    default="full-bending",
    metavar="KIND",
    help=f"How the gauges sit: {', '.join(BRIDGES)}.  [full-bending]",
)
@_number("--gauge-factor", "gauge_factor", 2.0, "K", "Off the gauges' packet.")
@_number("--band", "band", 250.0, "RPM", "Width of the rev bands that pulls are studied in.")
@_number("--wheel-hop", "hop", 12.0, "HZ", "Where the axle bounces: 10 to 15 on most cars.")
@json_option
def command(as_json: bool, **wish: Any) -> int:
    """Plan the chain on paper: what the tap gives, which parts the converter needs, what the input resolves.

    The engine-speed tap is buffered and proved standing still first, for a bad one can stall the engine in traffic; its
    supply is fused. Gauges are glued, never ground, drilled or heated into a suspension part.
    """
    from ui.cli.live_text import warn
    from ui.cli.results import print_json
    from ui.text.findings import say_all

    plans = [_plan(wish | {"pulses": count}) for count in _counts(wish["pulses"])]
    if as_json:
        warn(tuple(say_all(finding for plan in plans for finding in plan.findings)))
        print_json(plan_json(plans[0]) | {"compared": [compared(plan) for plan in plans]})
    elif len(plans) == 1:
        print_plan(plans[0])
    else:
        print_compared(plans)
    return 0


def _counts(text: str) -> list[float]:
    """'3,4,6' as pulse counts. Raises InputError that names the word."""
    from stream.calibrate.chain.plan import MOST_COMPARED
    from stream.errors import InputError

    counts: list[float] = []
    for word in filter(None, (word.strip() for word in text.split(","))):
        try:
            count = float(word)
        except ValueError:
            raise InputError(f"--pulses: {word!r} is not a number; write 4, or 3,4,6 to compare") from None
        if not 0 < count < float("inf"):
            raise InputError(f"--pulses: {count:g} is not a number above zero; mend it")
        counts.append(count)
    if not counts:
        raise InputError("--pulses: no number is given; write 4, or 3,4,6 to compare")
    if len(counts) > MOST_COMPARED:
        raise InputError(f"--pulses: {len(counts)} counts are too many to compare; give {MOST_COMPARED} or fewer")
    return list(dict.fromkeys(counts))


def _plan(wish: dict[str, Any]) -> "Plan":
    from stream.calibrate.chain.plan import make_plan
    from stream.calibrate.chain.sizing import ConverterWish
    from stream.errors import InputError

    for name, flag in FLAGS.items():
        value = wish[name]
        if value is not None and not (0 < value < float("inf") or (value == 0 and name in MAY_BE_ZERO)):
            raise InputError(f"{flag}: {value:g} is not a number above zero; mend it")
    if wish["output"] is not None and wish["output"] > wish["supply"]:
        raise InputError(
            f"--output: {wish['output']:g} V cannot come from a supply of {wish['supply']:g} V; "
            "lower it or raise --supply"
        )
    if wish["headroom"] >= wish["supply"]:
        raise InputError(
            f"--output-headroom: {wish['headroom']:g} V leaves nothing of a supply of {wish['supply']:g} V; "
            "lower it or raise --supply"
        )
    if wish["idle"] >= wish["redline"]:
        raise InputError(f"--idle: {wish['idle']:g} rpm is not below --redline {wish['redline']:g} rpm; mend one")
    return make_plan(
        ConverterWish(
            pulses_per_turn=wish["pulses"],
            redline_rpm=wish["redline"],
            idle_rpm=wish["idle"],
            supply_v=wish["supply"],
            output_v=wish["output"],
            output_headroom_v=wish["headroom"],
            pump=wish["pump"],
            pump_current_a=wish["pump_ua"] * 1e-6,
            input_threshold_v=wish["threshold"],
            tap_at_idle_v=wish["tap_v"],
            ripple_rpm=wish["ripple"],
            response_s=wish["response_ms"] * 1e-3,
            rpm_per_s=wish["pull"],
            capacitor_tolerance_pct=wish["tolerance"],
        ),
        ceiling_hz=wish["ceiling"],
        adc_bits=wish["bits"],
        adc_range_v=wish["adc_range"],
        excitation_v=wish["excitation"],
        amplifier_gain=wish["gain"],
        bridge=cast("BridgeKind", wish["bridge"]),
        gauge_factor=wish["gauge_factor"],
        band_rpm=wish["band"],
        wheel_hop_hz=wish["hop"],
    )


def plan_json(plan: "Plan") -> dict[str, Any]:
    """The keys of `plan --json` for one count."""
    import msgspec

    from ui.text.findings import as_json
    from ui.text.survey import PUMPS, filter_words

    keys: dict[str, Any] = msgspec.to_builtins(plan)
    del keys["converter"]["findings"]
    keys["converter"]["pump_words"] = PUMPS[plan.converter.pump]
    keys["filter"]["words"] = filter_words(plan.filter)
    return keys | as_json(plan.findings)


def compared(plan: "Plan") -> dict[str, Any]:
    """One column of the comparison of pulse counts: what the parts sized for this count do."""
    from ui.text.findings import say_all

    parts = plan.converter
    return {
        "pulses_per_turn": plan.pulses_per_turn,
        "idle_hz": plan.idle_hz,
        "redline_hz": plan.redline_hz,
        "resistor_ohm": parts.resistor_ohm,
        "capacitor_f": parts.capacitor_f,
        "smoothing_f": parts.smoothing.farad,
        "ripple_v": parts.smoothing.ripple_v,
        "ripple_rpm": parts.smoothing.ripple_rpm,
        "settle_2_pct_s": parts.smoothing.settle_2_pct_s,
        "lag_in_pull_rpm": parts.smoothing.lag_in_pull_rpm,
        "ceiling_rpm": parts.ceiling_rpm,
        "warnings": say_all(plan.findings),
    }


def print_compared(plans: "list[Plan]") -> None:
    """Pulse counts side by side, each with the parts that suit it."""
    from ui.cli.paper import console, plain_table, say_words
    from ui.text.findings import say
    from ui.text.survey import CEILING_CAUSES, DEAD_BAND_CAUSES, PUMPS

    out = console()
    rows = [compared(plan) for plan in plans]
    out.print(f"converter: {PUMPS[plans[0].converter.pump]}")
    table = plain_table("", *(f"{plan.pulses_per_turn:g} a turn" for plan in plans))
    table.columns[0].justify = "left"
    lines: list[tuple[str, Callable[[dict[str, Any]], str]]] = [
        ("idle, Hz", lambda row: f"{row['idle_hz']:.0f}"),
        ("redline, Hz", lambda row: f"{row['redline_hz']:.0f}"),
        ("R", lambda row: _ohm(row["resistor_ohm"])),
        ("C", lambda row: _farad(row["capacitor_f"])),
        ("smoothing", lambda row: _farad(row["smoothing_f"])),
        ("ripple at idle, mV", lambda row: f"{1000 * row['ripple_v']:.1f}"),
        ("ripple at idle, rpm", lambda row: f"{row['ripple_rpm']:.0f}"),
        ("settled after, ms", lambda row: f"{1000 * row['settle_2_pct_s']:.0f}"),
        ("behind in a pull, rpm", lambda row: f"{row['lag_in_pull_rpm']:.0f}"),
        ("sticks above, rpm", lambda row: f"{row['ceiling_rpm']:.0f}"),
    ]
    for name, cell in lines:
        table.add_row(name, *(cell(row) for row in rows))
    out.print(table)
    out.print("each column has the parts that suit its count; ripple is peak to peak")
    for plan in plans:
        for finding in plan.findings:
            out.print(f"note, {plan.pulses_per_turn:g} a turn: {say(finding)}")
    out.print(f"dead below one speed: {DEAD_BAND_CAUSES}")
    out.print(f"stuck above another: {CEILING_CAUSES}")
    say_words(CHAIN)


def print_plan(plan: "Plan") -> None:
    """The plan as words and tables on standard output."""
    from ui.cli.paper import console, plain_table, say_words
    from ui.text.findings import say
    from ui.text.survey import CEILING_CAUSES, DEAD_BAND_CAUSES, PUMPS, filter_words

    out = console()
    parts = plan.converter
    table = plain_table("pulses a turn", "idle Hz", "redline Hz", "stops at rpm", "")
    table.columns[4].justify = "left"
    for row in plan.pulse_ranges:
        mark = "this engine" if row.pulses_per_turn == plan.pulses_per_turn else ""
        short = "" if row.covers else "does not reach redline"
        table.add_row(
            f"{row.pulses_per_turn:g}",
            f"{row.idle_hz:.0f}",
            f"{row.redline_hz:.0f}",
            f"{row.stops_at_rpm:.0f}",
            ", ".join(part for part in (mark, short) if part),
        )
    out.print(table)
    out.print(f"for {PUMPS[parts.pump]}")
    out.print(
        f"converter: R {_ohm(parts.resistor_ohm)}, C {_farad(parts.capacitor_f)}, "
        f"smoothing {_farad(parts.smoothing.farad)}"
    )
    out.print(
        f"output: {parts.output_at_idle_v:.2f} V at idle, {parts.output_at_redline_v:.2f} V at redline; "
        f"ceiling {parts.ceiling_hz:.0f} Hz, {parts.ceiling_rpm:.0f} rpm"
    )
    out.print(
        f"stuck above: the pump is busy all the time at {parts.pump_limit_rpm:.0f} rpm; the output stage ends at "
        f"{parts.output_reach_v:.2f} V, {parts.output_limit_rpm:.0f} rpm"
    )
    dead = "" if parts.dead_below_rpm is None else f"about {parts.dead_below_rpm:.0f} rpm by the amplitudes given; "
    unknown = "--input-threshold and --tap-at-idle tell where; " if parts.dead_below_rpm is None else ""
    out.print(f"dead below: {dead}{unknown}{DEAD_BAND_CAUSES}")
    out.print(f"why a module sticks at the top: {CEILING_CAUSES}")
    out.print(
        f"the parts' tolerances put the scale off by up to ±{parts.gain_spread.worst_pct:.1f} % "
        f"(±{parts.gain_spread.rss_pct:.1f} % as a rule): that is what a fit is for"
    )
    trade = plain_table("smoothing", "ripple at idle, mV", "rpm", "settled after, ms", "behind in a pull, rpm", "")
    trade.columns[5].justify = "left"
    for choice in parts.trade:
        mark = "chosen" if choice == parts.smoothing else ""
        trade.add_row(
            _farad(choice.farad),
            f"{1000 * choice.ripple_v:.1f}",
            f"{choice.ripple_rpm:.0f}",
            f"{1000 * choice.settle_2_pct_s:.0f}",
            f"{choice.lag_in_pull_rpm:.0f}",
            mark,
        )
    out.print(trade)
    other = "once" if parts.pump == "twice" else "twice"
    share = "twice as much" if other == "once" else "half as much"
    out.print(f"ripple is peak to peak; {share} with --pump {other}: {PUMPS[other]}")
    out.print(
        f"one step of {plan.adc_bits} bits is {1000 * plan.adc_step_v:.3g} mV: {plan.adc_step_rpm:.2g} rpm, "
        f"{plan.adc_step_microstrain:.2g} microstrain"
    )
    out.print(f"live filter: {filter_words(plan.filter)}")
    for finding in plan.findings:
        out.print(f"note: {say(finding)}")
    say_words(CHAIN)


def _ohm(value: float) -> str:
    return f"{value / 1000:.3g} kΩ" if value >= 1000 else f"{value:.3g} Ω"


def _farad(value: float) -> str:
    for size, unit in ((1e-6, "µF"), (1e-9, "nF")):
        if value >= 0.9995 * size:
            return f"{value / size:.3g} {unit}"
    return f"{value * 1e12:.3g} pF"
