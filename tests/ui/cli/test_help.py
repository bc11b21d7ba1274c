"""Help and version: quick, in words, and without what only a drive needs."""

import json
import shlex
import subprocess
import sys

import click
import pytest

from tests.ui_cli import ROOT, in_process
from ui.cli.group import COMMANDS, EXAMPLES, cli

HEAVY = ("PySide6", "pyqtgraph", "scipy", "h5py", "numpy", "serial", "rich")


def modules_after(*words: str) -> set[str]:
    """Names of the modules that are loaded when a command has run."""
    code = (
        "import json, sys\nfrom ui.cli.main import run\n"
        f"assert run({list(words)!r}) == 0\nprint()\nprint(json.dumps(sorted(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True, timeout=60
    )
    return {name.split(".")[0] for name in json.loads(done.stdout.splitlines()[-1])}


@pytest.mark.parametrize("words", [["--help"], ["--version"]])
def test_help_and_version_import_nothing_heavy(words: list[str]) -> None:
    """The command line costs no more than its own library until a command runs."""
    assert not modules_after(*words) & set(HEAVY)


def test_a_commands_help_imports_neither_qt_nor_scipy_nor_h5py() -> None:
    """Heavy modules are imported where they are used, not where a command is declared."""
    for name in COMMANDS:
        assert not modules_after(name, "--help") & {"PySide6", "pyqtgraph", "scipy", "h5py"}, name


def test_a_command_line_without_a_window_never_loads_qt() -> None:
    """Listing ports needs pyserial and nothing of the rest."""
    assert not modules_after("ports", "--json") & {"PySide6", "pyqtgraph", "scipy", "h5py"}


def test_version_is_one_line_that_names_the_program() -> None:
    """Also from a folder that was never installed."""
    done = in_process("--version")

    assert done.code == 0
    assert done.out.split()[0] == "steadypull"
    assert len(done.out.splitlines()) == 1


def test_help_lists_every_command_and_the_cautions(steadypull) -> None:
    """One line a command, and the cautions where people read."""
    done = steadypull("--help")

    assert done.code == 0
    for name in COMMANDS:
        assert f"\n  {name} " in done.out
    assert "second person" in " ".join(done.out.split())


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_explains_itself(steadypull, name: str) -> None:
    """Usage and options; each option has words."""
    done = steadypull(name, "--help")

    assert done.code == 0
    assert done.out.startswith(f"Usage: steadypull {name}")
    assert "\n  Needs: " in done.out
    assert f"\n    steadypull {name}" in done.out
    assert max(map(len, done.out.splitlines())) <= 80
    assert done.err == ""


@pytest.mark.parametrize("name", COMMANDS)
def test_every_example_is_understood(name: str) -> None:
    """What help shows can be typed: the command takes every option of its example."""
    words = shlex.split(EXAMPLES[name][1])
    assert words[0] == name
    command = cli.get_command(click.Context(cli), name)
    assert command is not None

    with command.make_context(name, words[1:]) as context:
        assert context.params


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["nonsense"], "No such command 'nonsense'"),
        (["drive"], "Missing option '--port'"),
        (["drive", "--wrong"], "No such option"),
        (["import", "log.csv"], "Missing option '--car'"),
        (["replay"], "Missing argument 'SESSION'"),
        (["rehearse", "--seed", "x"], "'x' is not a valid integer"),
        (["rehearse", "--seed", "-1"], "--seed"),
    ],
)
def test_wrong_usage_is_one_line_with_the_way_to_help(steadypull, words: list[str], said: str) -> None:
    """Exit code 2, one line, and where help is to be had."""
    done = steadypull(*words)

    assert done.code == 2
    assert said in done.error
    assert "--help" in done.error
    assert done.out == ""


@pytest.mark.parametrize("typed", ["nan", "inf", "-inf", "1e308", "-1e308", "1e-308", "1e400", "1" * 400])
def test_no_option_takes_a_number_that_no_quantity_has(typed: str) -> None:
    """Every option of every command that takes a number refuses what overflows or vanishes in arithmetic, by name."""
    asked = 0
    for name in COMMANDS:
        command = cli.get_command(click.Context(cli), name)
        assert command is not None
        for param in command.params:
            if isinstance(param.type, click.types.FloatParamType):
                asked += 1
                with pytest.raises(click.UsageError, match=rf"^{param.opts[0]}: .* no size that this can have"):
                    param.type_cast_value(click.Context(command), (typed,) if param.multiple else typed)
    assert asked > 30


def test_a_refusal_stays_a_line_that_can_be_read(steadypull) -> None:
    """What was typed is quoted, but never a page of it: place and cure still show."""
    said = steadypull("fit", "x.h5", "--targets", "1" * 100_000).error

    assert len(said) < 700
    assert said.startswith("steadypull: error: --targets")


def test_ports_as_json_and_as_words(steadypull) -> None:
    """Every port of the machine, or what to do where there is none."""
    listed = steadypull("ports", "--json")

    assert listed.code == 0
    for port in listed.json["ports"]:
        assert set(port) == {"device", "description", "hardware", "serial_number"}
    words = steadypull("ports")
    assert words.code == 0
    assert all(port["device"] in words.out for port in listed.json["ports"])
    assert words.out.strip()
