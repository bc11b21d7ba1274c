"""steadypull rehearse: the whole job with no hardware."""

import threading
from collections.abc import Callable
from contextlib import nullcontext
from pathlib import Path
from typing import TYPE_CHECKING

import click

from ui.cli.options import folder, headless_option, json_option
from ui.cli.paper import say_words
from ui.text.cautions import SHORT

if TYPE_CHECKING:
    from stream.drive.drive import Drive
    from stream.drive.rehearsal import Day, DayShow
    from stream.drive.tuning_day import TuningDay
    from stream.sources.rehearsal.record import Recording


@click.command("rehearse")
@click.option("-o", "out", default="drives", metavar="DIR", help="Folder for the session files.  [drives]")
@click.option("--quick", is_flag=True, help="Compress the drive: same samples, no waiting; the same as --pace max.")
@click.option(
    "--pace", type=click.Choice(["real", "8", "max"]), help="As fast as a real drive, 8 times, or no waiting."
)
@click.option("--seed", type=click.IntRange(min=0), default=1, metavar="N", help="Another day on the airfield.  [1]")
@click.option(
    "--tuning",
    is_flag=True,
    help="A day of tuning instead: drive, ask for advice, edit the table, and drive again, three times.",
)
@headless_option
@json_option
def command(out: str, quick: bool, pace: str | None, seed: int, tuning: bool, headless: bool, as_json: bool) -> int:
    """The whole job with no hardware: a rehearsal car holds a row of speeds, is calibrated, pulls on two tunes, and the
    tunes are compared. It talks through a real serial line and is recorded as any car would be.

    With a display the whole day is one window: a line says what the driver does and what to look at, he can be paused,
    and it ends with the two tunes compared.

    The car is invented: a rear-drive hill-climb special on a disused airfield.
    """
    from stream.drive.rehearsal import Day
    from stream.drive.tuning_day import TuningDay
    from ui.cli.doors import wants_window

    if quick and pace not in (None, "max"):
        raise click.UsageError("--quick is --pace max; give one of them")
    speed = None if quick or pace == "max" else float(pace) if pace == "8" else 1.0
    target = folder(out)
    day = TuningDay() if tuning else Day()
    say_words(SHORT)
    if wants_window(headless, as_json):
        _watched(day, seed, target, speed)
    else:
        _whole_day(day, seed, lambda recording, gear: play_recording(recording, gear, target, speed), target)
        _print(day, as_json)
    return 0


def _whole_day(
    day: "Day", seed: int, play: "Callable[[Recording, int], Drive]", target: Path, show: "DayShow | None" = None
) -> None:
    from stream.drive.rehearsal import drive_hold_row, drive_pulls, study_day
    from stream.drive.tuning_day import TuningDay, tuning_day
    from ui.text.findings import say
    from ui.text.next_step import round_line

    if isinstance(day, TuningDay):
        tuning_day(day, seed, target, play, say, lambda number: click.echo(round_line(number), err=True))
        return
    click.echo("1  The rehearsal car holds a row of steady speeds by foot, in second gear.", err=True)
    drive_hold_row(day, seed, play)
    click.echo("2  It pulls in third gear on two tunes, turn and turn about.", err=True)
    drive_pulls(day, seed, play)
    if show is not None:
        show.study()
    study_day(day, say)
    click.echo("3  The day is calibrated, compared and printed.", err=True)
    _print_report(day, target)


def _print_report(day: "Day", folder: Path) -> None:
    """The day as one HTML file beside its sessions."""
    from stream.drive.rehearsal import BASE
    from stream.study.bands import DEFAULT_WIDTH_RPM
    from ui.cli.doors import write_report

    target = folder / f"{day.sessions[0].stem}-day.html"
    write_report([str(path) for path in day.sessions], target, width_rpm=DEFAULT_WIDTH_RPM, base=BASE)
    day.report = target


def _watched(day: "Day", seed: int, target: Path, speed: float | None) -> None:
    """The day on a thread of its own, and one window that looks at it until the person closes it."""
    from stream.drive.rehearsal import DayShow, EndedError
    from stream.errors import SteadypullError
    from ui.cli.doors import open_show
    from ui.cli.live_text import warn
    from ui.text.next_step import day_words

    show, failed = DayShow(day_words), []

    def run() -> None:
        try:
            _whole_day(day, seed, lambda one, gear: play_recording(one, gear, target, speed, show=show), target, show)
            _print(day, as_json=False)
            show.finish(day.sessions[1:])
        except BaseException as error:  # noqa: BLE001 - raised again in the main thread
            failed.append(error)
            show.fail(str(error))

    worker = threading.Thread(target=run, name="steadypull-rehearsal", daemon=True)
    worker.start()
    try:
        open_show(show)
        show.stop()
    except SteadypullError as error:  # no window opens: the day goes on in text
        warn([str(error)])
    worker.join()
    if failed and isinstance(failed[0], EndedError):
        say_words(str(failed[0]))
    elif failed:
        raise failed[0]


def play_recording(
    recording: "Recording", gear: int, target: Path, speed: float | None, *, show: "DayShow | None" = None
) -> "Drive":
    """Send a recording through a serial line and record it; returns the drive when it is over.

    speed  how many times as fast as a real drive; None: without waiting
    """
    from stream.drive.day_coach import DayCoach
    from stream.drive.rehearsal import Rehearsal
    from ui.cli.drive import watch
    from ui.cli.live_text import follow
    from ui.cli.process import on_signals
    from ui.text.findings import speaker

    pulls = bool(recording.truth.pulls)
    coach = DayCoach() if pulls and show is not None else None
    going = Rehearsal(recording, gear, target, speed, coach=coach, say=speaker())

    def follow_text() -> None:
        going.drive.wait_open()
        follow(going.drive, None, going.over)

    with on_signals(going.drive.stop) if show is None else nullcontext():
        going.start()
        try:
            if show is None:
                watch(going.drive, follow_text)
            else:
                show.follow(going, press_zero=pulls and speed is not None)
        finally:
            going.end()
    return going.drive


def _print(day: "Day", as_json: bool) -> None:
    from stream.drive.tuning_day import TuningDay

    if isinstance(day, TuningDay):
        _print_tuning(day, as_json)
        return
    from stream.drive.rehearsal import BASE, PULL_GEAR, TRIAL
    from stream.sources.rehearsal.truth import change_by_band
    from ui.cli.fit import fit_json
    from ui.cli.process import print_json
    from ui.text.comparison import comparison_json

    truth = day.recordings[0].truth
    change = change_by_band(BASE, TRIAL, gear=PULL_GEAR)
    if as_json:
        print_json(
            {
                "sessions": [str(path) for path in day.sessions],
                "fit": {} if day.calibration is None else fit_json(day.calibration),
                "compare": {} if day.comparison is None else comparison_json(day.comparison),
                "truth": {
                    "slope_rpm_per_unit": truth.slope_rpm_per_unit,
                    "intercept_rpm": truth.intercept_rpm,
                    "change_pct": [{"rpm": band.rpm, "change_pct": band.change_pct} for band in change],
                },
                "report": "" if day.report is None else str(day.report),
            }
        )
        return
    _print_words(day, {band.rpm: band.change_pct for band in change})


def _print_words(day: "Day", truth_pct: dict[float, float]) -> None:
    from stream.study.bands import DEFAULT_WIDTH_RPM as BAND_RPM
    from ui.cli.paper import console, plain_table, say_warnings
    from ui.cli.results import print_findings
    from ui.text.comparison import band_words, look_line, shape_words, verdict_words
    from ui.text.figures import pct
    from ui.text.findings import say_all

    out = console()
    for path, stage in zip(day.sessions, day.stages, strict=True):
        out.print(f"\n{stage.tune}:")
        print_findings(stage, path)
    fit, result = day.calibration, day.comparison
    held = day.recordings[0].truth
    if fit is not None:
        out.print("\nThe calibration, beside the model's truth:")
        table = plain_table("", "found", "± (95 %)", "true")
        slope, zero = fit.slope_rpm_per_unit, fit.intercept_rpm
        table.add_row("rpm per volt", f"{slope:.0f}", f"{1.96 * fit.u_slope:.0f}", f"{held.slope_rpm_per_unit:.0f}")
        table.add_row("rpm at 0 V", f"{zero:.0f}", f"{1.96 * fit.u_intercept:.0f}", f"{held.intercept_rpm:.0f}")
        out.print(table)
        out.print(f"and {fit.scale_error_pct:g} % of the dashboard itself, shared by all speeds.")
    if result is not None:
        out.print(f"\n{result.trial} against {result.base}, beside the model's truth:")
        table = plain_table("rpm", "change %", "from", "to", "true", "")
        for band in result.bands:
            true = truth_pct.get(band.rpm)
            if band.change_pct is None or band.low_pct is None or band.high_pct is None or true is None:
                continue
            table.add_row(
                f"{band.rpm:.0f}",
                pct(band.change_pct, sign=True),
                pct(band.low_pct, sign=True),
                pct(band.high_pct, sign=True),
                pct(true, sign=True),
                "resolved" if band.resolved else "",
            )
        out.print(table)
        out.print(verdict_words(result))
        for line in (look_line(result), band_words(result, BAND_RPM), shape_words(result, BAND_RPM)):
            if line:
                out.print(line)
        say_warnings(out, say_all(result.findings))
    if day.report is not None:
        out.print(f"\nreport: {day.report}")
    say_words("Next: open the report in a browser; for a car of your own begin with 'steadypull car'.")


def _print_tuning(day: "TuningDay", as_json: bool) -> None:
    from ui.cli.paper import console, plain_table
    from ui.cli.process import print_json
    from ui.text.next_step import AFTER, NEXT, setting_name, tuning_json, verdict_line

    if as_json:
        print_json(tuning_json(day))
        return
    out = console()
    out.print("\nLost of the best torque, %, by the model's own truth:")
    table = plain_table("rpm", *(setting_name(number) for number in range(len(day.settings))))
    for row, rpm in enumerate(day.rpm):
        table.add_row(f"{rpm:.0f}", *(f"{one.lost_pct[row]:.1f}" for one in day.settings))
    table.add_row("most", *(f"{one.lost_pct.max():.1f}" for one in day.settings))
    table.add_row("knock", *(f"{one.beyond_knock_deg:+.1f}°" for one in day.settings))
    table.add_row("cells changed", *(str(one.changed) for one in day.settings))
    out.print(table)
    out.print(AFTER)
    out.print(verdict_line(day))
    out.print(f"\ntables: {', '.join(str(path) for path in day.tables)}")
    say_words(NEXT)
