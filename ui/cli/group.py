"""The commands: a lazy group, so that --help costs no more than click, and one line for every error."""

import importlib
import re
import sys
from collections.abc import Sequence
from typing import Any

import click
from click.shell_completion import CompletionItem

from stream.errors import SteadypullError
from ui.cli.options import NUMBER
from ui.text.cautions import SHORT

# name: (module under ui.cli, with the command's name in it where that is not `command`; one line for --help)
COMMANDS = {
    "plan": ("plan", "Frequencies, converter parts and resolution, before anything is built."),
    "car": ("car", "Make a car file by asking."),
    "rehearse": ("rehearse", "The whole job with no hardware: a rehearsal car drives itself."),
    "drive": ("drive", "Record a drive, live."),
    "replay": ("replay", "Pass a recorded session through the same live stage."),
    "fit": ("fit", "Holds to a speed calibration, with its uncertainty."),
    "apply": ("fit:apply_command", "Attach a speed calibration to sessions."),
    "zero": ("zero", "Declare a stretch of a session as zero load."),
    "mark": ("mark", "Accept, drop or retarget holds and pulls; note."),
    "undo": ("undo", "Take the last change of a session back, or list its changes."),
    "weigh": ("link:weigh_command", "Known weights to newtons."),
    "shunt": ("link", "Prove the load chain with a shunt resistor."),
    "recover": ("export:recover_command", "Join a session that was cut off with what its journal still holds."),
    "import": ("import_log", "Make a log a session, its holds and pulls found."),
    "survey": ("survey", "What a drive tells of the measuring chain, and what to change."),
    "curve": ("curve", "Load against engine speed, per tune."),
    "compare": ("compare", "Tune against tune, band by band."),
    "coach": ("coach", "The next pull to make, or 'settled'; the next advance to try."),
    "trend": ("shelf:trend_command", "One tune over its sessions: does its load drift with the dates?"),
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
    "ports": ("setup:ports_command", "List the serial ports."),
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
        module, _, name = COMMANDS[cmd_name][0].partition(":")
        command = getattr(importlib.import_module(f"ui.cli.{module}"), name or "command")
        if not isinstance(command, click.Command):
            raise TypeError(f"ui.cli.{COMMANDS[cmd_name][0]} is no command")
        command.epilog = below_help(cmd_name)
        for param in command.params:
            if type(param.type) is click.types.FloatParamType:
                param.type = NUMBER
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
    except OSError as error:  # a name that no file can have, and what else the system refuses where nobody asked before
        where = f"{error.filename}: " if isinstance(error.filename, str) else ""
        return _say(f"{where}{error.strerror or error}; give another file or folder", 2)
    except MemoryError:
        return _say("this needs more memory than there is; give fewer or shorter sessions", 2)
    return code if isinstance(code, int) else 0


def _say(text: str, code: int) -> int:
    text = " ".join(text.split())
    if len(text) > 600:  # what was typed may be quoted in it; place and cure stand at the two ends
        text = f"{text[:300]} … {text[-280:]}"
    click.echo(f"steadypull: error: {text}", err=True)
    return code


# name: (what it needs, an example)
EXAMPLES: dict[str, tuple[str, str]] = {
    "plan": ("nothing but the engine's own figures", "plan --pulses 4 --redline 7400"),
    "car": ("somebody to answer the questions", "car -o car.toml"),
    "rehearse": ("nothing", "rehearse --quick -o drives"),
    "drive": (
        "a car file and a device on a port",
        "drive --port /dev/ttyACM0 --car car.toml -o drives --tune heron --gear 2 --targets 1500,2000,3000,4000",
    ),
    "replay": ("a session", "replay drives/holds.h5 --headless"),
    "fit": (
        "a session with three steady speeds or more, and what they were",
        "fit drives/holds.h5 --targets 1500,2000,3000,4000 -o speed.toml",
    ),
    "apply": ("what 'fit -o' wrote, and sessions of that car and chain", "apply speed.toml drives/pulls.h5"),
    "zero": ("a session in which the car rolled or stood free", "zero drives/pulls.h5 --from 1 --to 5"),
    "mark": ("a session with holds or pulls", 'mark drives/pulls.h5 --drop-pull 2 --note "wind from the left"'),
    "undo": ("a session that 'apply', 'zero' or 'mark' changed", "undo drives/pulls.h5 --list"),
    "weigh": (
        "a session with a load channel, recorded while weights hung on the link",
        "weigh drives/weights.h5 --at 5=0 15=98.1 25=196.2 35=98.1 45=0",
    ),
    "shunt": (
        "a session in which the resistor was off, then on, or the step that was read",
        "shunt drives/shunt.h5 --gauge 350 --resistor 100000 --off 2 --on 12",
    ),
    "recover": ("a session that was cut off, its .journal file beside it", "recover drives/pulls.h5"),
    "import": (
        "a CSV log, and a car file whose columns are the log's",
        "import log.csv --car log_car.toml -o log.h5 --tune heron --gear 3",
    ),
    "survey": ("a session; one with holds, pulls and idle tells most", "survey drives/holds.h5"),
    "curve": ("sessions with clean pulls", "curve drives/pulls1.h5 drives/pulls2.h5 --csv curve.csv"),
    "compare": (
        "pulls on two tunes in one gear, taken in turns, with a zero in each session",
        "compare drives/pulls*.h5 --base heron --trial plover",
    ),
    "coach": ("sessions of one day with pulls", "coach drives/pulls*.h5"),
    "trend": ("sessions of one tune from different days", "trend drives/*.h5 --tune heron"),
    "air": ("a thermometer, a barometer and a hygrometer", "air --temperature 18 --pressure 1002 --humidity 55"),
    "export": ("a session", "export drives/pulls.h5 -o pulls.csv --part pulls"),
    "report": ("sessions", "report drives/*.h5 -o day.pdf"),
    "shelf": ("a folder with sessions", "shelf drives --search heron"),
    "cells": (
        "sessions, and your table of rpm against manifold pressure or throttle",
        "cells drives/*.h5 --table advance.csv",
    ),
    "advise-ignition": (
        "pulls on two tunes or more that differ in advance alone, and the advance of each",
        "advise-ignition drives/*.h5 --advance advance.csv --now heron",
    ),
    "advise-mixture": (
        "a session with channels lambda, engine_speed, and manifold_pressure or throttle; and the wanted λ",
        "advise-mixture drives/*.h5 --target target.csv --fuel fuel.csv -o new-fuel.csv",
    ),
    "power": (
        "pulls in two gears or more, and a car file with mass, gearing and rolling radius",
        "power drives/*.h5 --car car.toml",
    ),
    "coastdown": ("a session with a road_speed channel, rolled down in neutral both ways", "coastdown drives/roll.h5"),
    "align": (
        "a session, the log of the same drive, and the log's car file",
        "align drives/pulls.h5 log.csv --car log_car.toml -o merged.h5",
    ),
    "ports": ("nothing", "ports"),
    "explain": ("nothing", "explain order-drift"),
    "setup": ("a Linux desktop", "setup --only desktop"),
}


def below_help(name: str) -> str:
    """The text that --help of a command ends with; '' for a command that is not in the list."""
    if name not in EXAMPLES:
        return ""
    needs, example = EXAMPLES[name]
    lines = [f"  steadypull {name}"]
    for part in re.split(r" (?=-)", example.removeprefix(name).strip()):  # an option stays beside its value
        if len(lines[-1]) + len(part) > 72:
            lines[-1] += " \\"
            lines.append("     ")
        lines[-1] += f" {part}"
    lines[0] = lines[0].rstrip()
    return f"Needs: {needs}.\n\n\b\nExample:\n" + "\n".join(lines)
