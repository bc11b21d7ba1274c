"""steadypull shunt and weigh: prove the load chain with a resistor across one arm, or with weights."""

from typing import TYPE_CHECKING

import click

from ui.cli.options import json_option

if TYPE_CHECKING:
    from stream.calibrate.link.bridge import ForceFit


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
    from ui.cli.process import print_json
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


@click.command("weigh")
@click.argument("words", nargs=-1, required=True, metavar="SESSION")
@click.option("--at", "at", multiple=True, required=True, metavar="START_S=NEWTON …", help="From here on so much hung.")
@click.option("--seconds", type=float, default=3.0, metavar="S", help="How long each hung still.  [3]")
@click.option("--weight-error", type=float, default=1.0, metavar="PCT", help="How well a weight is known.  [1]")
@json_option
def weigh_command(
    words: tuple[str, ...], at: tuple[str, ...], seconds: float, weight_error: float, as_json: bool
) -> int:
    """Find how many newtons one unit of the link is, from known weights hung on it; 1 kg pulls 9.81 N.

    Hang them up and take them down again: the difference shows friction. Nothing hung is a weight too.
    """
    import msgspec

    from stream.study.survey.link import weigh
    from ui.cli.options import split_pairs
    from ui.cli.process import print_json
    from ui.text.findings import as_json as findings_json

    paths, pairs = split_pairs(words, at)
    if len(paths) != 1:
        raise click.UsageError("give one session and the weights behind --at, as 12=0 20=98.1 28=196.2")
    fit, steps, unit = weigh(paths[0], [_pair(text) for text in pairs], seconds, weight_error)
    if as_json:
        rows = [{"start_s": step.start_s, "mean": step.mean, "sem": step.sem} for step in steps]
        print_json({**msgspec.to_builtins(fit), **findings_json(fit.findings), "unit": unit, "steps": rows})
        return 0
    _print(fit, unit or "unit", hung_twice=len({_pair(text)[1] for text in pairs}) < len(pairs))
    return 0


def _print(fit: "ForceFit", unit: str, *, hung_twice: bool) -> None:
    from ui.cli.paper import console
    from ui.text.figures import figures
    from ui.text.findings import say_all

    out = console()
    uncertainty = 1.96 * fit.u_newtons_per_unit
    out.print(
        f"1 {unit} is {figures(fit.newtons_per_unit, uncertainty)} ± {figures(uncertainty, uncertainty)} N (95 %)"
    )
    scatter = f"the weights scatter by {figures(fit.residual_sd_n, fit.residual_sd_n)} N"
    if hung_twice:
        out.print(f"{scatter}; up and down differ by {fit.hysteresis_pct_span:.1f} % of the span")
    else:
        out.print(f"{scatter}; no weight was hung twice, so friction in the link's bushes cannot show")
    for line in say_all(fit.findings):
        out.print(f"note: {line}")
    rounded = figures(fit.newtons_per_unit, uncertainty / 10)
    click.echo(f"for the load channel of the car file: newtons_per_unit = {rounded}", err=True)


def _pair(text: str) -> tuple[float, float]:
    start, equals, force = text.partition("=")
    try:
        if equals:
            return float(start), float(force)
    except ValueError:
        pass
    raise click.UsageError(f"--at: {text!r} is not START_S=NEWTON; write it as 20=98.1")
