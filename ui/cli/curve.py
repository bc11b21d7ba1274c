"""steadypull curve: load against engine speed, per tune."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import click

from ui.cli.air import air_option, beyond_option, wanted_air
from ui.cli.options import band_option, json_option, read_day, sessions_argument

if TYPE_CHECKING:
    from stream.findings import Finding
    from stream.study.compare.curve import CurveBand, Curves


@click.command("curve")
@sessions_argument
@band_option
@air_option
@beyond_option
@click.option("--csv", "csv_path", metavar="FILE", help="Write the curves to a new CSV file too.")
@json_option
def command(
    session_paths: tuple[str, ...],
    width: float,
    air: tuple[str, ...],
    beyond_range: bool,
    csv_path: str | None,
    as_json: bool,
) -> int:
    """Mean load in each rev band over the clean pulls of each tune, with a 95 % interval across pulls."""
    from stream import curves
    from stream.record.names import write_text
    from stream.study.compare.curve import curves_csv
    from ui.cli.options import new_file
    from ui.cli.process import print_json
    from ui.text.comparison import curves_json

    target = new_file("--csv", csv_path)
    day = read_day(session_paths)
    result = curves(day, band_rpm=width, air=wanted_air(session_paths, air), beyond_range=beyond_range)
    if target is not None:
        write_text(target, curves_csv(result))
    if as_json:
        print_json(curves_json(result, day.findings))
    else:
        print_curves(result, csv_path, day.findings)
    return 0


def print_curves(result: "Curves", csv_path: str | None, remarks: "Sequence[Finding]" = ()) -> None:
    """The curves as a table, a column for each tune."""
    from ui.cli.paper import console, plain_table, say_warnings
    from ui.text.findings import say_all

    out = console()
    for tune in result.tunes:
        span = f"{tune.bands[0].rpm:.0f} to {tune.bands[-1].rpm:.0f} rpm" if tune.bands else "no band filled"
        out.print(f"{tune.tune or 'no tune named'}: {tune.pulls} pulls, {span}")
    power = any(band.relative_power_pct is not None for tune in result.tunes for band in tune.bands)
    heads = [head for tune in result.tunes for head in (tune.tune or "load", "±95 %", "n", *(["power %"] * power))]
    table = plain_table("rpm", *heads)
    rows = [{band.rpm: band for band in tune.bands} for tune in result.tunes]
    for rpm in sorted({rpm for row in rows for rpm in row}):
        table.add_row(f"{rpm:.0f}", *(cell for row in rows for cell in _cells(row.get(rpm), power)))
    out.print(table)
    out.print(f"Load in {result.unit or 'no unit'}; rpm is a band's middle; n pulls, one number each.")
    if power:
        out.print("power %: load × speed, against its highest band; no watts, see 'steadypull power' for these.")
    say_warnings(out, say_all([*result.findings, *remarks]))
    if csv_path is not None:
        out.print(f"curves: {csv_path}")


def _cells(band: "CurveBand | None", power: bool) -> list[Any]:
    from ui.text.figures import figures

    if band is None:
        return [""] * (3 + power)
    half = None if band.high is None or band.low is None else (band.high - band.low) / 2
    cells = [figures(band.mean, half), "?" if half is None else figures(half, half), str(band.n)]
    share = band.relative_power_pct
    return [*cells, *(["" if share is None else f"{share:.0f}"] * power)]
