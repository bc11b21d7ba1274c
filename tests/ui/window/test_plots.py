"""Every plot of the desk has the same hands, and every table can be taken along."""

import csv
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.pull_sessions import write_pull_session

BEGAN = datetime(2026, 6, 1, 9, tzinfo=UTC)


@pytest.fixture
def compared(open_window: Any, tmp_path: Path, settle: Callable[[Any], None]) -> Any:
    """The Compare screen with a session of each tune."""
    tunes = enumerate(("heron", "plover"))
    paths = [
        str(write_pull_session(tmp_path / f"{tune}.h5", 11 + n, tune, started=BEGAN + timedelta(minutes=20 * n)))
        for n, tune in tunes
    ]
    window = open_window(None)
    window.show_screen("Compare")
    screen = window.screens["Compare"]
    screen.open(paths)
    settle(screen)
    return screen


def clipboard(qt: Any) -> list[list[str]]:
    return [line.split("\t") for line in qt.QtGui.QGuiApplication.clipboard().text().splitlines()]


def turn_wheel(qt: Any, view: Any, plot: Any) -> None:
    middle = view.mapFromScene(plot.vb.sceneBoundingRect().center())
    none, phase = qt.QtCore.Qt, qt.QtCore.Qt.ScrollPhase.NoScrollPhase
    at = qt.QtCore.QPointF(middle)
    event = qt.QtGui.QWheelEvent(
        at,
        view.viewport().mapToGlobal(at),
        qt.QtCore.QPoint(0, 0),
        qt.QtCore.QPoint(0, 240),
        none.MouseButton.NoButton,
        none.KeyboardModifier.NoModifier,
        phase,
        False,
    )
    qt.QtWidgets.QApplication.sendEvent(view.viewport(), event)


def test_wheel_keys_and_double_click(qt: Any, compared: Any) -> None:
    """The wheel and + zoom in, an arrow key moves, Home and a double click show all again; nothing lies outside."""
    figure = compared.figure
    view, plot, tools = figure.views[0], figure.plots[0], figure.tools[0]
    test, keys = qt.QtTest.QTest, qt.QtCore.Qt.Key
    whole = plot.viewRange()[0]
    turn_wheel(qt, view, plot)
    zoomed = plot.viewRange()[0]
    assert whole[0] < zoomed[0] < zoomed[1] < whole[1]
    assert figure.plots[1].viewRange()[0] == pytest.approx(zoomed), "both plots go along"
    view.setFocus()
    test.keyClick(view, keys.Key_Right)
    assert plot.viewRange()[0][0] > zoomed[0]
    test.keyClick(view, keys.Key_Home)
    assert plot.viewRange()[0] == pytest.approx(whole)
    test.keyClick(view, keys.Key_Plus)
    assert plot.viewRange()[0][0] > whole[0]
    middle = view.mapFromScene(plot.vb.sceneBoundingRect().center())
    test.mouseDClick(view.viewport(), qt.QtCore.Qt.MouseButton.LeftButton, pos=middle)
    test.mouseRelease(view.viewport(), qt.QtCore.Qt.MouseButton.LeftButton, pos=middle)
    assert plot.viewRange()[0] == pytest.approx(whole)
    assert "Copy picture" in " ".join(action.text() for action in tools.menu().actions())


def test_what_is_drawn_is_copied_with_units(
    qt: Any, compared: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ctrl+C on a plot gives what is seen with names and units, tabs between; Ctrl+S the same as CSV; and a picture."""
    figure = compared.figure
    test, keys, control = qt.QtTest.QTest, qt.QtCore.Qt.Key, qt.QtCore.Qt.KeyboardModifier.ControlModifier
    figure.views[0].setFocus()
    test.keyClick(figure.views[0], keys.Key_C, control)
    rows = clipboard(qt)
    assert rows[0] == [
        "engine speed, rpm",
        "plover less heron, %",
        "plover less heron from, %",
        "plover less heron to, %",
    ]
    dots = figure.dots.dots
    assert [float(row[0]) for row in rows[1:]] == [d.x for d in dots]
    assert [float(row[1]) for row in rows[1:]] == pytest.approx([d.y for d in dots], rel=1e-4)
    out = tmp_path / "out.csv"
    monkeypatch.setattr("ui.window.ask.save_as", lambda *_: out)
    figure.views[1].setFocus()
    test.keyClick(figure.views[1], keys.Key_S, control)
    with out.open(newline="", encoding="utf-8") as file:
        heads, *lines = csv.reader(file)
    assert heads[:2] == ["engine speed, rpm", "heron, mV/V"]
    assert len(lines) >= 10
    figure.tools[0].copy_picture()
    assert not qt.QtGui.QGuiApplication.clipboard().pixmap().isNull()


def test_the_pointer_reads_each_curve(qt: Any, compared: Any, settle: Callable[[Any], None]) -> None:
    """On a plot without a line of its own, the values under the pointer stand beside it, with interval and unit."""
    page = compared.studies["Power"]
    compared.pages.setCurrentWidget(page)
    settle(page)
    plot, tools = page.torque.plot, page.torque.tools
    place = page.torque.lines.lines[0].points[4]
    page.torque.view.scene().sigMouseMoved.emit(plot.vb.mapViewToScene(qt.QtCore.QPointF(place[0], place[1])))
    assert tools.reading.isVisible()
    assert tools.reading.text().startswith(f"{place[0]:.0f} rpm:  Wheel torque ")
    assert " Nm (" in tools.reading.text()
    tools.point_at(None)
    assert not tools.reading.isVisible()


def test_every_plot_of_the_desk_has_these_hands(compared: Any) -> None:
    """No plot is left out, on any screen; the strip on Road alone scrolls by itself, and nobody stops it."""
    window = compared.window()
    for name in ("Road", "Calibrate", "Shelf"):
        window.show_screen(name)
    views = window.findChildren(type(compared.figure.views[0]).__mro__[0])
    strip = window.screens["Road"].strip.view
    assert len(views) >= 8
    assert [view for view in views if view is not strip and view.property("tools") is None] == []


def test_a_table_is_copied_by_its_keys_and_menu(
    qt: Any, compared: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ctrl+C takes the chosen rows with their heads, or all where none is chosen; Ctrl+S writes all; a field keeps its
    own Ctrl+C."""
    lists, window = compared.lists, compared.window()
    lists.setCurrentIndex(1)
    table = lists.band_table
    test, keys, control = qt.QtTest.QTest, qt.QtCore.Qt.Key, qt.QtCore.Qt.KeyboardModifier.ControlModifier
    table.setFocus()
    table.clearSelection()
    test.keyClick(table, keys.Key_C, control)
    rows = clipboard(qt)
    assert rows[0][:3] == ["rpm", "change %", "95 % interval"]
    assert len(rows) == 1 + lists.bands.rowCount()
    table.selectRow(2)
    test.keyClick(table, keys.Key_C, control)
    assert clipboard(qt) == [rows[0], rows[3]]
    out = tmp_path / "bands.csv"
    monkeypatch.setattr("ui.window.ask.save_as", lambda *_: out)
    test.keyClick(table, keys.Key_S, control)
    with out.open(newline="", encoding="utf-8") as file:
        assert list(csv.reader(file)) == rows
    assert len(window.hands.menu_for(table.viewport()).actions()) == 3
    compared.width_box.setFocus()
    compared.width_box.selectAll()
    test.keyClick(compared.width_box, keys.Key_C, control)
    assert clipboard(qt) == [["250"]]
