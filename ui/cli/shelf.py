"""steadypull shelf and trend: the sessions of a folder, and how one tune went over the dates."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import click

from ui.cli.options import band_option, json_option, positive, read_day, sessions_argument

if TYPE_CHECKING:
    from stream.findings import Finding
    from stream.record.shelf import Shelf
    from stream.record.summary import Summary
    from stream.study.compare.trend import Trend


@click.command("shelf")
@click.argument("folder", metavar="DIR")
@click.option("--search", "text", default="", metavar="TEXT", help="Only sessions in which each word is found.")
@click.option("--trend", "tune", metavar="TUNE", help="How this tune's load went over the dates.")
@click.option("--band", "width", type=float, default=250.0, metavar="RPM", help="Width of the trend's bands.  [250]")
@json_option
def command(folder: str, text: str, tune: str | None, width: float, as_json: bool) -> int:
    """List the sessions in a folder and the folders in it, newest first."""
    from stream.record.shelf import ShelfIndex, scan
    from ui.cli.paper import progress
    from ui.cli.process import print_json
    from ui.text import shelf as words
    from ui.text.findings import say_all

    positive("--band", width)
    with ShelfIndex() as index, progress("reading sessions", 1) as tell:
        shelf = scan(folder, index, lambda done, found: tell(done / found))
    for line in say_all(shelf.findings):
        click.echo(line, err=True)
    found = words.search(shelf.sessions, text)
    if tune is not None:
        from ui.text.comparison import trend_json

        result, remarks = _trend(found, tune, width, folder)
        if as_json:
            print_json(trend_json(result, remarks))
        else:
            print_trend(result, remarks)
        return 0
    if as_json:
        print_json({"folder": str(shelf.folder), "sessions": [_plain(session) for session in found]})
    else:
        _print(shelf, found, text)
    return 0


def _plain(session: "Summary") -> Any:
    import msgspec

    from ui.text.shelf import trouble

    # a name that is no UTF-8 cannot stand in JSON
    path = session.path.encode("utf-8", "replace").decode("utf-8")
    return {**msgspec.to_builtins(session), "path": path, "trouble": trouble(session)}


def _print(shelf: "Shelf", found: "list[Summary]", text: str) -> None:
    """The table: what is short and compared to the left, what is long and read to the right."""
    from ui.text import shelf as words
    from ui.text.figures import length, moment, one_line

    if not found:
        cure = f" with {text!r} in it; search for less" if shelf.sessions else "; 'steadypull drive' records one"
        click.echo(f"no session in {shelf.folder}{cure}")
        return
    rows = [("date", "tune", "gear", "length", "holds", "pulls", "session", "health")]
    for session in found:
        note = f"  “{one_line(session.note)}”" if session.note else ""
        rows.append(
            (
                moment(session.started_utc),
                words.tunes(session),
                "" if session.gear is None else str(session.gear),
                length(session.duration_s),
                str(session.holds) if session.readable else "",
                words.pulls(session),
                words.name(session, shelf.folder),
                words.health(session) + note,
            )
        )
    click.echo("\n".join(aligned(rows, right=(2, 3, 4))))
    click.echo(words.total(len(shelf.sessions), len(found)))


def aligned(rows: Sequence[Sequence[str]], right: Sequence[int]) -> list[str]:
    """Rows as lines with their columns under each other; cells are never cut, for a file name cut in two is none.

    rich's tables take seconds for thousands of rows; only its count of screen cells is used.
    """
    from rich.cells import cell_len

    widths = [max(map(cell_len, column)) for column in zip(*rows, strict=True)]
    lines = []
    for row in rows:
        cells = []
        for place, (cell, width) in enumerate(zip(row, widths, strict=True)):
            fill = " " * (width - cell_len(cell))
            cells.append(fill + cell if place in right else cell + fill)
        lines.append("  ".join(cells).rstrip())
    return lines


def _trend(found: "list[Summary]", tune: str, width: float, folder: str) -> "tuple[Trend, list[Finding]]":
    """The trend over the sessions that hold the tune, and remarks. Raises InputError where none does."""
    from stream.errors import InputError
    from stream.study.compare.trend import trend
    from stream.study.dataset import open_datasets
    from stream.study.pulls import all_traces, correction_of

    with_it = [session for session in found if session.readable and tune in session.tunes]
    if not with_it:
        names = ", ".join(sorted({name for session in found for name in session.tunes})) or "no tune at all"
        raise InputError(f"{folder}: no session holds the tune {tune!r}; they hold {names}")
    pulls, remarks = all_traces(open_datasets([session.path for session in with_it]))
    correction = correction_of([pull for pull in pulls if pull.tune == tune])
    return trend(pulls, tune, width, correction.factors), [*remarks, *correction.findings]


@click.command("trend")
@sessions_argument
@click.option("--tune", required=True, metavar="LABEL", help="The tune to follow.")
@band_option
@json_option
def trend_command(session_paths: tuple[str, ...], tune: str, width: float, as_json: bool) -> int:
    """Load of one tune session by session, against the first: does the engine, or the link, drift away?"""
    import msgspec

    from stream.study.compare.trend import trend
    from stream.study.pulls import correction_of
    from ui.cli.process import print_json
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
