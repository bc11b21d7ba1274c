"""steadypull trend: one tune over its sessions."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from ui.cli.options import band_option, json_option, read_day, sessions_argument

if TYPE_CHECKING:
    from stream.findings import Finding
    from stream.study.compare.trend import Trend


@click.command("trend")
@sessions_argument
@click.option("--tune", required=True, metavar="LABEL", help="The tune to follow.")
@band_option
@json_option
def command(session_paths: tuple[str, ...], tune: str, width: float, as_json: bool) -> int:
    """Load of one tune session by session, against the first: does the engine, or the link, drift away?"""
    import msgspec

    from stream.study.compare.trend import trend
    from stream.study.force.boost import correction_of
    from ui.cli.results import print_json
    from ui.text.comparison import trend_json

    day = read_day(session_paths)
    correction = correction_of([pull for pull in day.pulls if pull.tune == tune])
    result = trend(day.pulls, tune, width, correction.factors)
    result = msgspec.structs.replace(result, findings=(*result.findings, *correction.findings))
    if as_json:
        print_json(trend_json(result, day.findings))
    else:
        print_trend(result, day.findings)
    return 0


def print_trend(result: "Trend", remarks: "Sequence[Finding]" = ()) -> None:
    """The slope in words, then a line for each session."""
    from datetime import datetime
    from pathlib import Path

    from ui.cli.paper import console, plain_table, say_warnings
    from ui.text.figures import pct
    from ui.text.findings import say_all

    out = console()
    slope, low, high = result.slope_pct_per_day, result.low_pct_per_day, result.high_pct_per_day
    if slope is None or low is None or high is None:
        out.print(f"{result.tune!r}: no trend can be told yet.")
    elif result.p is not None and result.p < 0.05:
        out.print(f"{result.tune!r} drifts: {slope:+.2g} % a day ({low:+.2g} to {high:+.2g}).")
    else:
        out.print(f"{result.tune!r}: no drift resolved; it may be {low:+.2g} to {high:+.2g} % a day.")
    table = plain_table("began", "pulls", "change %", "from", "to", "session")
    for point in result.points:
        date = f"{datetime.fromtimestamp(point.started).astimezone():%Y-%m-%d %H:%M}"
        limits = ["" if limit is None else pct(limit, sign=True) for limit in (point.low_pct, point.high_pct)]
        table.add_row(date, str(point.pulls), pct(point.change_pct, sign=True), *limits, Path(point.session).name)
    out.print(table)
    out.print("Change against the first session; from and to are the 95 % interval of the session's own pulls.")
    say_warnings(out, say_all([*result.findings, *remarks]))
