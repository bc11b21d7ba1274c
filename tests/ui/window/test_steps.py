"""Undo and redo of what was done to sessions, from the window, after a restart too."""

import importlib
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import pytest

from stream.record.change import session_history
from stream.record.session import open_session
from stream.record.tables import Heard
from stream.study.edit import Marks, declare_zero, mark_session
from tests.shared import made_once
from tests.ui.window.fake_feed import FakeFeed
from tests.ui.window.test_trace import _make


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Two sessions of a day."""
    made = tmp_path / "day"
    made.mkdir()
    for name in ("shunt", "weights"):
        shutil.copy(made_once("trace", _make) / f"{name}.h5", made / f"{name}.h5")
    return made


@pytest.fixture
def opened(open_window: Any, folder: Path, qt: Any) -> Callable[[], Any]:
    """A window on that folder, as after a start of the program, its folder read."""

    def opening() -> Any:
        window = open_window(None)
        window.desk.set_folder(folder)
        answered(window)
        return window

    return opening


def answered(window: Any) -> None:
    """Let everything that goes on come to its end."""
    desk = window.desk
    workers = [desk.worker, desk._turner]
    while any(worker.task is not None for worker in workers):
        for worker in workers:
            worker.wait()
        window.poll()
    start = window.screens["Start"]
    if "steps" in start.pages:
        start.pages["steps"].worker.wait()
        window.poll()


def press(qt: Any, window: Any, shift: bool = False) -> None:
    """Ctrl+Z, or with Shift, and what comes of it."""
    test, core = importlib.import_module("PySide6.QtTest").QTest, qt.QtCore.Qt
    held = core.KeyboardModifier.ControlModifier
    if shift:
        held |= core.KeyboardModifier.ShiftModifier
    test.keyClick(window, core.Key.Key_Z, held)
    answered(window)


def content(path: Path) -> list[bytes]:
    """The bytes of the tables that a person changes."""
    with h5py.File(path) as file:
        return [repr((file[name][:].tolist(), file.attrs["note"])).encode() for name in ("zeros", "holds", "pulls")]


def test_ctrl_z_takes_back_what_was_done_before_the_window_was_opened(qt: Any, opened: Any, folder: Path) -> None:
    """The newest change of the folder goes first, whichever session it is of; the bytes are those from before, and
    Ctrl+Shift+Z brings the others back; each is named where it can be seen."""
    before = {path: content(path) for path in folder.glob("*.h5")}
    declare_zero(folder / "shunt.h5", 1.0, 8.0)
    zeroed = content(folder / "shunt.h5")
    mark_session(folder / "weights.h5", Marks(note="on stands"))
    window = opened()
    press(qt, window)
    press(qt, window)
    assert {path: content(path) for path in folder.glob("*.h5")} == before
    assert window.told.isVisible()
    press(qt, window)
    assert window.told_text.text() == "Nothing to undo."
    window.close_now()

    again = opened()
    press(qt, again, shift=True)
    press(qt, again, shift=True)
    assert content(folder / "shunt.h5") == zeroed
    with open_session(folder / "weights.h5") as session:
        assert session.note == "on stands"


def test_the_page_lists_the_named_steps_and_its_buttons_act(qt: Any, opened: Any, folder: Path) -> None:
    """When, what and where; what was taken back says so in words."""
    declare_zero(folder / "shunt.h5", 1.0, 8.0)
    window = opened()
    window.go("steps")
    page = window.screens["Start"].page
    answered(window)

    def rows() -> list[list[str]]:
        return [[page.table.item(row, column).text() for column in range(1, 4)] for row in range(page.table.rowCount())]

    assert rows() == [["zero taken, 1.0 to 8.0 s", "shunt.h5", ""]]
    assert page.undo.text() == "Undo: zero taken, 1.0 to 8.0 s"
    page.undo.click()
    answered(window)
    assert rows() == [["zero taken, 1.0 to 8.0 s", "shunt.h5", "taken back"]]
    assert window.told_text.text() == "Undone: zero taken, 1.0 to 8.0 s (shunt.h5)."
    assert not page.undo.isEnabled()
    page.redo.click()
    answered(window)
    assert rows()[0][2] == ""
    with open_session(folder / "shunt.h5") as session:
        assert [zero.start_s for zero in session.zeros] == [1.0]


def test_one_press_that_changed_several_sessions_is_undone_by_one(qt: Any, opened: Any, folder: Path) -> None:
    """Zeros of two sessions, taken together, go together; one row tells it."""
    tick = importlib.import_module("ui.window.tick_pages")
    proposals = [tick.ProposedStretch(str(path), (1.0, 4.0), "") for path in sorted(folder.glob("*.h5"))]
    tick.take_zeros(proposals, confirmed=True)
    window = opened()
    window.go("steps")
    answered(window)
    table = window.screens["Start"].page.table
    assert table.rowCount() == 1
    assert table.item(0, 2).text() == "2 sessions"
    press(qt, window)
    for path in folder.glob("*.h5"):
        assert session_history(path).done == 0


def test_a_draft_is_taken_back_before_the_session(qt: Any, opened: Any, folder: Path) -> None:
    """On Calibrate Ctrl+Z takes back what was typed there first; the session's own step, shown there, after that."""
    declare_zero(folder / "shunt.h5", 1.0, 8.0)
    window = opened()
    window.go("calibrate", str(folder / "shunt.h5"))
    screen = window.screens["Calibrate"]
    screen.opener.wait()
    window.poll()
    screen.scale.setText("3")
    screen.scale.editingFinished.emit()
    press(qt, window)
    assert screen.scale.text() == "1"
    assert session_history(folder / "shunt.h5").done == 1
    assert screen.undo.isEnabled()
    screen.undo.click()  # as Ctrl+Z
    answered(window)
    assert session_history(folder / "shunt.h5").done == 0


@pytest.mark.parametrize("theme", ["dark", "light"])
def test_nothing_is_cut_off(qt: Any, open_window: Any, folder: Path, theme: str) -> None:
    """The words of both buttons fit at the smallest size that is designed for."""
    declare_zero(folder / "shunt.h5", 1.0, 8.0)
    window = open_window(None, theme=theme)
    window.resize(1280, 800)
    window.desk.set_folder(folder)
    answered(window)
    window.go("steps")
    answered(window)
    qt.QtWidgets.QApplication.processEvents()
    page = window.screens["Start"].page
    page.undo.click()
    answered(window)
    window.set_theme("light" if theme == "dark" else "dark")
    ink, ground = page.table.item(0, 1).foreground().color(), page.theme.panel
    assert page.table.item(0, 3).text() == "taken back"
    assert abs(ink.lightness() - qt.QtGui.QColor(ground).lightness()) > 80  # to be read in the other theme too
    qt.QtWidgets.QApplication.processEvents()
    for button in (page.undo, page.redo):
        assert button.fontMetrics().horizontalAdvance(button.text()) <= button.width() - 8


def test_a_knock_that_is_unsaid_is_told_with_what_follows(qt: Any, opened: Any, folder: Path) -> None:
    """Knock heard counts in every advice; whoever takes it back is told that it does no more."""
    said = Heard(pull=0, heard=True, rpm_from=3000.0, rpm_to=3500.0, said_utc="2026-06-01")
    mark_session(folder / "shunt.h5", Marks(heard=[said]))
    window = opened()
    press(qt, window)
    assert window.told_text.text().startswith("▲ Undone: knock heard (shunt.h5). What was heard counts in no advice")
    press(qt, window, shift=True)
    assert window.told_text.text() == "Done again: knock heard (shunt.h5)."


def test_the_session_in_view_is_undone_wherever_it_lies(qt: Any, opened: Any, folder: Path, tmp_path: Path) -> None:
    """What Calibrate shows may be of another folder, and be named in another way; its step is taken back, and it is
    read anew with what was typed."""
    other = Path(shutil.copy(folder / "weights.h5", tmp_path / "elsewhere.h5"))
    declare_zero(other, 1.0, 4.0)
    link = tmp_path / "link.h5"
    link.symlink_to(other)
    window = opened()
    window.go("calibrate", str(link))
    screen = window.screens["Calibrate"]
    screen.opener.wait()
    window.poll()
    screen.reading.setText("40")
    screen.reading.editingFinished.emit()
    screen.desk.settle()
    press(qt, window)
    screen.opener.wait()
    window.poll()
    with open_session(other) as session:
        assert session.zeros == ()
    assert screen.reading.text() == "40"


def test_nothing_is_undone_while_something_is_driven(qt: Any, open_window: Any, folder: Path) -> None:
    """The recording has the disk to itself; the line says so."""
    declare_zero(folder / "shunt.h5", 1.0, 8.0)
    window = open_window(FakeFeed([(0.0, 900.0, 0.0), (60.0, 900.0, 0.0)]))
    window.desk.memory.set_folder(folder)
    window.poll()
    window.undo()
    assert "While something is driven" in window.told_text.text()
    assert session_history(folder / "shunt.h5").done == 1
