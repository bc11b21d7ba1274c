"""steadypull replay: a recorded session through the same live stage."""

import click

from ui.cli.options import events_option, headless_option, json_option, new_file


@click.command("replay")
@click.argument("session_path", metavar="SESSION")
@click.option("-o", "out", metavar="NEW.h5", help="Write what is found to a new session.")
@click.option("--pace", type=click.Choice(["1", "max"]), help="As it was, or as fast as can be.  [max when headless]")
@click.option("--car", "car_path", metavar="CAR.toml", help="In place of the car file that the session carries.")
@events_option
@headless_option
@json_option
def command(
    session_path: str,
    out: str | None,
    pace: str | None,
    car_path: str | None,
    events_path: str | None,
    headless: bool,
    as_json: bool,
) -> int:
    """Pass a recorded session through the live stage again; the session itself is never changed."""
    from pathlib import Path

    from stream.drive.drive import Drive
    from stream.drive.offline import run_offline
    from stream.events import EventFile
    from stream.record.session import open_session
    from stream.sources.replay import ReplaySource
    from stream.study.dataset import calibration_in
    from stream.study.edit import copy_said
    from ui.cli.doors import wants_window
    from ui.cli.drive import run_drive
    from ui.cli.live_text import warn
    from ui.cli.options import car_of
    from ui.cli.paper import progress
    from ui.cli.process import print_json
    from ui.cli.results import drive_json, in_rpm_of, print_findings
    from ui.text.findings import speaker

    with open_session(session_path) as session:
        car = car_of(session, car_path)
        tune, gear, note, rows = session.tune, session.gear, session.note, session.rows
        started, dated = session.started_utc, session.dated
        calibration = calibration_in(session)
    car.speed_line("replay")
    target = new_file("-o", out)
    event_file = None if events_path is None else EventFile(events_path, in_rpm_of(calibration, car))
    window = wants_window(headless, as_json)
    if window or pace == "1":
        source = ReplaySource(session_path, None if pace == "max" else 1.0)
        drive = Drive(
            source,
            car,
            path=target,
            tune=tune,
            gear=gear,
            record=target is not None,
            event_file=event_file,
            say=speaker(),
        )
        code = run_drive(drive, seconds=None, window=window, as_json=as_json)
        if drive.recorded:
            copy_said(session_path, drive.recorded[0])
        return code
    with progress("replay", rows) as tell:
        stage = run_offline(
            ReplaySource(session_path),
            car,
            tune=tune,
            gear=gear,
            started_utc=started,
            dated=lambda: dated,
            note=note,
            path=target,
            progress=tell,
            event_file=event_file,
            say=speaker(),
        )
    if target is not None:
        copy_said(session_path, target)
    if event_file is not None and event_file.failure:
        warn([event_file.failure])
    if as_json:
        print_json(drive_json(stage, target if target is not None else Path(session_path), calibration))
    else:
        print_findings(stage, target, calibration)
    return 0
