"""steadypull advise-mixture: fuel multipliers for the cells of the person's own table, or that table multiplied out."""

from typing import TYPE_CHECKING

import click

from ui.cli.options import json_option, sessions_argument

if TYPE_CHECKING:
    from stream.study.tables.mixture import MixtureAdvice


@click.command("advise-mixture")
@sessions_argument
@click.option(
    "--target",
    "target_path",
    required=True,
    metavar="TARGET.csv",
    help="Table of wanted λ: rpm along the side or the top, manifold pressure or throttle along the other; the corner "
    "says which, as in kPa\\rpm (side, then top).",
)
@click.option(
    "--fuel",
    "fuel_path",
    metavar="FUEL.csv",
    help="The fuel table in the car, in any measure of an amount; -o then writes it back multiplied, in its own shape.",
)
@click.option(
    "--stoichiometric",
    "ratio",
    type=float,
    default=14.7,
    metavar="RATIO",
    help="Air-fuel ratio that is λ 1, for a channel in AFR.  [14.7]",
)
@click.option(
    "--lean-at-load",
    is_flag=True,
    help="A wanted λ above 1.0 at high load is meant. Without it nothing is leaned there.",
)
@click.option(
    "-o",
    "csv_path",
    metavar="TABLE.csv",
    help="Write the fuel table multiplied out, or without --fuel the multipliers in the target's shape, to a new file, "
    "ready to paste; TABLE-why.csv beside it says per cell why.",
)
@json_option
def command(
    session_paths: tuple[str, ...],
    target_path: str,
    fuel_path: str | None,
    ratio: float,
    lean_at_load: bool,
    csv_path: str | None,
    as_json: bool,
) -> int:
    """Fuel multiplier per cell, bounded and lopsided: richer up to 10 %, leaner up to 3 %; a person decides."""
    from contextlib import ExitStack
    from pathlib import Path

    from stream.record.names import write_text
    from stream.study.dataset import open_datasets
    from stream.study.tables.mixture import advise_mixture
    from stream.study.tables.mixture_steps import read_steps
    from stream.study.tables.user_table import companion, read_fuel, read_target
    from ui.cli.options import new_file
    from ui.cli.process import print_json
    from ui.text.mixture import advice_json, table_files

    path = new_file("-o", csv_path)
    if path is not None:
        new_file("-o", str(companion(path)))
    target = read_target(Path(target_path))
    fuel = None if fuel_path is None else read_fuel(Path(fuel_path))
    folders = {one.parent for one in (path, None if fuel is None else fuel.path) if one is not None}
    if fuel is not None:
        folders |= {Path(one).parent for one in session_paths}
    with ExitStack() as stack:
        drives = [stack.enter_context(one) for one in open_datasets(session_paths)]
        steps = read_steps(folders)
        advice = advise_mixture(drives, target, fuel, stoichiometric=ratio, lean_at_load=lean_at_load, steps=steps)
        if path is not None:
            table, why = table_files(advice)
            write_text(companion(path), why)  # first: no table without what it came from
            write_text(path, table, advice.grid.encoding)
    if as_json:
        print_json(advice_json(advice))
        return 0
    _print(advice)
    if path is not None:
        click.echo(f"{'fuel table' if fuel else 'multipliers'}: {path}; per cell why: {companion(path)}")
    return 0


def _print(advice: "MixtureAdvice") -> None:
    """What is dangerous first, the whole grid, the evidence of the cells that were reached, then the rest."""
    from ui.cli.paper import console, plain_table, say_warnings
    from ui.text.figures import interval
    from ui.text.findings import say, say_all
    from ui.text.mixture import counts, multiplier

    out = console()
    for finding in advice.findings:
        if finding.severity == "danger":
            out.print(f"DANGER: {say(finding)}.")
    out.print(counts(advice))
    out.print(
        "Fuel multiplier: proposed times what the table has now. ▲ richer, ▼ leaner; only cells that were reached."
    )
    unit = advice.grid.unit if advice.grid.unit != "1" else "throttle"
    heads = ("rpm", unit, "multiplier", "95 %", "hits", *(("fuel now", "then") if advice.fuel else ()))
    table = plain_table(*heads)
    reached = [cell for cell in advice.cells if cell.n or cell.why.code == "fuel-cell-odd"]
    for cell in reached:
        fuel = (f"{cell.fuel_now:g}", f"{cell.fuel_proposed:g}") if advice.fuel else ()
        table.add_row(
            f"{cell.rpm:g}",
            f"{cell.second_axis:g}",
            multiplier(cell),
            interval(cell.low, cell.high, 3),
            str(cell.n),
            *fuel,
        )
    out.print(table)
    empty = len(advice.cells) - len(reached)
    if empty:
        out.print(f"{empty} of {len(advice.cells)} cells were not reached and are left as they are.")
    out.print("Evidence, measured over wanted with its 95 % interval:")
    for cell in reached:
        out.print(f"{cell.rpm:g}, {cell.second_axis:g}: {say(cell.why)}")
    say_warnings(out, say_all(one for one in advice.findings if one.severity != "danger"))
