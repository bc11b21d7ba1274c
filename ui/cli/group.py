"""The commands: a lazy group, so that --help costs no more than click, and one line for every error."""

import importlib
import re
import sys
from collections.abc import Sequence
from typing import Any

import click
from click.shell_completion import CompletionItem

from stream.errors import SteadypullError
from ui.cli.examples import below_help
from ui.text.cautions import SHORT

# name: (module under ui.cli, one line for --help)
COMMANDS = {
    "plan": ("plan", "Frequencies, converter parts and resolution, before anything is built."),
    "car": ("car", "Make a car file by asking."),
    "rehearse": ("rehearse", "The whole job with no hardware: a rehearsal car drives itself."),
    "drive": ("drive", "Record a drive, live."),
    "replay": ("replay", "Pass a recorded session through the same live stage."),
    "fit": ("fit", "Holds to a speed calibration, with its uncertainty."),
    "apply": ("apply", "Attach a speed calibration to sessions."),
    "zero": ("zero", "Declare a stretch of a session as zero load."),
    "mark": ("mark", "Accept, drop or retarget holds and pulls; note."),
    "weigh": ("weigh", "Known weights to newtons."),
    "shunt": ("shunt", "Prove the load chain with a shunt resistor."),
    "recover": ("recover", "Join a session that was cut off with what its journal still holds."),
    "import": ("import_log", "Make a log a session, its holds and pulls found."),
    "survey": ("survey", "What a drive tells of the measuring chain, and what to change."),
    "curve": ("curve", "Load against engine speed, per tune."),
    "compare": ("compare", "Tune against tune, band by band."),
    "coach": ("coach", "The next pull to make, or 'settled'; the next advance to try."),
    "trend": ("trend", "One tune over its sessions: does its load drift with the dates?"),
    "power": ("power", "Force, torque and power at the wheels."),
    "coastdown": ("coastdown", "Road load from rolling in neutral: A, B, C."),
    "align": ("align", "A controller's log on the session's clock, by engine speed."),
    "air": ("air", "Correction factors of an engine's torque to standard air."),
    "shelf": ("shelf", "List the sessions of a folder; how one tune went over the dates."),
    "cells": ("cells", "Which cells of a table the drives reached, and where to drive next."),
    "advise-ignition": ("advise_ignition", "Next cautious step of the ignition table."),
    "advise-mixture": ("advise_mixture", "Fuel multipliers for the cells of the mixture table."),
    "export": ("export", "A session, its holds or pulls as CSV, Parquet, MATLAB or netCDF."),
    "report": ("report", "The printed session: one HTML file or a PDF of A4 pages."),
    "ports": ("ports", "List the serial ports."),
    "explain": ("explain", "What a word, a fault, a finding or an exit code means."),
    "setup": ("setup", "Write a desktop entry, serial permission, completion; asks first."),
}


_FILES = re.compile(r"SESSION|LOG|FILE|\.(toml|csv|h5|html|pdf)")  # in what stands for an option's value in --help


class Named(click.ParamType):  # type: ignore[type-arg]
    """A name of a file or a folder, taken as it is typed; the shell completes it."""

    name = "text"

    def __init__(self, kind: str) -> None:
        self.kind = kind

    def shell_complete(self, ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem]:
        """The shell's own list of files or folders."""
        return [CompletionItem(incomplete, type=self.kind)]


FILE, FOLDER = Named("file"), Named("dir")


def _completed(param: click.Parameter) -> "click.ParamType[Any]":
    """A parameter of plain text as the kind of name that its metavar says it is."""
    if _FILES.search(str(param.metavar)):
        return FILE
    return FOLDER if param.metavar == "DIR" else param.type


class LazyGroup(click.Group):
    """Imports a command's module when it is run, not when its name is listed."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order of a day's work."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command's own object."""
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"ui.cli.{COMMANDS[cmd_name][0]}")
        command = module.command
        if not isinstance(command, click.Command):
            raise TypeError(f"ui.cli.{COMMANDS[cmd_name][0]}.command is no command")
        command.epilog = below_help(cmd_name)
        for param in command.params:
            if isinstance(param.type, click.types.StringParamType):
                param.type = _completed(param)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The list for --help, without importing a command."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in COMMANDS.items()])


def _version(ctx: click.Context, _: click.Parameter, wanted: bool) -> None:
    """Print the version and end; a checkout that was never installed has none, and says so."""
    if not wanted or ctx.resilient_parsing:
        return
    from importlib.metadata import PackageNotFoundError, version

    try:
        text = version("steadypull")
    except PackageNotFoundError:
        text = "not installed: runs from a folder"
    click.echo(f"steadypull {text}")
    ctx.exit()


@click.group(cls=LazyGroup, invoke_without_command=True, epilog=SHORT)
@click.option(
    "--version", is_flag=True, expose_value=False, is_eager=True, callback=_version, help="Print the version."
)
@click.pass_context
def cli(ctx: click.Context) -> None:
    """Live and after-drive companion for tuning an engine on the road. Without a command it opens the window."""
    if ctx.invoked_subcommand is None:
        from ui.cli.doors import open_window

        ctx.exit(open_window(None))


def run(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit code; errors are one line on standard error."""
    try:
        code = cli.main(arguments, prog_name="steadypull", standalone_mode=False)
    except click.UsageError as error:
        said = " ".join(error.format_message().split()).rstrip(".")
        command = "steadypull" if error.ctx is None else error.ctx.command_path
        return _say(f"{said}; see '{command} --help'", 2)
    except click.ClickException as error:
        return _say(" ".join(error.format_message().split()), 2)
    except click.Abort:
        from ui.cli.process import stopped

        return stopped(list(sys.argv[1:] if arguments is None else arguments))
    except SteadypullError as error:
        from ui.text.errors import for_command_line

        return _say(" ".join(for_command_line(error).split()), error.exit_code)
    except MemoryError:
        return _say("this needs more memory than there is; give fewer or shorter sessions", 2)
    return code if isinstance(code, int) else 0


def _say(text: str, code: int) -> int:
    click.echo(f"steadypull: error: {text}", err=True)
    return code
