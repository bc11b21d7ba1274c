"""A real window without a display, driven by a scripted drive."""

import importlib
import os
import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from tests.ui.window.fake_feed import FakeFeed

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
os.environ.setdefault("PYQTGRAPH_QT_LIB", "PySide6")


class Clock:
    """Monotonic seconds that only a test moves."""

    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now


class Heard:
    """A player that remembers what it was asked to play."""

    def __init__(self) -> None:
        self.cues: list[str] = []
        self.closed = False

    def play(self, cue: Any) -> None:
        self.cues.append(cue.name)

    def close(self) -> None:
        self.closed = True


@pytest.fixture(scope="session")
def qt() -> Iterator[Any]:
    """pyqtgraph.Qt with an application. Skips with the reason without Qt, or fails where it must be."""
    try:
        importlib.import_module("PySide6.QtWidgets")
        qt = importlib.import_module("pyqtgraph.Qt")
    except ImportError as error:
        if os.environ.get("STEADYPULL_REQUIRE_WINDOW") == "1":
            pytest.fail(f"a window is required, but Qt cannot load: {error}")
        pytest.skip(f"Qt cannot load: {error}")
    app = qt.QtWidgets.QApplication.instance() or qt.QtWidgets.QApplication(["tests"])
    importlib.import_module("ui.window.theme").load_face()
    yield qt
    app.processEvents()


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def heard() -> Heard:
    return Heard()


@pytest.fixture
def open_window(qt: Any, clock: Clock, heard: Heard) -> Iterator[Callable[..., Any]]:
    """Opens the main window on a drive, its frame timer stopped: the test says when a frame is due."""
    main = importlib.import_module("ui.window.main")
    ear = importlib.import_module("ui.window.ear")
    opened = []

    def opening(feed: FakeFeed | None, *, caution: bool = False, **options: Any) -> Any:
        window = main.MainWindow(feed, caution=caution, clock=clock, ear=ear.Ear(heard), **options)
        window.timer.stop()
        window.show()
        window.activateWindow()
        qt.QtWidgets.QApplication.processEvents()
        opened.append(window)
        return window

    yield opening
    for window in opened:
        window.close_now()
        window.deleteLater()
    qt.QtWidgets.QApplication.processEvents()


@pytest.fixture
def run(clock: Clock) -> Callable[..., None]:
    """Lets a drive go on to a session time in frames of 50 ms, with a status that the test gives."""

    def running(window: Any, feed: FakeFeed, until_s: float, **changes: Any) -> None:
        while feed.time_s < until_s - 1e-9:
            clock.now += 0.05
            feed.run_to(min(until_s, feed.time_s + 0.05), **changes)
            window.poll()
        clock.now += 0.11  # figures are renewed ten times a second
        window.poll()

    return running


@pytest.fixture(autouse=True)
def own_index(tmp_path: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """No test touches the person's own shelf and settings."""
    monkeypatch.setattr("stream.record.shelf.default_index_path", lambda: tmp_path / "index.sqlite")
    monkeypatch.setattr("ui.window.memory.default_path", lambda: tmp_path / "window.toml")


@pytest.fixture
def settle(qt: Any) -> Callable[[Any], None]:
    """Lets a screen's work come to its end, and shows it."""

    def settling(screen: Any) -> None:
        while screen.worker.task is not None:
            screen.worker.wait()
            screen.poll()
        qt.QtWidgets.QApplication.processEvents()

    return settling


@pytest.fixture
def hold_down(qt: Any) -> Callable[[Any], None]:
    """Presses a button with the mouse until it has acted, and lets it go."""
    test = importlib.import_module("PySide6.QtTest").QTest
    left = qt.QtCore.Qt.MouseButton.LeftButton

    def holding(button: Any) -> None:
        acted: list[None] = []
        button.held_ms = 30
        button.held.connect(lambda: acted.append(None))
        test.mousePress(button, left)
        deadline = time.monotonic() + 10.0
        while not acted:
            assert time.monotonic() < deadline, "nothing came of it"
            qt.QtWidgets.QApplication.processEvents()
        test.mouseRelease(button, left)

    return holding
