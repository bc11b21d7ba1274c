"""steadypull shelf: the sessions of a folder, and how one tune went over the dates."""

from typing import TYPE_CHECKING, Any

import click

from ui.cli.options import json_option, positive

if TYPE_CHECKING:
    from stream.record.shelf import Shelf
    from stream.record.summary import Summary
    from stream.study.trend import Trend


@click.command("shelf")
@click.argument("folder", metavar="DIR")
@click.option("--search", "text", default="", metavar="TEXT", help="Only sessions in which each word is found.")
@click.option("--trend", "tune", metavar="TUNE", help="How this tune's load went over the dates.")
@click.option("--band", "width", type=float, default=250.0, metavar="RPM", help="Width of the trend's bands.  [250]")
@json_option
def command(folder: str, text: str, tune: str | None, width: float, as_json: bool) -> int:
    """List the sessions in a folder and the folders in it, newest first."""
    from stream.record.shelf import scan, search
    from stream.record.shelf_index import ShelfIndex
    from ui.cli.progress import progress
    from ui.cli.results import print_json

    positive("--band", width)
    with ShelfIndex() as index, progress("reading sessions", 1) as tell:
        shelf = scan(folder, index, lambda done, found: tell(done / found))
    for remark in shelf.remarks:
        click.echo(remark, err=True)
    found = search(shelf.sessions, text)
    if tune is not None:
        result = _trend(found, tune, width, folder)
        if as_json:
            print_json(_plain(result))
        else:
            _print_trend(result, found)
        return 0
    if as_json:
        print_json({"folder": str(shelf.folder), "sessions": [_plain(session) for session in found]})
    else:
        _print(shelf, found, text)
    return 0


def _plain(record: Any) -> Any:
    import msgspec

    values = msgspec.to_builtins(record)
    if "path" in values:  # a name that is no UTF-8 cannot stand in JSON
        values["path"] = values["path"].encode("utf-8", "replace").decode("utf-8")
    return values


def _print(shelf: "Shelf", found: "list[Summary]", text: str) -> None:
    """The table: what is short and compared to the left, what is long and read to the right."""
    from rich.console import Console
    from rich.table import Table

    from ui import shelf_words as words

    console = Console(highlight=False, markup=False, soft_wrap=True)
    if not found:
        where = f"no session in {shelf.folder}"
        cure = f"with {text!r} in it; search for less" if shelf.sessions else "; 'steadypull drive' records one"
        console.print(f"{where} {cure}" if shelf.sessions else f"{where}{cure}")
        return
    table = Table(box=None, pad_edge=False, header_style="bold")
    for head in ("date", "tune", "gear", "length", "holds", "pulls", "session", "health"):
        table.add_column(head, justify="right" if head in ("gear", "length", "holds") else "left", no_wrap=True)
    for session in found:
        notes = [f"“{session.note}”"] if session.note else []
        table.add_row(
            words.date(session.started_utc), words.tunes(session), "" if session.gear is None else str(session.gear),
            words.length(session.duration_s), str(session.holds) if session.readable else "", words.pulls(session),
            words.name(session, shelf.folder), "  ".join([words.health(session), *notes]),
        )  # fmt: skip
    console.print(table)
    console.print(words.total(len(shelf.sessions), len(found)))


def _trend(found: "list[Summary]", tune: str, width: float, folder: str) -> "Trend":
    """The trend over the sessions that hold the tune. Raises InputError where none does."""
    from stream.errors import InputError
    from stream.study.load import load_sessions
    from stream.study.pull_traces import all_traces
    from stream.study.trend import trend

    with_it = [session for session in found if session.readable and tune in session.tunes]
    if not with_it:
        names = ", ".join(sorted({name for session in found for name in session.tunes})) or "no tune at all"
        raise InputError(f"{folder}: no session holds the tune {tune!r}; they hold {names}")
    import msgspec

    pulls, remarks = all_traces(load_sessions([session.path for session in with_it]))
    result = trend(pulls, tune, width)
    return msgspec.structs.replace(result, warnings=(*remarks, *result.warnings))


def _print_trend(result: "Trend", found: "list[Summary]") -> None:
    from datetime import datetime
    from pathlib import Path

    from rich.console import Console
    from rich.table import Table

    console = Console(highlight=False, markup=False, soft_wrap=True)
    console.print(_slope_words(result))
    table = Table(box=None, pad_edge=False, header_style="bold")
    for head in ("date", "pulls", "against the first", "95 % interval", "session"):
        table.add_column(head, justify="left" if head in ("date", "session") else "right", no_wrap=True)
    for number, point in enumerate(result.points):
        when = f"{datetime.fromtimestamp(point.started):%Y-%m-%d %H:%M}" if point.started == point.started else ""
        change = f"{point.change_pct:+.1f} %" if number else "first"
        between = "one pull" if point.low_pct is None else f"{point.low_pct:+.1f} to {point.high_pct:+.1f} %"
        table.add_row(when, str(point.pulls), change, between, Path(point.session).name)
    console.print(table)
    for line in result.warnings:
        console.print(f"Mind: {line}.")


def _slope_words(result: "Trend") -> str:
    """The answer in a line: does this tune's load go away over the days, or can that not be told?"""
    if result.slope_pct_per_day is None or result.low_pct_per_day is None or result.high_pct_per_day is None:
        return f"{result.tune}: no trend can be told yet; it needs three sessions on different days"
    low, high = 30 * result.low_pct_per_day, 30 * result.high_pct_per_day
    between = f"95 % interval {low:+.1f} to {high:+.1f} %"
    if low <= 0 <= high:
        return f"{result.tune}: no drift shown; the load changes by {between} in 30 days"
    way = "falls" if high < 0 else "rises"
    return f"{result.tune}: the load {way} by about {abs(30 * result.slope_pct_per_day):.1f} % in 30 days ({between})"
