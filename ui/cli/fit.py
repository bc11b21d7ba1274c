"""steadypull fit and apply: holds to a speed calibration, and that to sessions."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ui.cli.options import json_option, new_file

if TYPE_CHECKING:
    from stream.calibrate.speed.calfile import SpeedCalibration

MODELS = ("auto", "line", "through-zero", "piecewise")
FILE_ONLY = ("knots", "knot_covariance", "scatter_dof", "points", "findings")  # in SPEED.toml, or said otherwise here


@click.command("fit")
@click.argument("words", nargs=-1, required=True, metavar="SESSION…")
@click.option("--targets", metavar="RPM,…", help="The speeds that were held: lowest first, or as driven.")
@click.option("--at", "at", multiple=True, metavar="START_S=RPM …", help="The hold at this time was this speed.")
@click.option(
    "--reading-error",
    type=float,
    default=50.0,
    metavar="RPM",
    help="How well the reference can be read, one standard deviation: a needle 50, a readout 10.  [50]",
)
@click.option(
    "--scale-error",
    type=float,
    default=1.0,
    metavar="PCT",
    help="How far the reference may be off altogether, one standard deviation: a dashboard 1.  [1]",
)
@click.option("--model", type=click.Choice(MODELS), default="auto", help="A line, unless the holds speak against it.")
@click.option("-o", "out", metavar="SPEED.toml", help="Write the calibration; a new file.")
@click.option("--car", "car_path", metavar="CAR.toml", help="In place of the car file that the session carries.")
@json_option
def command(
    words: tuple[str, ...],
    targets: str | None,
    at: tuple[str, ...],
    reading_error: float,
    scale_error: float,
    model: str,
    out: str | None,
    car_path: str | None,
    as_json: bool,
) -> int:
    """Make a speed calibration from held speeds, with its uncertainty.

    Several sessions of one car and chain are taken together. Sessions are not changed: 'apply' does that.
    """
    from stream.calibrate.speed.calfile import save_calibration
    from stream.calibrate.speed.match import parse_at, parse_targets
    from stream.study.speed import Reference, fit_row, load_row
    from ui.cli.live_text import warn
    from ui.cli.options import given_car, say_foreign, split_pairs
    from ui.cli.process import print_json
    from ui.text.findings import say, say_all

    paths, pairs = split_pairs(words, at)
    if targets is not None and pairs:
        raise click.UsageError("give either --targets or --at, one of the two")
    if not paths:
        raise click.UsageError("no session is given; name one before --at")
    reference = Reference(
        targets=None if targets is None else parse_targets(targets),
        at=parse_at(pairs) if pairs else None,
        reading_error_rpm=reading_error,
        scale_error_pct=scale_error,
        model=model,
    )
    target = new_file("-o", out)
    row = load_row(paths, given_car(car_path))
    say_foreign(row.sessions, car_path)
    calibration = fit_row(row, reference)
    if target is not None:
        save_calibration(calibration, target, say)
    if as_json:
        warn(say_all(calibration.findings))
        print_json(fit_json(calibration))
    else:
        print_fit(calibration)
        _say_next(target, paths)
    return 0


def fit_json(calibration: "SpeedCalibration") -> dict[str, Any]:
    """The keys of `fit --json`."""
    from stream.calibrate.speed.speed_model import SpeedFit
    from ui.text.findings import as_json, say

    keys = {name: getattr(calibration, name) for name in SpeedFit.__struct_fields__ if name not in FILE_ONLY}
    keys["points"] = [
        {
            "signal": point.signal,
            "target_rpm": point.target_rpm,
            "residual_rpm": point.residual_rpm,
            "used": point.used,
            "why_not": "" if point.why is None else say(point.why),
            "reason": point.reason,
        }
        for point in calibration.points
    ]
    return keys | as_json(calibration.findings)


def print_fit(calibration: "SpeedCalibration") -> None:
    """The points, the line with its uncertainty, and what there is to say, on standard output."""
    from ui.cli.paper import console, plain_table
    from ui.text.findings import say_all
    from ui.text.speed import SHORT_REASONS

    out = console()
    unit = calibration.unit or "unit"
    table = plain_table(unit, "target rpm", "off by rpm", "")
    table.columns[3].justify = "left"
    for point in calibration.points:
        table.add_row(
            f"{point.signal:.4f}",
            "" if point.target_rpm is None else f"{point.target_rpm:.0f}",
            _signed(point.residual_rpm),
            "" if point.used else f"not used: {SHORT_REASONS[point.reason]}",
        )
    out.print(table)
    out.print(_line_words(calibration, unit))
    first, last = calibration.valid_from, calibration.valid_to
    for rpm in (first, (first + last) / 2, last):
        low, high = calibration.interval(calibration.signal(rpm))
        out.print(f"at {rpm:.0f} rpm: ±{(float(high) - float(low)) / 2:.0f} rpm (95 %)")
    out.print(
        f"holds scatter by {calibration.residual_sd_rpm:.0f} rpm; proved from {calibration.valid_from:.0f} "
        f"to {calibration.valid_to:.0f} rpm; the reference's scale error of {calibration.scale_error_pct:g} % is in "
        "the ±"
    )
    for line in say_all(calibration.findings):
        out.print(f"note: {line}")


def _signed(rpm: float | None) -> str:
    if rpm is None:
        return ""
    return f"{rpm:+.0f}" if round(rpm) else "0"


def _line_words(calibration: "SpeedCalibration", unit: str) -> str:
    """The line, each number to the second figure of its own standard uncertainty; the file keeps them all."""
    from ui.text.figures import figures

    slope = figures(calibration.slope_rpm_per_unit, calibration.u_slope)
    zero = figures(abs(calibration.intercept_rpm), calibration.u_intercept)
    sign = "-" if calibration.intercept_rpm < 0 else "+"
    return f"{calibration.model}: rpm = {slope} · {unit} {sign} {zero}"


def _say_next(target: Path | None, paths: list[str]) -> None:
    from ui.cli.paper import say_words

    if target is None:
        say_words("nothing was written; -o SPEED.toml keeps it")
    else:
        say_words(f"{target}: written. Next, for this session and those of the same day and chain:")
        click.echo(f"  steadypull apply {target} {' '.join(paths)}", err=True)


@click.command("apply")
@click.argument("speed_path", metavar="SPEED.toml")
@click.argument("paths", nargs=-1, required=True, metavar="SESSION…")
def apply_command(speed_path: str, paths: tuple[str, ...]) -> int:
    """Attach a calibration to sessions: from now on their speeds are reported by it.

    What was recorded stays as it is, and so does every calibration that was attached before.
    """
    from stream.calibrate.speed.calfile import load_calibration
    from stream.study.edit import apply_calibration
    from ui.cli.live_text import warn
    from ui.cli.paper import say_words
    from ui.text.figures import moment
    from ui.text.findings import say

    calibration = load_calibration(speed_path)
    warn(f"{path}: {say(finding)}" for path, finding in apply_calibration(calibration, paths, say))
    made = moment(calibration.when) if calibration.when else "at an unknown time"
    for path in paths:
        say_words(f"{path}: speeds are now by {speed_path}, made {made}")
    return 0
