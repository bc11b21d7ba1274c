"""steadypull plan: frequencies, converter parts and resolution, before anything is built."""

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import click

from ui.cli.options import Decorator, json_option
from ui.cli.paper import print_parts, say_words
from ui.text.cautions import CHAIN
from ui.text.chain import farad, ohm, plan_parts

if TYPE_CHECKING:
    from stream.calibrate.chain.plan import Plan

TOLD, OTHER_PUMP = "not known; give --input-threshold and --tap-at-idle", "with --pump {other}"
BRIDGES = ("quarter", "half-poisson", "half-bending", "full-bending", "full-axial", "full-torsion")


def _number(flag: str, default: float | None, metavar: str, text: str) -> Decorator:
    shown = "" if default is None else f"  [{default:g}]"
    return click.option(flag, type=float, default=default, metavar=metavar, help=text + shown)


@click.command("plan")
@click.option(
    "--pulses",
    required=True,
    metavar="N[,N…]",
    help="Pulses of the tap per turn of the crankshaft; several counts are compared side by side.",
)
@click.option("--redline", type=float, required=True, metavar="RPM", help="The highest speed that must be seen.")
@_number("--idle", 800.0, "RPM", "The lowest.")
@_number("--supply", 5.0, "V", "Supply of the converter.")
@click.option(
    "--pump",
    type=click.Choice(("twice", "once")),
    default="twice",
    help="How often in a cycle the pump moves charge: half of it in each half cycle, as common integrated converters "
    "do, or all of it once.  [twice]",
)
@_number("--output-headroom", 1.5, "V", "How far below its supply the output stage stops; data sheet.")
@_number(
    "--output",
    None,
    "V",
    "What it shall give a little above redline; 0 V is standing.  [supply less headroom, 4.5 at most]",
)
@_number("--pump-current", 150.0, "UA", "The most its pump delivers, microamperes; from its data sheet.")
@_number("--input-threshold", None, "V", "Amplitude its input needs to see a pulse, hysteresis included.")
@_number("--tap-at-idle", None, "V", "Amplitude of the tap's pulses at idle, where it grows with speed.")
@_number("--ceiling", None, "HZ", "The highest frequency of a converter that is there already.")
@_number("--ripple", 60.0, "RPM", "Ripple that may be left at idle, peak to peak.")
@_number("--response", 100.0, "MS", "How soon the output must have followed, within 2 %.")
@_number("--pull", 1500.0, "RPM/S", "How fast the engine gains speed in a hard pull.")
@_number("--tolerance", 5.0, "PCT", "Of the timing capacitor.")
@click.option("--bits", type=int, default=12, metavar="N", help="Bits of the analogue input.  [12]")
@_number("--input-range", 5.0, "V", "What the analogue input covers.")
@_number("--excitation", 5.0, "V", "Supply of the strain bridge.")
@_number("--gain", 500.0, "X", "Gain of its amplifier.")
@click.option(
    "--bridge",
    type=click.Choice(BRIDGES),
    default="full-bending",
    metavar="KIND",
    help=f"How the gauges sit: {', '.join(BRIDGES)}.  [full-bending]",
)
@_number("--gauge-factor", 2.0, "K", "Off the gauges' packet.")
@_number("--band", 250.0, "RPM", "Width of the rev bands that pulls are studied in.")
@_number("--wheel-hop", 12.0, "HZ", "Where the axle bounces: 10 to 15 on most cars.")
@json_option
def command(as_json: bool, **wish: Any) -> int:
    """Plan the chain on paper: what the tap gives, which parts the converter needs, what the input resolves.

    The engine-speed tap is buffered and proved standing still first, for a bad one can stall the engine in traffic; its
    supply is fused. Gauges are glued, never ground, drilled or heated into a suspension part.
    """
    from ui.cli.live_text import warn
    from ui.cli.process import print_json
    from ui.text.findings import say_all

    plans = [_plan(wish | {"pulses": count}) for count in _counts(wish["pulses"])]
    if as_json:
        warn(tuple(say_all(finding for plan in plans for finding in plan.findings)))
        print_json(plan_json(plans[0]) | {"compared": [compared(plan) for plan in plans]})
    elif len(plans) == 1:
        print_parts(plan_parts(plans[0], TOLD, OTHER_PUMP))
        say_words(CHAIN)
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
    from stream.calibrate.chain.plan import plan_of

    asked = {name.replace("_", "-"): value for name, value in wish.items()}
    others = {name: asked.pop(name) for name in ("bits", "bridge", "pump")}
    return plan_of(asked, **others)


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
    from ui.cli.paper import console, plain_table
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
        ("R", lambda row: ohm(row["resistor_ohm"])),
        ("C", lambda row: farad(row["capacitor_f"])),
        ("smoothing", lambda row: farad(row["smoothing_f"])),
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
