"""The whole job in the window, with mouse and keys, on a rehearsal device: from an empty folder to paper and tables."""

import os
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from stream.record.session import open_session
from stream.sources.rehearsal.scenario import TARGETS
from ui.window.memory import Memory

pytestmark = pytest.mark.skipif(not hasattr(os, "openpty"), reason="this system has no pseudo-terminals")
PATIENCE_S = 90.0


class Person:
    """Mouse and keys on a window, and eyes that wait for what they want to see."""

    def __init__(self, qt: Any, window: Any) -> None:
        self.qt, self.window = qt, window
        self.test = __import__("PySide6.QtTest", fromlist=["QTest"]).QTest
        self.left = qt.QtCore.Qt.MouseButton.LeftButton
        self.places: list[str] = []

    def see(self, what: Callable[[], Any], *about: str) -> None:
        """Look at frame after frame until it is seen."""
        deadline = time.monotonic() + PATIENCE_S
        self.window.poll()
        while not what():
            assert time.monotonic() < deadline, (about, self.window.trail.why.text(), self.window.trail.next.text())
            threading.Event().wait(0.01)
            self.window.poll()
            self.qt.QtWidgets.QApplication.processEvents()

    def press(self, button: Any) -> None:
        """A click in the middle of a button that can be seen and pressed."""
        self.see(lambda: button.isVisible() and button.isEnabled(), "press", button.text())
        self.test.mouseClick(button, self.left)
        self.qt.QtWidgets.QApplication.processEvents()

    def type(self, field: Any, text: str) -> None:
        """Mark what stands in a field and type over it, with Enter behind."""
        self.test.mouseClick(field, self.left)
        field.selectAll()
        self.test.keyClicks(field, text)
        self.test.keyClick(field, self.qt.QtCore.Qt.Key.Key_Return)

    def choose(self, box: Any, text: str) -> None:
        """Go through the choices of a box with the arrow keys until the wanted one stands there."""
        box.setFocus()
        keys = self.qt.QtCore.Qt.Key
        self.test.keyClick(box, keys.Key_Home)
        for _ in range(box.count()):
            if box.currentText() == text:
                break
            self.test.keyClick(box, keys.Key_Down)
        assert box.currentText() == text
        box.activated.emit(box.currentIndex())

    def next(self, words: str) -> Any:
        """The one button of the trail, once it says so; returns the page of the start screen that is in front."""
        trail = self.window.trail
        self.see(lambda: trail.next.isEnabled() and trail.next.text() == f"Next: {words}", words)
        self.press(trail.next)
        return self.window.screens["Start"].stack.currentWidget()

    def front(self) -> str:
        tabs = self.window.tabs
        return str(tabs.tabText(tabs.currentIndex()))

    def keep(self, name: str) -> None:
        if folder := os.environ.get("STEADYPULL_KEEP_PICTURES"):
            self.window.grab().save(str(Path(folder) / f"job-{name}.png"))


def drive(person: Person, page: Any, rehearsal: str, folder: Path) -> None:
    """Begin a drive of the rehearsal car, and watch it on Road to its end."""
    form = page.form
    person.choose(form.fields["what"], rehearsal)
    person.choose(form.fields["pace"], "without waiting")
    assert form.text("folder") == str(folder)
    person.keep("rehearse")
    person.press(page.primary)
    assert person.front() == "Road"
    feed = person.window.feed
    person.see(lambda: feed.status().recording, "recording")
    assert not person.window.trail.isVisible(), "Road has the room while something is driven"
    person.see(lambda: feed.status().state == "finished", "finished")


def test_the_whole_job_without_a_command(
    qt: Any, open_window: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Holds, fit, pulls of two tunes, calibration and zeros into their sessions, comparison, both tables, the report:
    each by what the trail says is next, and in the end it says that everything is done."""
    folder = tmp_path / "day"
    folder.mkdir()
    answers: dict[str, Path] = {
        "Advance table": folder / "rehearsal-advance.csv",
        "Table of wanted λ": folder / "rehearsal-lambda.csv",
        "Print to a file": folder / "day.html",
    }
    monkeypatch.setattr("ui.window.ask.open_file", lambda _, title, *rest: answers[title])
    monkeypatch.setattr("ui.window.ask.save_as", lambda _, title, start, kind: answers.get(title, folder / start.name))
    window = open_window(None, memory=Memory(tmp_path / "window.toml"))
    person = Person(qt, window)
    start = window.screens["Start"]

    person.press(start.home.cards["rehearse"])
    person.type(start.stack.currentWidget().form.fields["folder"], str(folder))
    drive(person, start.stack.currentWidget(), "A row of held speeds", folder)
    person.next("fit the held speeds")
    calibrate = window.screens["Calibrate"]
    person.see(lambda: calibrate.desk.work is not None, "holds")
    person.type(calibrate.targets, ", ".join(f"{rpm:.0f}" for rpm in TARGETS))
    person.see(lambda: calibrate.apply.isEnabled(), "a fit")
    assert len([line for line in calibrate.desk.work.lines if line.state == "used"]) == len(TARGETS)
    person.press(calibrate.apply)
    person.keep("calibrate")

    for tune in ("heron", "plover"):
        page = person.next("record pulls")
        person.see(lambda: page.form.text("tune") == tune, tune)  # noqa: B023 - asked at once
        drive(person, page, "Pulls on one tune", folder)
    assert len(list(folder.glob("*.h5"))) == 3
    page = person.next("apply the calibration")
    person.see(lambda: page.ready and len(page.ticked) == 2, "the calibration and two sessions")
    person.keep("apply")
    person.press(page.primary)
    page = person.next("take the zeros")
    person.see(lambda: page.ready and len(page.ticked) == 2, "two stretches")
    person.test.mouseClick(page.confirmed, person.left, pos=qt.QtCore.QPoint(12, page.confirmed.height() // 2))
    assert page.confirmed.isChecked()
    person.keep("zero")
    person.press(page.primary)

    person.next("compare the tunes")
    compare = window.screens["Compare"]
    person.see(lambda: compare.found is not None and compare.found.comparison is not None, "a comparison")
    assert person.front() == "Compare"
    assert (compare.found.base, compare.found.trial) == ("heron", "plover")
    person.keep("compare")
    person.next("write the tables")
    ignition, mixture = compare.studies["Ignition"], compare.studies["Mixture"]
    person.press(ignition.choose)
    person.see(lambda: ignition.found is not None, "proposals")
    person.choose(ignition.knock, "none heard")
    person.see(lambda: ignition.found is not None and ignition.worker.task is None, "proposals")
    person.press(ignition.export)
    person.keep("ignition")
    tabs = compare.pages.tabBar()
    person.test.mouseClick(tabs, person.left, pos=tabs.tabRect(compare.pages.indexOf(mixture)).center())
    person.press(mixture.choose)
    person.see(lambda: mixture.found is not None, "multipliers")
    person.press(mixture.export)
    person.keep("mixture")
    page = person.next("print the report")
    assert len(page.ticked) == 3
    person.press(page.primary)
    person.see(lambda: page.status.text().startswith(("Printed", "▲")), "printed")
    assert page.status.text().startswith("Printed"), page.status.text()
    person.see(lambda: window.trail.next.text() == "Everything is done", "the end")
    person.keep("report")

    assert {mark.step.state for mark in window.trail.marks.values()} == {"done"}
    paper = (folder / "day.html").read_text(encoding="utf-8")
    for words in ("plover against heron", "rehearsal-advance.csv", "rehearsal-lambda.csv"):
        assert words in paper
    tables = window.desk.memory.job.tables
    assert sorted(tables) == ["ignition", "mixture"]
    assert Path(tables["ignition"]).read_text() != (folder / "rehearsal-advance.csv").read_text()
    for path in folder.glob("*.h5"):
        with open_session(path) as session:
            assert "speed" in session.calibrations()
            assert len(session.zeros) == (1 if session.pulls else 0)
