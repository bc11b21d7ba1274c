"""steadypull rehearse: the whole job with no hardware."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ui.cli.main import CAUTION
from ui.cli.options import folder, headless_option, json_option

if TYPE_CHECKING:
    from stream.drive.drive import Drive
    from stream.sources.rehearsal.recording import Recording

QUIET_S = 5.0  # where samples were lost on the way, the line is drained when nothing came for this long


@click.command("rehearse")
@click.option("-o", "out", default="drives", metavar="DIR", help="Folder for the session files.  [drives]")
@click.option("--quick", is_flag=True, help="Compress the drive: same samples, no waiting.")
@click.option("--seed", type=int, default=1, metavar="N", help="Another day on the airfield.  [1]")
@headless_option
@json_option
def command(out: str, quick: bool, seed: int, headless: bool, as_json: bool) -> int:
    """Let a rehearsal car drive itself through a real serial line, and record it.

    The car is invented: a rear-drive hill-climb special on a disused airfield.
    """
    from stream.sources.rehearsal.scenario import hold_drive
    from ui.cli.display import wants_window

    if seed < 0:
        raise click.UsageError("--seed: must be 0 or more")
    target = folder(out)
    window = wants_window(headless, as_json)
    if not as_json:
        click.echo(CAUTION, err=True)
        click.echo("The rehearsal car holds a row of steady speeds by foot.", err=True)
    recording = hold_drive(seed)
    drive = play(recording, target, quick=quick, window=window)
    _report(drive, recording, as_json)
    return 0


def play(recording: "Recording", target: Path, *, quick: bool, window: bool) -> "Drive":
    """Send a recording through a serial line and record it; returns the drive when it is over."""
    from stream.car import parse_car
    from stream.drive.drive import Drive
    from stream.sources.rehearsal.player import RehearsalPort
    from stream.sources.rehearsal.scenario import demo_car_text
    from stream.sources.serialport import SerialSource
    from ui.cli.drive import stopped_by_signals
    from ui.cli.live_text import follow

    car = parse_car(demo_car_text(), "the rehearsal car's file")
    with RehearsalPort(recording, quick=quick) as port:
        source = SerialSource(port.port_url, car)
        drive = Drive(source, car, folder=target, tune=recording.tune, gear=2, wait_for_slowest=quick)
        with stopped_by_signals(drive):
            drive.start()
            if window:
                from ui.cli.display import open_window

                open_window(drive)
                drive.stop()
            else:
                drive.wait_open()
                follow(drive, None, lambda: port.done.is_set() and _drained(drive, recording))
            drive.join()
    return drive


def _drained(drive: "Drive", recording: "Recording") -> bool:
    """Whether every sample that was sent has been taken, or none will come any more."""
    stage = drive.stage
    return (stage is not None and stage.rows >= len(recording.counts)) or drive.quiet_s() > QUIET_S


def _report(drive: "Drive", recording: "Recording", as_json: bool) -> None:
    from ui.cli.results import drive_json, print_findings, print_json

    stage = drive.stage
    if stage is None:
        return
    truth = recording.truth
    if as_json:
        print_json({
            "sessions": [str(path) for path in drive.recorded],
            "drive": drive_json(stage, drive.recorded[-1] if drive.recorded else None),
            "truth": {"slope_rpm_per_unit": truth.slope_rpm_per_unit, "intercept_rpm": truth.intercept_rpm},
        })  # fmt: skip
        return
    print_findings(stage, drive.recorded[-1] if drive.recorded else None)
    click.echo(_beside_truth(stage.holds, truth))


def _beside_truth(holds: list[Any], truth: Any) -> str:
    """How many of the holds that were driven were found: the truth is the model's own."""
    found = sum(
        any(min(t.end_s, h.end_s) - max(t.start_s, h.start_s) > 0.5 * (t.end_s - t.start_s) for h in holds)
        for t in truth.holds
    )
    return f"truth: {len(truth.holds)} speeds were held on the road, {found} of them found"
