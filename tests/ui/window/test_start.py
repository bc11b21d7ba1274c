"""Opening the window, and what is said where it cannot be."""

import importlib
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from stream.errors import SteadypullError
from tests.ui.window.fake_feed import FakeFeed
from ui.window import start

ROOT = str(Path(__file__).parents[3])


@pytest.fixture
def bare(monkeypatch: pytest.MonkeyPatch) -> pytest.MonkeyPatch:
    for name in ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr(sys, "platform", "linux")
    return monkeypatch


def test_display_is_known_without_qt(bare: pytest.MonkeyPatch) -> None:
    """Whether there is a display is known without loading Qt."""
    assert not start.display_available()
    for name in ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM"):
        bare.setenv(name, "x")
        assert start.display_available()
        bare.delenv(name)
    bare.setattr(sys, "platform", "win32")
    assert start.display_available()


def test_importing_the_door_loads_no_qt() -> None:
    """Importing the door loads no Qt."""
    heavy = ("PySide6", "pyqtgraph", "numpy")
    code = f"import sys, ui.window; print([m for m in sys.modules if m.split('.')[0] in {heavy}])"
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "PYTHONPATH": ROOT},
    )

    assert done.stdout.strip() == "[]"


def test_no_display_is_one_line(bare: pytest.MonkeyPatch) -> None:
    """No display is one line with the cure."""
    with pytest.raises(SteadypullError, match=r"is set; run a command with --headless"):
        start.open_road(FakeFeed())


@pytest.mark.parametrize(
    ("trouble", "words"),
    [
        (
            "libEGL.so.1: cannot open shared object file: No such file or directory",
            "libEGL.so.1: cannot open shared object file: No such file or directory; on Debian: apt install libegl1 ",
        ),
        ("No module named 'PySide6'", "pip install 'PySide6-Essentials<6.12' pyqtgraph"),
    ],
)
def test_qt_that_cannot_load_names_the_cure(bare: pytest.MonkeyPatch, trouble: str, words: str) -> None:
    """What is missing is named with the package that brings it."""

    def failing(name: str) -> Any:
        raise (ModuleNotFoundError if "module" in trouble else ImportError)(trouble)

    bare.setenv("QT_QPA_PLATFORM", "offscreen")
    bare.setattr(importlib, "import_module", failing)
    with pytest.raises(SteadypullError) as caught:
        start.open_road(FakeFeed())
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_missing_x11_parts_are_named_before_qt_ends_the_process(bare: pytest.MonkeyPatch) -> None:
    """Missing parts are named before Qt can abort."""

    def load(library: str) -> object:
        if library in ("libxcb-cursor.so.0", "libxkbcommon-x11.so.0"):
            raise OSError(library)
        return object()

    bare.setenv("DISPLAY", ":0")
    with pytest.raises(SteadypullError, match=r"apt install libxcb-cursor0 libxkbcommon-x11-0 \(or add --headless\)"):
        start.check_x11(load)


def test_x11_is_not_asked_for_where_it_is_not_used(bare: pytest.MonkeyPatch) -> None:
    """On another platform X11 is not asked for."""

    def load(library: str) -> object:
        raise AssertionError(library)

    bare.setenv("QT_QPA_PLATFORM", "offscreen")
    bare.setenv("DISPLAY", ":0")
    start.check_x11(load)
    bare.delenv("QT_QPA_PLATFORM")
    bare.setenv("WAYLAND_DISPLAY", "wayland-0")
    start.check_x11(load)


@pytest.mark.parametrize(("state", "code"), [("finished", 0), ("failed", 3)])
def test_stays_until_closed_and_stops_the_drive(qt: Any, state: str, code: int) -> None:
    """Opened as a command does it: the window's own frame timer sees that the drive is over."""
    feed = FakeFeed()
    feed.run_to(1.0, state=state, failure="gone")
    has_font = qt.QtGui.QFontMetrics(qt.QtGui.QFont()).inFont("A")
    said: list[str] = []

    assert start.open_road(feed, caution=False, close_when_finished=True, say=said.append) == code
    assert feed.stopped
    assert said == ([] if has_font else [start.NO_FONT])


@pytest.mark.skipif(sys.platform != "linux", reason="hides the fonts through fontconfig")
def test_no_system_font_is_needed(qt: Any, tmp_path: Path) -> None:
    """A process that finds no font at all: the window opens in the typeface it brings, and nothing is complained of."""
    settings = tmp_path / "fonts.conf"
    settings.write_text("<fontconfig></fontconfig>")
    code = (
        "from tests.ui.window.fake_feed import FakeFeed\n"
        "from ui.window import open_road\n"
        "feed = FakeFeed()\n"
        "feed.run_to(1.0, state='finished')\n"
        "open_road(feed, caution=False, close_when_finished=True)\n"
        "from pyqtgraph.Qt import QtGui\n"
        "print(QtGui.QFontInfo(QtGui.QFont()).family(), QtGui.QFontMetrics(QtGui.QFont()).inFont('A'))\n"
    )
    env = {**os.environ, "PYTHONPATH": ROOT, "QT_QPA_PLATFORM": "offscreen", "FONTCONFIG_FILE": str(settings)}
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env=env, timeout=60, check=True)

    assert done.stdout.split("\n")[0] == "DejaVu Sans True"
    assert [line for line in done.stderr.splitlines() if line.startswith("steadypull:")] == []


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals")
def test_sigterm_closes_the_window_and_ends_the_drive(qt: Any) -> None:
    """In a process of its own: it says when the window stands, gets SIGTERM, and must end in order with 0."""
    code = (
        "import os, signal, threading\n"
        "from tests.ui.window.fake_feed import FakeFeed\n"
        "from ui.window import open_road\n"
        "feed = FakeFeed()\n"
        "begun = feed.live_cursor\n"
        "feed.live_cursor = lambda: (os.kill(os.getpid(), signal.SIGTERM), begun())[1]\n"
        "code = open_road(feed, caution=False)\n"
        "print('stopped', feed.stopped, code)\n"
    )
    env = {**os.environ, "PYTHONPATH": ROOT, "QT_QPA_PLATFORM": "offscreen"}
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, env=env, timeout=60, check=False
    )

    assert done.stdout.strip() == "stopped True 0", done.stderr
