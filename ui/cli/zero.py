"""steadypull zero: declare a stretch as zero load."""

import sys
from typing import TYPE_CHECKING, Any

import click

from ui.cli.options import json_option

if TYPE_CHECKING:
    from stream.study.edit import DeclaredZero

ASKED = "in neutral, brakes off, on the level"


@click.command("zero")
@click.argument("paths", metavar="SESSION…", nargs=-1, required=True)
@click.option("--from", "start_s", type=float, metavar="S", help="Where the stretch begins.")
@click.option("--to", "end_s", type=float, metavar="S", help="Where it ends, two seconds later or more.")
@click.option("--standing", is_flag=True, help="The quiet stretch that the session itself proposes; it is shown first.")
@click.option("--yes", is_flag=True, help=f"With --standing: yes, the car stood {ASKED}.")
@click.option("--rolling", is_flag=True, help="A free roll in neutral, in place of standing.")
@json_option
def command(
    paths: tuple[str, ...],
    start_s: float | None,
    end_s: float | None,
    standing: bool,
    yes: bool,
    rolling: bool,
    as_json: bool,
) -> int:
    """Declare that the link carried nothing in this stretch: in neutral, brakes off, on the level.

    Take a second one from a free roll in neutral: the gap between the two is what one alone cannot show.
    """
    from stream.study.edit import declare_zero, one_deed, standing_stretch
    from ui.cli.process import print_json

    if standing == (start_s is not None or end_s is not None):
        raise click.UsageError("give either --from and --to, or --standing")
    if standing and rolling:
        raise click.UsageError("--standing and --rolling exclude each other; name the roll by --from and --to")
    if not standing and (start_s is None or end_s is None):
        raise click.UsageError("--from and --to belong together; give both")
    declared, together = [], one_deed(len(paths))
    for path in paths:
        first, last = standing_stretch(path) if standing else (start_s or 0.0, end_s or 0.0)
        confirmed = _confirmed(path, first, last) if standing and not yes else True
        if confirmed is None:
            click.echo(f"{path}: no zero taken", err=True)
            continue
        declared.append(declare_zero(path, first, last, rolling=rolling, confirmed=confirmed, together=together))
    if as_json:
        rows = [_json(one) for one in declared]
        print_json(rows[0] if len(paths) == 1 and rows else rows)
        return 0
    for one in declared:
        _print(one)
    return 0


def _confirmed(path: str, start_s: float, end_s: float) -> bool | None:
    """Whether a person says that the car stood as it must; False without an answer, None for a no."""
    click.echo(
        f"{path}: quiet from {start_s:.1f} to {end_s:.1f} s. Did the car stand there {ASKED}? [y/n] ",
        err=True,
        nl=False,
    )
    answer = sys.stdin.readline().strip().lower()
    if not answer:
        click.echo("", err=True)
        return False
    return True if answer in ("y", "yes") else None


def _json(one: "DeclaredZero") -> dict[str, Any]:
    import msgspec

    return {
        **msgspec.to_builtins(one.zero),
        "doubt": one.u_mean,
        "u_noise": one.zero.doubt,
        "unit": one.unit,
        "confirmed": one.confirmed,
    }


def _print(one: "DeclaredZero") -> None:
    import math

    uncertainty = 1.96 * one.u_mean
    decimals = max(0, 1 - math.floor(math.log10(uncertainty))) if uncertainty > 0 else 6
    value = f"{one.zero.mean:.{decimals}f} ± {uncertainty:.{decimals}f} {one.unit}".rstrip()
    click.echo(f"zero from {one.zero.start_s:g} to {one.zero.end_s:g} s: {value} (95 %)")
    if not one.confirmed:
        click.echo(f"Nobody said that the car stood {ASKED}: its uncertainty is wider for that. --yes says it.")
