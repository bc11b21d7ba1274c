"""steadypull compare: tune against tune."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from ui.cli.air import air_option, beyond_option, wanted_air
from ui.cli.options import (
    at_least_zero,
    band_option,
    history_option,
    json_option,
    read_day,
    sessions_argument,
)

if TYPE_CHECKING:
    from stream.findings import Finding
    from stream.study.compare.answer import Comparison
    from stream.study.compare.coach import Resolves
    from stream.study.compare.compare import Several


@click.command("compare")
@sessions_argument
@click.option("--base", required=True, metavar="LABEL", help="The tune to compare with.")
@click.option(
    "--trial",
    "trials",
    required=True,
    multiple=True,
    metavar="LABEL",
    help="The tune that is tried; several of them make one table, all pairs one family.",
)
@band_option
@air_option
@beyond_option
@history_option
@click.option(
    "--drift",
    "drift_pct",
    type=float,
    default=2.0,
    metavar="PCT",
    help="Standard uncertainty of a drift through the day, counted where the order would not show one.  [2]",
)
@json_option
def command(
    session_paths: tuple[str, ...],
    base: str,
    trials: tuple[str, ...],
    width: float,
    air: tuple[str, ...],
    beyond_range: bool,
    history: str | None,
    drift_pct: float,
    as_json: bool,
) -> int:
    """Change of load from base to trial in each rev band and overall; turns of pulls are the replicates."""
    from stream.door import compare, correction, scatter_before
    from stream.study.compare.coach import day_resolves
    from stream.study.compare.compare import compare_several
    from ui.cli.process import print_json
    from ui.text.comparison import comparison_json

    at_least_zero("--drift", drift_pct)
    day = read_day(session_paths)
    kept = wanted_air(session_paths, air)
    if len(trials) > 1:
        scatter, corrected = scatter_before(day, history, width), correction(day, kept, beyond_range=beyond_range)
        several = compare_several(day.pulls, base, trials, width, corrected.factors, scatter, drift_pct)
        return _several(several, [*day.findings, *corrected.findings], as_json)
    trial = trials[0]
    result = compare(
        day,
        base,
        trial,
        band_rpm=width,
        air=kept,
        beyond_range=beyond_range,
        history=history,
        drift_pct=drift_pct,
    )
    if as_json:
        print_json(comparison_json(result, day.findings))
    else:
        both = [pull for pull in day.pulls if pull.tune in (base, trial)]
        print_comparison(result, day_resolves(both, width), width, day.findings)
    return 0


def _several(result: "Several", remarks: "Sequence[Finding]", as_json: bool) -> int:
    """Three tunes and more: a line for each trial, and the order where pairs are told apart."""
    from ui.cli.paper import console, plain_table, say_warnings
    from ui.cli.process import print_json
    from ui.text.comparison import ranking_words, several_json
    from ui.text.figures import pct
    from ui.text.findings import say_all

    if as_json:
        print_json(several_json(result, remarks))
        return 0
    out = console()
    table = plain_table("tune", "pulls", "change %", "from", "to", "", "resolved by band")
    for one in result.comparisons:
        figures = (one.overall.change_pct, one.overall.low_pct, one.overall.high_pct)
        bands = sum(band.resolved for band in one.bands)
        table.add_row(
            one.trial,
            str(one.pulls.trial),
            *("" if value is None else pct(value, sign=True) for value in figures),
            "resolved" if one.overall.resolved else "",
            f"{bands} of {len(one.bands)}",
        )
    out.print(f"Against {result.base}, {result.family} comparisons as one family:")
    out.print(table)
    out.print(ranking_words(result))
    for tune, why in result.not_compared.items():
        out.print(f"{tune}: {why}")
    findings = [finding for one in result.comparisons for finding in one.findings]
    say_warnings(out, list(dict.fromkeys(say_all([*findings, *remarks]))))
    return 0


def print_comparison(
    result: "Comparison", resolves: "Resolves | None", width: float, remarks: "Sequence[Finding]" = ()
) -> None:
    """What the day resolves, the verdict, the bands, and what to mind, on standard output."""
    from ui.cli.paper import console, plain_table, say_warnings
    from ui.text.comparison import (
        band_words,
        day_line,
        left_out_lines,
        look_line,
        more_pulls_words,
        shape_words,
        verdict_words,
    )
    from ui.text.figures import pct, pull_load
    from ui.text.findings import say_all

    out = console()
    out.print(day_line(resolves))
    out.print(verdict_words(result))
    for line in (look_line(result), band_words(result, width), shape_words(result, width)):
        if line:
            out.print(line)
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
    for line in left_out_lines(result):
        out.print(line)
    say_warnings(out, say_all([*result.findings, *remarks]))
