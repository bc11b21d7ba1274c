"""steadypull drive: live, with recording."""

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from typing import TYPE_CHECKING

import click

from stream.errors import InputError, SteadypullError
from ui.cli.air import altitude_option, keep_air_option, weather_of
from ui.cli.options import (
    events_option,
    folder,
    gear_option,
    headless_option,
    json_option,
    numbers,
    positive,
    tune_option,
)
from ui.cli.process import hurried_display, leave, on_signals, take_time

if TYPE_CHECKING:
    from stream.car import Car
    from stream.drive.drive import Drive
    from stream.sources.source import Source

PRINTING_S = 1.0  # chosen: a result is printed in a blink; what takes longer waits for a reader that does not read


@click.command("drive")
@click.option("--port", "url", required=True, metavar="URL", help="Device path, pyserial URL, or a package's own.")
@click.option("--car", "car_path", required=True, metavar="CAR.toml", help="The car file.")
@click.option("-o", "out", default=".", metavar="DIR", help="Folder for the session file; made where missing.")
@tune_option
@gear_option
@click.option("--rate", "rate_hz", type=float, metavar="HZ", help="Rows a second of text lines without a clock.")
@click.option("--targets", metavar="RPM,…", help="Steady speeds to hold, in order.")
@click.option(
    "--until-u",
    "until_u",
    type=float,
    metavar="RPM",
    help="End by itself when the uncertainty of the running fit over the targets is this small (standard, rpm).",
)
@click.option("--parked", is_flag=True, help="The targets are held standing, in neutral.")
@click.option("--near-redline", is_flag=True, help="Ask for targets above 90 % of redline too.")
@keep_air_option
@altitude_option
@click.option("--also", "also", multiple=True, metavar="URL", help="A further device, recorded beside the first.")
@click.option("--also-car", "also_cars", multiple=True, metavar="CAR.toml", help="Its car file, one for each.")
@click.option("--seconds", type=float, metavar="S", help="End by itself; counts from the port's opening.")
@events_option
@headless_option
@json_option
def command(
    url: str,
    car_path: str,
    out: str,
    tune: str,
    gear: int | None,
    rate_hz: float | None,
    targets: str | None,
    until_u: float | None,
    parked: bool,
    near_redline: bool,
    air: str | None,
    altitude: float | None,
    also: tuple[str, ...],
    also_cars: tuple[str, ...],
    seconds: float | None,
    events_path: str | None,
    headless: bool,
    as_json: bool,
) -> int:
    """Record a drive, live, and find its holds. Ctrl-C ends it properly.

    A second person watches the screen; the road is closed.
    """
    from stream.car import load_car
    from stream.drive.day_coach import DayCoach
    from stream.drive.drive import Drive
    from stream.drive.guide_plan import GuidePlan
    from stream.events import EventFile
    from stream.sources.plugins import source_for
    from ui.cli.doors import wants_window
    from ui.cli.live_text import warn
    from ui.text.findings import say_all, speaker

    car = load_car(car_path)
    car.speed_line("drive")
    warn(say_all(car.findings))
    positive("--rate", rate_hz)
    positive("--seconds", seconds)
    positive("--until-u", until_u)
    wanted = numbers("--targets", targets) if targets else ()
    if until_u is not None and not wanted:
        raise InputError("--until-u: needs the speeds to hold; give them with --targets RPM,RPM,…")
    plan = GuidePlan(wanted, until_u_rpm=until_u, gear=gear, parked=parked, near_redline=near_redline)
    weather = weather_of(air, altitude)
    source = source_for(url, car, rate_hz)
    beside = _beside(url, also, also_cars)
    drive = Drive(
        source,
        car,
        folder=folder(out),
        tune=tune,
        gear=gear,
        targets=plan,
        weather=weather,
        coach=None if wanted else DayCoach(),
        event_file=None if events_path is None else EventFile(events_path),
        say=speaker(),
        beside=beside,
    )
    return run_drive(drive, seconds=seconds, window=wants_window(headless, as_json), as_json=as_json)


def _beside(url: str, also: tuple[str, ...], cars: tuple[str, ...]) -> "list[tuple[str, Callable[[], Source], Car]]":
    """(name, what makes its source, car file) of each further device."""
    from stream.car import load_car
    from stream.record.also import safe_names
    from stream.sources.plugins import source_for
    from ui.cli.live_text import warn
    from ui.text.findings import say_all

    if len(also) != len(cars):
        raise InputError(f"--also: {len(also)} devices and {len(cars)} car files; give --also-car CAR.toml for each")
    twice = [one for one in also if [url, *also].count(one) > 1]
    if twice:
        raise InputError(f"--also: {twice[0]} is named twice; each device has a port of its own")
    read = [load_car(path) for path in cars]
    for car in read:
        warn(say_all(car.findings))
    names = safe_names([car.car.name for car in read])
    for one, car in zip(also, read, strict=True):
        source_for(one, car, None)  # what is wrong with a URL is said before the drive
    return [(name, partial(source_for, one, car), car) for name, one, car in zip(names, also, read, strict=True)]


def run_drive(drive: "Drive", *, seconds: float | None, window: bool, as_json: bool) -> int:
    """Run a drive to its end, in text or in the window, and print what it found. Returns the exit code."""
    ends = None if seconds is None else time.monotonic() + seconds
    over_at: float | None = None

    def asked_to_end() -> None:
        if over_at is None:
            drive.stop()
        elif time.monotonic() > over_at + PRINTING_S:
            leave()

    with on_signals(asked_to_end):
        drive.start()
        try:
            watch(drive, lambda: show_drive(drive, ends, window=window))
        finally:  # whatever became of the display, the recording is finished
            take_time()
            drive.stop()
            drive.join()
        over_at = time.monotonic()
        _print_drive(drive, as_json)
    return 0


def _print_drive(drive: "Drive", as_json: bool) -> None:
    from ui.cli.live_text import say_oddities, warn
    from ui.cli.process import NOTHING, print_json
    from ui.cli.results import drive_json, print_findings

    say_oddities(drive.source.counters())
    if drive.event_file is not None and drive.event_file.failure:
        warn([drive.event_file.failure])
    stage = drive.stage
    if stage is None:
        click.echo("stopped before the device spoke; nothing was recorded", err=True)
        if as_json:
            print_json(NOTHING)
        return
    path = drive.recorded[-1] if drive.recorded else None
    if as_json:
        print_json(drive_json(stage, path))
    else:
        print_findings(stage, path)


def show_drive(drive: "Drive", ends: float | None, *, window: bool) -> None:
    """Show a drive until it is over; where no window opens, in text."""
    from ui.cli.live_text import follow, typed, warn

    if window:
        from ui.cli.doors import open_window

        try:
            with _ended_after(drive, ends):
                open_window(drive)
        except SteadypullError as error:
            warn([str(error)])
        else:
            return
    drive.wait_open()
    with typed(drive):
        follow(drive, ends)


def watch(drive: "Drive", show: Callable[[], None]) -> None:
    """Let `show` show a drive. A display that fails is the display's trouble: the drive goes on to its own end."""
    try:
        with hurried_display():
            show()
    except (OSError, ValueError):
        drive.wait_open()
        drive.done.wait()


@contextmanager
def _ended_after(drive: "Drive", ends: float | None) -> Iterator[None]:
    """Stop the drive at a time of the monotonic clock, beside a window that has the main thread."""
    if ends is None:
        yield
        return
    timer = threading.Timer(max(0.0, ends - time.monotonic()), drive.stop)
    timer.start()
    try:
        yield
    finally:
        timer.cancel()
