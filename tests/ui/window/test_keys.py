"""Keys and touch: each key is told somewhere, each control is reached by Tab, and is as large as a fingertip."""

from pathlib import Path
from typing import Any

import pytest

from tests.ui.window.fake_feed import FakeFeed, steady

SAID = {
    "Space": "space bar",
    "Left": "left arrow key",
    "Right": "right arrow key",
    "Shift+Z": "shift and z",
    "PgDown": "page down",
    "PgUp": "page up",
}
SCREENS = ("Start", "Road", "Calibrate", "Compare", "Shelf")
TOUCH = 26  # pixels at 1280 × 800, the low rows of tables: half a fingertip, but with a whole row's width to press


def menus(qt: Any, part: Any) -> list[str]:
    return [action.text() for menu in part.findChildren(qt.QtWidgets.QMenu) for action in menu.actions()]


def test_every_key_is_told(qt: Any, open_window: Any) -> None:
    """A key that is in no hover text and in no menu is known to nobody."""
    window = open_window(FakeFeed())
    for name in SCREENS:
        window.show_screen(name)
    window.go("words", "residual")
    texts = [part.toolTip() for part in window.findChildren(qt.QtWidgets.QWidget)] + menus(qt, window)
    texts += [window.tabs.tabToolTip(place) for place in range(window.tabs.count())]
    compared = window.screens["Compare"]
    for menu in (compared.figure.tools[0].menu(), window.hands.menu_for(compared.lists.pull_table)):
        texts += [action.text() for action in menu.actions()]
    told = "\n".join(texts).lower()
    keys = [shortcut.key().toString() for shortcut in window.findChildren(qt.QtGui.QShortcut)]
    assert {"1", "5", "Esc", "F11", "Space", "K", "Z", "Ctrl+C", "Ctrl+S"} <= set(keys)
    for key in keys:
        words = SAID.get(key, key).lower()
        forms = (words,) if len(words) > 2 else (f"key {words}", f"({words})")
        assert any(form in told for form in forms), key


def test_digits_esc_and_f11(qt: Any, open_window: Any) -> None:
    """A digit puts a screen in front, Esc goes back to the start page and out of the full screen."""
    window = open_window(None)
    test, keys = qt.QtTest.QTest, qt.QtCore.Qt.Key
    for place, name in enumerate(SCREENS, 1):
        test.keyClick(window, getattr(keys, f"Key_{place}"))
        assert window.tabs.tabText(window.tabs.currentIndex()) == name
    test.keyClick(window, keys.Key_F11)
    assert window.isFullScreen()
    test.keyClick(window, keys.Key_Escape)
    assert not window.isFullScreen()
    window.go("words", "residual")
    test.keyClick(window, keys.Key_Escape)
    assert window.screens["Start"].page is None


@pytest.mark.parametrize("name", [name for name in SCREENS if name != "Road"])
def test_tab_reaches_every_control(qt: Any, open_window: Any, tmp_path: Path, name: str) -> None:
    """At the desk the keyboard gets everywhere; in the car the space bar is the mark key whatever was pressed last."""
    widgets = qt.QtWidgets
    window = open_window(None)
    window.show_screen(name)
    screen = window.screens[name]
    kinds = (widgets.QPushButton, widgets.QComboBox, widgets.QLineEdit, widgets.QTableView, widgets.QCheckBox)
    wanted = [
        part
        for kind in kinds
        for part in screen.findChildren(kind)
        if part.isVisible() and part.isEnabled() and not isinstance(part.parent(), widgets.QComboBox)
    ]
    reached, at = set(), screen
    for _ in range(2000):
        at = at.nextInFocusChain()
        if at.focusPolicy() & qt.QtCore.Qt.FocusPolicy.TabFocus and at.isVisible():
            reached.add(at)
    assert wanted
    assert [part for part in wanted if part not in reached] == []
    for part in wanted:
        if not isinstance(part, widgets.QCheckBox):
            assert part.height() >= TOUCH, part


def test_less_motion_is_kept_and_ends_transitions(open_window: Any, run: Any) -> None:
    """Asked for in the window's menu, the bracket is at once where it belongs, today and the next time."""
    feed = FakeFeed([(0.0, 2000.0, 0.1), (60.0, 2000.0, 0.1)])
    window = open_window(feed)
    road = window.screens["Road"]
    run(window, feed, 1.0, steady=steady(2000, 600))
    assert road.speed.open.value > 0.5
    window.less_motion.setChecked(True)
    assert window.desk.memory.kept.less_motion
    feed.run_to(1.01, steady=steady(2000, 30, 3.0, holding=True))
    window.poll()
    assert (road.speed.open.value, road.speed.arms.value) == (0.0, 1.0)
