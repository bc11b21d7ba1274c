"""What is written beside the program, after asking; completion; and the other ways in."""

import configparser
import os
import shlex
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.ui_cli import ROOT
from ui.cli import setup


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A person's own folder, and a place for the rule that is not the system's."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setenv("SHELL", "/bin/bash")
    monkeypatch.setattr(setup, "RULES", tmp_path / "rules.d" / "70-steadypull-serial.rules")
    monkeypatch.setattr(sys, "platform", "linux")
    return tmp_path


def files(folder: Path) -> set[str]:
    return {path.name for path in folder.rglob("*") if path.is_file()}


def test_nothing_is_written_without_a_yes(steadypull: Any, home: Path) -> None:
    """No answer, a no, and a trial run leave everything alone; what would be written is shown."""
    for stdin, words in (("", ()), ("n\nn\nn\n", ()), ("y\ny\ny\n", ("--dry-run",))):
        done = steadypull("setup", *words, stdin=stdin)
        assert done.code == 0
        assert 'TAG+="uaccess"' in done.out
        assert files(home) == set()


def test_each_file_is_written_after_its_own_yes(steadypull: Any, home: Path) -> None:
    """A yes for the second alone."""
    done = steadypull("setup", stdin="n\ny\nn\n")
    assert done.code == 0
    assert files(home) == {"70-steadypull-serial.rules"}


def test_yes_writes_all_and_a_second_time_nothing(steadypull: Any, home: Path) -> None:
    """The desktop entry is what the Desktop Entry Specification 1.5 asks for; the rule names the kernel's ports."""
    assert steadypull("setup", "--yes").code == 0
    assert files(home) == {"steadypull.desktop", "70-steadypull-serial.rules", "steadypull"}
    entry = configparser.ConfigParser(interpolation=None)
    entry.optionxform = str  # type: ignore[assignment,method-assign]
    entry.read(home / "data" / "applications" / "steadypull.desktop")
    desktop = entry["Desktop Entry"]
    assert (desktop["Type"], desktop["Terminal"]) == ("Application", "false")  # required keys: Type, Name, Exec
    assert desktop["Name"]
    assert shlex.split(desktop["Exec"])[0].endswith("steadypull")
    again = steadypull("setup", "--yes")
    assert again.out.count("is there already") == 3


def test_a_rule_that_may_not_be_written_says_how(steadypull: Any, home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One line with the command for root; exit 3."""

    def refused(*words: Any, **more: Any) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "write_text", refused)
    done = steadypull("setup", "--only", "serial", "--yes")
    assert done.code == 3
    assert "run it as root: sudo " in done.error


def test_a_program_s_odd_name_is_quoted_for_the_desktop() -> None:
    """The specification: in quotes, four signs with a backslash, every backslash doubled, a percent sign doubled."""
    assert setup._quoted("/opt/a b/steadypull") == '"/opt/a b/steadypull"'
    assert setup._quoted("/opt/5%/$x") == '"/opt/5%%/\\\\$x"'


def complete(*words: str) -> list[str]:
    """What click's bash script asks for: the words typed so far, the last one unfinished."""
    env = {**os.environ, "PYTHONPATH": str(ROOT), "_STEADYPULL_COMPLETE": "bash_complete"}
    env |= {"COMP_WORDS": " ".join(("steadypull", *words)), "COMP_CWORD": str(len(words))}
    done = subprocess.run(
        [sys.executable, "-m", "ui"], env=env, capture_output=True, text=True, timeout=60, check=False
    )
    return done.stdout.split()


def test_the_shell_completes_commands_options_and_files() -> None:
    """Commands by name, options by what was typed, sessions and car files by the shell's own list of files."""
    assert complete("re") == ["plain,rehearse", "plain,replay", "plain,recover", "plain,report"]
    assert "plain,--trial" in complete("compare", "--t")
    assert complete("compare", "drives/p") == ["file,drives/p"]
    assert complete("drive", "--car", "c") == ["file,c"]
    assert complete("shelf", "d") == ["dir,d"]
    assert complete("setup", "--only", "se") == ["plain,serial"]


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_is_printed_for_each_shell(shell: str) -> None:
    """As README has it: the script names the program and its variable."""
    if shell == "bash" and subprocess.run(["bash", "--version"], capture_output=True).returncode:
        pytest.skip("no bash here")
    env = {**os.environ, "PYTHONPATH": str(ROOT), "_STEADYPULL_COMPLETE": f"{shell}_source"}
    done = subprocess.run(
        [sys.executable, "-m", "ui"], env=env, capture_output=True, text=True, timeout=60, check=False
    )
    assert "_STEADYPULL_COMPLETE=" in done.stdout
    if shell == "bash":
        assert not subprocess.run(["bash", "-n"], input=done.stdout, text=True, check=False).returncode


def test_the_module_is_the_command() -> None:
    """`python -m ui` runs what the installed command runs."""
    done = subprocess.run(
        [sys.executable, "-m", "ui", "--version"], cwd=ROOT, capture_output=True, text=True, timeout=60, check=True
    )
    assert done.stdout.startswith("steadypull ")
