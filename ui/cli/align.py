"""steadypull align: a controller's log on the session's clock."""

from typing import TYPE_CHECKING

import click

from ui.cli.options import json_option, new_file

if TYPE_CHECKING:
    from pathlib import Path

    from stream.sources.log_columns import ControllerLog
    from stream.study.clock import Alignment, Merger
    from stream.study.dataset import Dataset


@click.command("align")
@click.argument("session_path", metavar="SESSION")
@click.argument("log_path", metavar="LOG.csv")
@click.option(
    "--car",
    "car_path",
    required=True,
    metavar="CAR.toml",
    help="The car file that describes the LOG: its time column, its rpm column (role engine_speed), what else to take.",
)
@click.option("-o", "out", metavar="MERGED.h5", help="Write a new session that holds both.")
@json_option
def command(session_path: str, log_path: str, car_path: str, out: str | None, as_json: bool) -> int:
    """Find the place of a controller's CSV log on a session's clock, from both traces of engine speed.

    The session is read with its own car file; --car describes the log.
    """
    import msgspec

    from stream.car import load_car
    from stream.sources.log_columns import read_controller_log
    from stream.study.clock import align_log, merged_source
    from stream.study.dataset import open_dataset
    from ui.cli.live_text import warn
    from ui.cli.process import print_json
    from ui.text.findings import as_json as findings_json
    from ui.text.findings import say_all

    car = load_car(car_path)
    warn(say_all(car.findings))
    target = new_file("-o", out)
    session = open_dataset(session_path)
    log = read_controller_log(log_path, car)
    warn(say_all(log.findings))
    found = align_log(session, log)
    added: tuple[str, ...] = ()
    if target is not None:
        merger = merged_source(session, log, found)
        _write(merger, session, log, target)
        added = merger.added
    if as_json:
        print_json(msgspec.to_builtins(found) | {"log_zero": log.zero} | findings_json(log.findings))
    else:
        _print(found, session, log, target, added)
    return 0


def _write(merger: "Merger", session: "Dataset", log: "ControllerLog", target: "Path") -> None:
    from stream.drive.offline import write_merged
    from ui.cli.paper import progress
    from ui.text.findings import say

    with progress("align", session.rows) as tell:
        write_merged(merger, session, log, target, tell, say)


def _print(
    found: "Alignment", session: "Dataset", log: "ControllerLog", target: "Path | None", added: tuple[str, ...]
) -> None:
    from ui.cli.paper import console

    out = console()
    ends = [log.time_s[row] * (1 + 1e-6 * found.rate_ppm) + found.offset_s for row in (0, -1)]
    shared = max(0.0, min(ends[1], session.duration_s) - max(ends[0], 0.0))
    out.print(
        f"The log's 0 s is {found.offset_s:.3f} ± {1.96 * found.u_offset_s:.3f} s on the session's clock; "
        f"the log's clock runs {abs(found.rate_ppm):.0f} ppm {'slow' if found.rate_ppm > 0 else 'fast'}."
    )
    out.print(
        f"It covers {shared:.0f} s of the session; the speeds agree with a correlation of {found.correlation:.4f}."
    )
    if target is not None:
        out.print(f"session: {target}, with {', '.join(added)} from the log")
