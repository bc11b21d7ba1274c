"""steadypull advise-mixture: fuel multipliers for the cells of the person's own table."""

import click

from ui.cli.options import json_option
from ui.cli.study_options import sessions_argument


@click.command("advise-mixture")
@sessions_argument
@click.option(
    "--target",
    "target_path",
    required=True,
    metavar="TARGET.csv",
    help="Wanted λ: first row manifold_pressure or throttle and its values, first column rpm.",
)
@click.option(
    "--stoichiometric",
    "ratio",
    type=float,
    default=14.7,
    metavar="RATIO",
    help="Air-fuel ratio that is λ 1, for a channel in AFR.  [14.7]",
)
@click.option("-o", "csv_path", metavar="FILE.csv", help="Write the multipliers to a new file with the target's axes.")
@json_option
def command(session_paths: tuple[str, ...], target_path: str, ratio: float, csv_path: str | None,
            as_json: bool) -> int:  # fmt: skip
    """Fuel multiplier per cell, bounded and lopsided: richer up to 10 %, leaner up to 3 %; a person decides."""
    from pathlib import Path

    import msgspec

    from stream.record.text_file import write_text
    from stream.study.dataset import open_datasets
    from stream.study.tables.mixture import advise_mixture, multiplier_csv
    from stream.study.tables.user_table import read_target
    from ui.cli.advice_text import print_advice
    from ui.cli.options import new_file
    from ui.cli.results import print_json

    path = new_file("-o", csv_path)
    target = read_target(Path(target_path))
    advice = advise_mixture(open_datasets(session_paths), target, ratio)
    if path is not None:
        write_text(path, multiplier_csv(advice, target))
    if as_json:
        print_json(msgspec.to_builtins(advice))
    else:
        print_advice(
            advice,
            "Fuel multiplier: proposed times what the table has now; empty: too few hits.",
            "measured over wanted",
            3,
        )
        if path is not None:
            click.echo(f"multipliers: {path}")
    return 0
