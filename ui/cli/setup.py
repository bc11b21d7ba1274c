"""steadypull setup and ports: what a Linux desktop needs beside the program, written after asking; its serial ports."""

import os
import shutil
import sys
from collections.abc import Callable
from pathlib import Path

import click

from stream.errors import StorageError
from ui.cli.options import json_option

RULES = Path("/etc/udev/rules.d/70-steadypull-serial.rules")
# `uaccess` lets the person at the seat open the port; systemd takes it up in 73-seat-late.rules, so this file's number
# is lower (from memory). The names are the kernel's: ttyACM is USB CDC ACM, ttyUSB a USB-to-serial converter.
RULE = """# Serial ports over USB for whoever sits at the computer. Written by 'steadypull setup'.
SUBSYSTEM=="tty", KERNEL=="ttyACM[0-9]*|ttyUSB[0-9]*", TAG+="uaccess"
"""
# Freedesktop.org, Desktop Entry Specification 1.5
DESKTOP = """[Desktop Entry]
Type=Application
Version=1.5
Name=Steadypull
Comment=Tune an engine on the road: record, calibrate, compare
Exec={command}
Terminal=false
Categories=Science;Engineering;
"""
PARTS = ("desktop", "serial", "completion")
COMPLETIONS = {  # shell: (its folder of completions below a base, the file's name); places of the shells' own manuals
    "bash": ("XDG_DATA_HOME", ".local/share", "bash-completion/completions/steadypull"),
    "fish": ("XDG_CONFIG_HOME", ".config", "fish/completions/steadypull.fish"),
}


@click.command("setup")
@click.option("--only", type=click.Choice(PARTS), multiple=True, help="Only this part; may be given more than once.")
@click.option("--yes", is_flag=True, help="Write without asking.")
@click.option("--dry-run", is_flag=True, help="Only print what would be written.")
def command(only: tuple[str, ...], yes: bool, dry_run: bool) -> int:
    """Write a desktop entry, a rule that lets you open USB serial ports, and your shell's completion.

    Each file is shown first and written after a yes. Linux only; the rule needs root.
    """
    if not sys.platform.startswith("linux"):
        click.echo("setup: writes what a Linux desktop needs; on this system there is nothing to write")
        return 0
    makers: dict[str, Callable[[], tuple[Path, str] | None]] = {
        "desktop": _desktop,
        "serial": lambda: (RULES, RULE),
        "completion": _completion,
    }
    for part in only or PARTS:
        wanted = makers[part]()
        if wanted is not None:
            _offer(part, *wanted, yes=yes, dry_run=dry_run)
    return 0


def _offer(part: str, path: Path, text: str, *, yes: bool, dry_run: bool) -> None:
    """Show a file, ask, write it. Raises StorageError where it cannot be written."""
    try:
        there = path.read_text(encoding="utf-8") if path.exists() else None
    except (OSError, UnicodeDecodeError):
        there = ""
    if there == text:
        click.echo(f"{path}: is there already")
        return
    click.echo(f"{path}:{' (in place of the one that is there)' if there is not None else ''}")
    click.echo("".join(f"    {line}\n" for line in text.rstrip("\n").split("\n")), nl=False)
    if dry_run:
        return
    if not yes:
        click.echo("Write it? [y/N] ", err=True, nl=False)
        answer = sys.stdin.readline().strip().lower()
        if answer not in ("y", "yes"):
            click.echo(f"{part}: left alone" if answer else f"\n{part}: no answer, left alone", err=True)
            return
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise StorageError(f"{path}: cannot be written ({error.strerror}){_cure(part, error)}") from None
    click.echo(f"{path}: written{_after(part)}", err=True)


def _cure(part: str, error: OSError) -> str:
    if part == "serial" and isinstance(error, PermissionError):
        return f"; run it as root: sudo {_program()} setup --only serial"
    return "; mend its folder"


def _after(part: str) -> str:
    if part == "serial":
        return "; unplug the device and plug it in again, or run: udevadm control --reload"
    return "; open a new terminal" if part == "completion" else ""


def _desktop() -> tuple[Path, str]:
    path = _base("XDG_DATA_HOME", ".local/share") / "applications" / "steadypull.desktop"
    return path, DESKTOP.format(command=_quoted(_program()))


def _completion() -> tuple[Path, str] | None:
    from click.shell_completion import get_completion_class

    from ui.cli.group import cli

    shell = Path(os.environ.get("SHELL", "")).name
    if shell not in COMPLETIONS:
        click.echo(
            f"completion: your shell is {shell or 'not known'}; for zsh put this into ~/.zshrc:\n"
            '    eval "$(_STEADYPULL_COMPLETE=zsh_source steadypull)"'
        )
        return None
    kind = get_completion_class(shell)
    if kind is None:
        return None
    variable, base, place = COMPLETIONS[shell]
    return _base(variable, base) / place, kind(cli, {}, "steadypull", "_STEADYPULL_COMPLETE").source()


def _base(variable: str, below_home: str) -> Path:
    """A base folder (XDG Base Directory Specification 0.8): an absolute one of the environment, else its default."""
    given = os.environ.get(variable, "")
    return Path(given) if given.startswith("/") else Path.home() / below_home


def _program() -> str:
    """The installed command, by its whole path where it is known."""
    beside = Path(sys.executable).with_name("steadypull")
    return str(beside) if beside.exists() else shutil.which("steadypull") or "steadypull"


def _quoted(program: str) -> str:
    """A program as `Exec` has it: quoted, a backslash before each of four signs, that one doubled again, %% for %."""
    inside = "".join(f"\\{letter}" if letter in '"`$\\' else letter for letter in program)
    return '"' + inside.replace("\\", "\\\\").replace("%", "%%") + '"'


@click.command("ports")
@json_option
def ports_command(as_json: bool) -> int:
    """List the serial ports that --port can take."""
    from stream.sources.port import list_ports
    from ui.cli.process import print_json

    ports = list_ports()
    if as_json:
        print_json(
            {
                "ports": [
                    {
                        "device": p.device,
                        "description": p.description,
                        "hardware": p.hardware,
                        "serial_number": p.serial_number,
                    }
                    for p in ports
                ]
            }
        )
        return 0
    if not ports:
        click.echo("no serial port found; plug the device in, or give --port a URL such as socket://host:port")
    for port in ports:
        click.echo("  ".join(part for part in (port.device, port.description, port.hardware) if part))
    return 0
