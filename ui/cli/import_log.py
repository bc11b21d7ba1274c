"""steadypull import: a CSV log becomes a session."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from ui.cli.options import gear_option, json_option, new_file, tune_option

if TYPE_CHECKING:
    from stream.car import Car


@click.command("import")
@click.argument("log_path", metavar="LOG")
@click.option("--car", "car_path", required=True, metavar="CAR.toml", help="The car file; its columns name the log's.")
@click.option("-o", "out", required=True, metavar="SESSION.h5", help="The new session.")
@tune_option
@gear_option
@click.option("--rate", "rate_hz", type=float, metavar="HZ", help="Rows a second, where the log has no time column.")
@json_option
def command(
    log_path: str, car_path: str, out: str, tune: str, gear: int | None, rate_hz: float | None, as_json: bool
) -> int:
    """Make a log a session; its holds and pulls are found by the same live stage.

    LOG is CSV, plain or gzip, or ASAM MDF (.mf4, .mdf), or a format that an installed package reads.
    """
    from stream.car import load_car
    from stream.drive.offline import import_log
    from stream.errors import InputError
    from stream.sources.plugins import log_source
    from ui.cli.live_text import say, warn
    from ui.cli.paper import progress
    from ui.cli.process import print_json
    from ui.cli.results import drive_json, print_findings
    from ui.text.findings import as_json as findings_json
    from ui.text.findings import say as say_finding
    from ui.text.findings import say_all

    car = load_car(car_path)
    without_speed = car.by_role("engine_speed") is None
    if not without_speed:
        car.speed_line("import")
    warn(say_all(car.findings))
    target = new_file("-o", out)
    source = log_source(log_path, car, rate_hz)
    if target is None:
        raise InputError("-o: needs the name of the new session")
    note = f"imported from {Path(log_path).name}"
    if without_speed:
        warn([f"{car.where}: no channel with role 'engine_speed': no holds or pulls are looked for"])
    with progress("import", 0) as tell:
        stage = import_log(source, car, tune=tune, gear=gear, note=note, path=target, progress=tell, say=say_finding)
    if stage is None:
        return _tell_raw(target, car, as_json)
    remarks = {remark.code for remark in stage.settings.remarks}
    for event in stage.events.since(0)[0]:
        if event.kind in ("note", "fault") and event.code not in remarks:
            say(event)
    if as_json:
        print_json(drive_json(stage, target) | findings_json(source.findings))
    else:
        print_findings(stage, target)
    return 0


def _tell_raw(target: Path, car: "Car", as_json: bool) -> int:
    """What is said of a log without engine speed: no hold or pull can be found in it, but a coastdown can."""
    from stream.record.session import open_session
    from ui.cli.process import print_json
    from ui.cli.results import raw_json

    with open_session(target) as session:
        if as_json:
            print_json(raw_json(session, car))
        else:
            click.echo(f"{session.duration_s:.1f} s at {session.rate_hz:.6g} Hz\nsession: {target}")
    return 0
