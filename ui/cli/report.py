"""steadypull report: the printed session."""

from pathlib import Path

import click

from stream.errors import InputError
from ui.cli.air import NONE, air_option, beyond_option, readings_of
from ui.cli.options import band_option, positive, sessions_argument

ENDINGS = (".html", ".htm", ".pdf")


@click.command("report")
@sessions_argument
@click.option("-o", "out", required=True, metavar="FILE", help="The file to write, .html or .pdf.")
@click.option("--force", is_flag=True, help="Write over a file that is there.")
@click.option("--base", metavar="LABEL", help="The tune to compare the others with.  [the first one driven]")
@click.option("--advance", "advance_path", metavar="ADVANCE.csv", help="Propose advance; needs --now too.")
@click.option("--now", metavar="LABEL", help="The tune that is in the car now, for --advance.")
@click.option("--none-heard", is_flag=True, help="A person listened in the pulls of --now and heard no knock.")
@click.option("--target", "target_path", metavar="TARGET.csv", help="Propose fuel multipliers for this table of λ.")
@click.option("--fuel", "fuel_path", metavar="FUEL.csv", help="The fuel table in the car, for --target.")
@band_option
@air_option
@beyond_option
def command(
    session_paths: tuple[str, ...],
    out: str,
    force: bool,
    base: str | None,
    advance_path: str | None,
    now: str | None,
    none_heard: bool,
    target_path: str | None,
    fuel_path: str | None,
    width: float,
    air: tuple[str, ...],
    beyond_range: bool,
) -> int:
    """The sessions on paper: car, day, calibration, holds, pulls, curves, tunes compared, power, proposals, and where
    each number comes from. One file, readable and printable anywhere.

    Power is in it where the car file has mass, gearing and rolling radius; proposals where their table is given.
    """
    target = _target(out, force)
    positive("--band", width)
    from ui.cli.doors import write_report

    write_report(
        session_paths,
        target,
        width_rpm=width,
        base=base,
        air=None if NONE in air else readings_of(session_paths, air),
        kept_air=NONE not in air,
        beyond_range=beyond_range,
        advance=advance_path,
        now=now,
        none_heard=none_heard,
        target=target_path,
        fuel=fuel_path,
    )
    click.echo(f"report: {target}")
    return 0


def _target(out: str, force: bool) -> Path:
    target = Path(out)
    if target.suffix.lower() not in ENDINGS:
        raise InputError(f"{target}: -o wants a name that ends in .html or .pdf")
    if not target.parent.is_dir():
        raise InputError(f"{target.parent}: no such folder for -o; make it first")
    if target.is_dir() or (target.exists() and not force):
        raise InputError(f"{target}: is already there; give -o another name, or add --force to write over it")
    return target
