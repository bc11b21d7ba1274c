"""steadypull compare: tune against tune."""

from typing import TYPE_CHECKING

import click

from ui.cli.air_options import air_option, beyond_option, correction_for
from ui.cli.options import band_option, json_option, read_pulls, sessions_argument

if TYPE_CHECKING:
    from stream.study.compare.compare import Comparison


@click.command("compare")
@sessions_argument
@click.option("--base", required=True, metavar="LABEL", help="The tune to compare with.")
@click.option("--trial", required=True, metavar="LABEL", help="The tune that is tried.")
@band_option
@air_option
@beyond_option
@json_option
def command(
    session_paths: tuple[str, ...],
    base: str,
    trial: str,
    width: float,
    air: tuple[str, ...],
    beyond_range: bool,
    as_json: bool,
) -> int:
    """Change of load from base to trial in each rev band and overall; pulls are the replicates."""
    import msgspec

    from stream.study.compare.coach import day_resolves
    from stream.study.compare.compare import compare
    from ui.cli.results import print_json
    from ui.text.findings import say_all

    pulls, words = read_pulls(session_paths)
    factors, said = correction_for(pulls, session_paths, air, beyond_range)
    result = compare(pulls, base, trial, width, factors)
    result = msgspec.structs.replace(result, warnings=(*result.warnings, *words, *say_all(said)))
    if as_json:
        print_json(msgspec.to_builtins(result))
    else:
        both = [pull for pull in pulls if pull.tune in (base, trial)]
        print_comparison(result, day_resolves(both, width), width)
    return 0


def print_comparison(result: "Comparison", resolves_pct: float | None, width: float) -> None:
    """What the day resolves, the verdict, the bands, and what to mind, on standard output."""
    from ui.cli.paper import console, plain_table, say_warnings
    from ui.text.comparison import band_words, more_pulls_words, verdict_words
    from ui.text.figures import pct, pull_load

    out = console()
    out.print(
        "Your day resolves ? %: no two clean pulls on one tune yet."
        if resolves_pct is None
        else f"Your day resolves {pct(resolves_pct)} % (by the repeat pulls on one tune)."
    )
    out.print(verdict_words(result))
    out.print(band_words(result, width))
    table = plain_table("rpm", result.base, result.trial, "change %", "from", "to", "")
    for band in result.bands:
        sides = ((band.base_mean, band.base_n), (band.trial_mean, band.trial_n))
        means = ["" if value is None else f"{pull_load(value)} ({count})" for value, count in sides]
        table.add_row(
            f"{band.rpm:.0f}",
            *means,
            "" if band.change_pct is None else pct(band.change_pct, sign=True),
            "" if band.low_pct is None else pct(band.low_pct, sign=True),
            "" if band.high_pct is None else pct(band.high_pct, sign=True),
            "resolved" if band.resolved else "",
        )
    out.print(table)
    out.print(f"Load in {result.unit or 'no unit'} (pulls); from and to are the 95 % interval.")
    out.print(more_pulls_words(result))
    say_warnings(out, result.warnings)
