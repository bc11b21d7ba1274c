"""steadypull import: a CSV log becomes a session."""

import click

from ui.cli.options import gear_option, json_option, new_file, tune_option


@click.command("import")
@click.argument("log_path", metavar="LOG.csv")
@click.option("--car", "car_path", required=True, metavar="CAR.toml", help="The car file; its columns name the log's.")
@click.option("-o", "out", required=True, metavar="SESSION.h5", help="The new session.")
@tune_option
@gear_option
@click.option("--rate", "rate_hz", type=float, metavar="HZ", help="Rows a second, where the log has no time column.")
@json_option
def command(log_path: str, car_path: str, out: str, tune: str, gear: int | None, rate_hz: float | None,
            as_json: bool) -> int:  # fmt: skip
    """Make a CSV log a session; its holds and pulls are found by the same live stage."""
    from pathlib import Path

    from stream.car import load_car
    from stream.drive.offline import run_offline
    from stream.sources.csvlog import CsvSource
    from ui.cli.live_text import say, warn
    from ui.cli.progress import progress
    from ui.cli.results import drive_json, print_findings, print_json
    from ui.text.findings import as_json as findings_json
    from ui.text.findings import say as say_finding

    car = load_car(car_path)
    car.speed_line("import")
    warn(car.warnings)
    target = new_file("-o", out)
    source = CsvSource(log_path, car, rate_hz, say=say_finding)
    note = f"imported from {Path(log_path).name}"
    with progress("import", 0) as tell:
        stage = run_offline(
            source, car, tune=tune, gear=gear, started_utc=lambda: source.started_utc, note=note, path=target,
            progress=tell,
        )  # fmt: skip
    for event in stage.events.since(0)[0]:
        if event.kind in ("note", "fault") and event.text not in stage.settings.remarks:
            say(event)
    if as_json:
        print_json(drive_json(stage, target) | findings_json(source.findings))
    else:
        print_findings(stage, target)
    return 0
