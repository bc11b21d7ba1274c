"""steadypull compare: tune against tune."""

from typing import TYPE_CHECKING

import click

from ui.cli.options import json_option
from ui.cli.study_options import air_of, air_option, band_option, beyond_option, read_pulls, sessions_argument

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
def command(session_paths: tuple[str, ...], base: str, trial: str, width: float, air: tuple[str, ...],
            beyond_range: bool, as_json: bool) -> int:  # fmt: skip
    """Change of load from base to trial in each rev band and overall; pulls are the replicates."""
    import msgspec

    from stream.study.compare.coach import day_resolves
    from stream.study.compare.compare import compare
    from ui.cli.results import print_json

    pulls, words = read_pulls(session_paths)
    result = compare(pulls, base, trial, width, air_of(session_paths, air, beyond_range))
    result = msgspec.structs.replace(result, warnings=(*result.warnings, *words))
    if as_json:
        print_json(msgspec.to_builtins(result))
    else:
        both = [pull for pull in pulls if pull.tune in (base, trial)]
        print_comparison(result, day_resolves(both, width), width)
    return 0


def print_comparison(result: "Comparison", resolves_pct: float | None, width: float) -> None:
    """What the day resolves, the verdict, the bands, and what to mind, on standard output."""
    from ui.cli.paper import console, plain_table
    from ui.cli.study_options import pct, say_warnings

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
        means = [_load(value, count) for value, count in
                 ((band.base_mean, band.base_n), (band.trial_mean, band.trial_n))]  # fmt: skip
        table.add_row(
            f"{band.rpm:.0f}", *means, "" if band.change_pct is None else pct(band.change_pct, sign=True),
            "" if band.low_pct is None else pct(band.low_pct, sign=True),
            "" if band.high_pct is None else pct(band.high_pct, sign=True), "resolved" if band.resolved else "",
        )  # fmt: skip
    out.print(table)
    out.print(f"Load in {result.unit or 'no unit'} (pulls); from and to are the 95 % interval.")
    out.print(more_pulls_words(result))
    say_warnings(out, result.warnings)


def verdict_words(result: "Comparison") -> str:
    """The overall verdict in one sentence."""
    overall = result.overall
    counts = f"{result.pulls.base} pulls of {result.base!r}, {result.pulls.trial} of {result.trial!r}"
    if overall.change_pct is None:
        return f"No verdict: nothing to compare. {counts}."
    from ui.cli.study_options import pct

    if overall.low_pct is None or overall.high_pct is None:
        return f"No verdict: one pull a side shows curves and no more. {counts}."
    interval = f"{pct(overall.low_pct, sign=True)} to {pct(overall.high_pct, sign=True)} %"
    way = "more" if overall.change_pct > 0 else "less"
    if overall.resolved:
        words = f"{result.trial!r} gives {pct(abs(overall.change_pct))} % {way} load than {result.base!r} ({interval})"
        words = f"Resolved: {words}, {counts}."
    else:
        words = f"Not resolved: {result.trial!r} against {result.base!r} may be anything from {interval}, {counts}."
    return f"In this order only. {words}" if result.order_only else words


def band_words(result: "Comparison", width: float) -> str:
    """At which speeds the change is resolved, runs of bands drawn together."""
    bands = result.bands
    if not any(band.resolved for band in bands):
        return "No band is resolved by itself."
    told = []
    for word, sign in (("more", 1), ("less", -1)):
        spans: list[list[float]] = []
        for band in bands:
            if not band.resolved or band.change_pct is None or band.change_pct * sign <= 0:
                continue
            low, high = band.rpm - width / 2, band.rpm + width / 2
            if spans and low - spans[-1][1] < 1e-6 * width:
                spans[-1][1] = high
            else:
                spans.append([low, high])
        if spans:
            told.append(f"{word} at " + ", ".join(f"{low:.0f} to {high:.0f}" for low, high in spans) + " rpm")
    return f"Resolved by band: {'; '.join(told)}."


def more_pulls_words(result: "Comparison") -> str:
    """How fine this comparison is, and how many pulls would settle 2 %."""
    if result.smallest_resolvable_pct is None:
        return "How fine this is cannot be said with so few pulls."
    from ui.cli.study_options import pct

    words = f"These pulls would show a change of {pct(result.smallest_resolvable_pct)} % four times in five"
    if result.pulls_for_2_pct is None:
        return f"{words}."
    low, high = result.pulls_for_2_pct
    return f"{words}; {low} to {high} pulls of each tune would show 2 %." if low != high else (
        f"{words}; {low} pulls of each tune would show 2 %."
    )  # fmt: skip


def _load(value: float | None, count: int) -> str:
    from ui.cli.study_options import figures

    return "" if value is None else f"{figures(value, abs(value) / 50)} ({count})"
