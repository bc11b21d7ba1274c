"""steadypull shunt: prove the load chain with a resistor across one arm of the bridge."""

import click

from ui.cli.options import json_option


@click.command("shunt")
@click.argument("path", required=False, metavar="[SESSION]")
@click.option(
    "--gauge", "gauge_ohm", type=float, required=True, metavar="OHM", help="Resistance of one gauge: 120, 350."
)
@click.option("--resistor", "shunt_ohm", type=float, required=True, metavar="OHM", help="The resistor put across it.")
@click.option("--off", "off_s", type=float, metavar="S", help="From here on the resistor was off, in the session.")
@click.option("--on", "on_s", type=float, metavar="S", help="From here on it was on.")
@click.option("--moved", type=float, metavar="MV_PER_V", help="By how much the reading moved, in place of a session.")
@click.option("--seconds", type=float, default=2.0, metavar="S", help="How long to look each time.  [2]")
@click.option(
    "--arm",
    type=click.Choice(["tension", "compression"]),
    default="tension",
    help="The gauge is one that load stretches, or presses.  [tension]",
)
@json_option
def command(
    path: str | None,
    gauge_ohm: float,
    shunt_ohm: float,
    off_s: float | None,
    on_s: float | None,
    moved: float | None,
    seconds: float,
    arm: str,
    as_json: bool,
) -> int:
    """Compare how far a shunt resistor moves the reading with how far it must."""
    import math
    from typing import Literal, cast

    import msgspec

    from stream.calibrate.link.bridge import judge_shunt
    from stream.errors import InputError
    from stream.study.survey.link import load_steps
    from ui.cli.results import print_json
    from ui.text.survey import shunt_words

    uncertainty = 0.0
    if (path is None) == (moved is None):
        raise click.UsageError("give either --moved MV_PER_V, or a session with --off S and --on S")
    if path is not None:
        if off_s is None or on_s is None:
            raise click.UsageError("a session needs --off S and --on S: where the resistor was off, and on")
        (off, on), unit = load_steps(path, [off_s, on_s], seconds, "shunt")
        if unit != "mV/V":
            raise InputError(f"{path}: shunt: the link is in {unit or 'no unit'}; give --moved in mV/V instead")
        moved, uncertainty = on.mean - off.mean, math.hypot(on.sem, off.sem)
    verdict = judge_shunt(
        moved or 0.0,
        gauge_ohm=gauge_ohm,
        shunt_ohm=shunt_ohm,
        u_measured=uncertainty,
        arm=cast(Literal["tension", "compression"], arm),
    )
    if as_json:
        print_json({**msgspec.to_builtins(verdict), "words": shunt_words(verdict)})
    else:
        click.echo(f"due {verdict.expected_mv_per_v:+.4f} mV/V, moved {verdict.measured_mv_per_v:+.4f} mV/V")
        click.echo(f"{verdict.verdict}: {shunt_words(verdict)}")
    return 0
