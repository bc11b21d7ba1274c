"""The Compare screen in a real window, on real session files of the rehearsal car."""

import csv
import xml.etree.ElementTree as ElementTree
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from stream.sources.rehearsal.truth import change_by_band
from tests.pull_sessions import write_pull_session


@pytest.fixture
def paths(tmp_path: Path) -> list[str]:
    """heron, plover, heron, plover: taken in turns."""
    began = datetime(2026, 6, 1, 9, tzinfo=UTC)
    tunes = ("heron", "plover", "heron", "plover")
    faults = (("wheelspin",), (), (), ("lift",))
    return [
        str(
            write_pull_session(
                tmp_path / f"{place}-{tune}.h5",
                11 + place,
                tune,
                faults=flaws,
                started=began + timedelta(minutes=20 * place),
            )
        )
        for place, (tune, flaws) in enumerate(zip(tunes, faults, strict=True))
    ]


@pytest.fixture
def screen(open_window: Any) -> Any:
    window = open_window(None)
    window.show_screen("Compare")
    return window.screens["Compare"]


@pytest.fixture
def compared(screen: Any, paths: list[str], settle: Callable[[Any], None]) -> Any:
    screen.open(paths)
    settle(screen)
    return screen


def said(screen: Any) -> str:
    panel = screen.answer
    return "\n".join(part.text() for part in (panel.first, panel.answer, panel.detail, panel.bands))


def pulls(screen: Any) -> list[list[str]]:
    model = screen.lists.pulls
    return [[str(model.index(row, column).data() or "") for column in range(1, 5)] for row in range(model.rowCount())]


def tick_state(screen: Any, row: int) -> Any:
    return screen.lists.pulls.index(row, 0).data(10)


def test_without_sessions_it_says_where_to_get_them(screen: Any) -> None:
    """An empty screen says where sessions come from."""
    assert "No sessions opened" in said(screen)
    assert "on the Shelf" in said(screen)
    assert not screen.export.isEnabled()
    screen.shelf.click()
    tabs = screen.window().tabs
    assert tabs.tabText(tabs.currentIndex()) == "Shelf"


def test_the_answer_stands_in_words_with_what_the_day_resolves_first(compared: Any) -> None:
    """First what the day resolves, then the answer."""
    lines = said(compared).splitlines()

    assert lines[0].startswith("Your day resolves 0.")
    assert lines[1] == "plover differs from heron at some speeds"  # twelve pulls: an early, strict look
    assert "6 pulls of heron, 6 of plover" in lines[2]
    assert lines[3].startswith("Resolved by band: more at ")
    assert compared.answer.mark.kind == "ok"


def test_resolved_bands_are_where_the_model_gains(compared: Any) -> None:
    """Held against the rehearsal car's own truth, which is driven in its model and not worked out by the study."""
    truth = {change.rpm: change.change_pct for change in change_by_band("heron", "plover")}
    dots = [d for d in compared.figure.dots.dots if d.x in truth]

    assert len(dots) >= 15
    assert [d.y for d in dots] == pytest.approx([truth[d.x] for d in dots], abs=1.0)
    assert all(truth[d.x] > 1.0 for d in dots if d.resolved)
    assert all(truth[d.x] < 3.0 for d in dots if not d.resolved)
    assert sum(d.resolved for d in dots) >= 4


def test_resolved_is_told_by_shape_not_only_by_colour(qt: Any, compared: Any) -> None:
    """Drawn in one colour, the two marks still differ: one is filled at its middle and has corners."""
    from dataclasses import replace

    from ui.window.compare_items import dot
    from ui.window.theme import DARK

    one_colour = replace(DARK, pull="#FFFFFF", muted="#FFFFFF", panel="#000000")
    images = []
    for resolved in (True, False):
        image = qt.QtGui.QImage(40, 40, qt.QtGui.QImage.Format.Format_RGB32)
        image.fill(0)
        painter = qt.QtGui.QPainter(image)
        dot(painter, qt.QtCore.QPointF(20, 20), 20, resolved, one_colour)
        painter.end()
        images.append(image)

    assert images[0].pixelColor(20, 20).lightness() == 255
    assert images[1].pixelColor(20, 20).lightness() == 0


def test_pulls_are_listed_with_verdict_and_reason(compared: Any) -> None:
    """Each pull is listed with its verdict and faults."""
    listed = pulls(compared)

    assert {"heron", "plover"} == {cells[0] for cells in listed}
    assert sum(cells[3] == "wheelspin" for cells in listed) == 1
    assert sum(cells[3] == "lifted early" for cells in listed) == 1
    assert sum(cells[3] == "clean" for cells in listed) == 12
    assert compared.lists.tabText(0) == f"Pulls: 12 of {len(listed)} used"


def test_a_tick_leaves_a_pull_out_and_works_it_out_anew(qt: Any, compared: Any, settle: Callable[[Any], None]) -> None:
    """Taking a tick away leaves a pull out of the answer."""
    row = next(row for row, cells in enumerate(pulls(compared)) if cells[0] == "heron" and cells[3] == "clean")
    before = [d.y for d in compared.figure.dots.dots]
    table = compared.lists.pull_table
    model = table.model()
    table.setCurrentIndex(model.index(row, 0))
    table.setFocus()
    qt.QtTest.QTest.keyClick(table, qt.QtCore.Qt.Key.Key_Space)
    settle(compared)

    assert tick_state(compared, row) == qt.QtCore.Qt.CheckState.Unchecked
    assert "5 pulls of heron, 6 of plover" in said(compared)
    assert [d.y for d in compared.figure.dots.dots] != before

    model.setData(model.index(row, 0), qt.QtCore.Qt.CheckState.Checked, qt.QtCore.Qt.ItemDataRole.CheckStateRole)
    settle(compared)
    assert np.allclose([d.y for d in compared.figure.dots.dots], before)


def test_a_click_on_the_box_ticks_too(qt: Any, compared: Any, settle: Callable[[Any], None]) -> None:
    """A click on the box does what the key does."""
    table = compared.lists.pull_table
    row = next(row for row, cells in enumerate(pulls(compared)) if cells[3] == "clean")
    option = qt.QtWidgets.QStyleOptionViewItem()
    option.initFrom(table)
    compared.lists.ticks.initStyleOption(option, table.model().index(row, 0))
    option.rect = table.visualRect(table.model().index(row, 0))
    part = qt.QtWidgets.QStyle.SubElement.SE_ItemViewItemCheckIndicator
    box = table.style().subElementRect(part, option, table)
    qt.QtTest.QTest.mouseClick(table.viewport(), qt.QtCore.Qt.MouseButton.LeftButton, pos=box.center())
    settle(compared)

    assert tick_state(compared, row) == qt.QtCore.Qt.CheckState.Unchecked


def test_a_flawed_pull_that_is_ticked_is_said(qt: Any, compared: Any, settle: Callable[[Any], None]) -> None:
    """A flawed pull that is used is said."""
    row = next(row for row, cells in enumerate(pulls(compared)) if cells[3] == "wheelspin")
    model = compared.lists.pulls
    model.setData(model.index(row, 0), qt.QtCore.Qt.CheckState.Checked, qt.QtCore.Qt.ItemDataRole.CheckStateRole)
    settle(compared)

    assert "7 pulls of heron" in said(compared)
    assert "1 flawed pull(s) kept by hand" in compared.foot.mind.text()


def test_in_this_order_only_is_in_the_answer_and_first_to_mind(
    screen: Any, paths: list[str], settle: Callable[[Any], None]
) -> None:
    """'In this order only' stands in the answer and first among the warnings."""
    screen.open(paths[:2])
    settle(screen)

    assert screen.answer.answer.text() == "No difference shown between plover and heron, in this order only"
    assert screen.answer.mark.kind == "caution"
    assert screen.foot.mind.text().startswith("▲ In this order only")
    assert "take turns" in screen.foot.next.text()


def test_one_tune_alone_gives_its_curve_and_what_the_day_resolves(
    screen: Any, paths: list[str], settle: Callable[[Any], None]
) -> None:
    """One tune shows its curve and no comparison."""
    screen.open([paths[0], paths[2]])
    settle(screen)

    assert said(screen).startswith("Your day resolves")
    assert "No comparison" in said(screen)
    assert "Only one tune here, heron" in said(screen)
    assert len(screen.figure.lines.lines) == 1
    assert not screen.figure.dots.dots
    assert screen.foot.next.text()
    assert not screen.export_actions["csv"].isEnabled()


def test_the_pointer_reads_a_band(qt: Any, compared: Any) -> None:
    """The pointer reads the numbers of a band."""
    figure = compared.figure
    plot, view = figure.plots[0], figure.views[0]
    band = next(d for d in figure.dots.dots if d.resolved)
    scene = plot.vb.mapViewToScene(qt.QtCore.QPointF(band.x, band.y))
    qt.QtTest.QTest.mouseMove(view.viewport(), view.mapFromScene(scene))
    view.scene().sigMouseMoved.emit(scene)  # without a display no move may come from a still pointer

    text = figure.reading.text()
    assert text.startswith(f"{band.x - 125:.0f} to {band.x + 125:.0f} rpm:")
    assert "heron 0." in text
    assert "(6 pulls)" in text
    assert text.endswith(", resolved")
    figure.point_at(None)
    assert figure.reading.text() == "Point at a band to read its numbers."


def test_swap_turns_the_sign(compared: Any, settle: Callable[[Any], None]) -> None:
    """Exchanged tunes turn the change over."""
    compared.swap.click()
    settle(compared)

    assert compared.base.currentText() == "plover"
    assert "differs from plover at some speeds" in said(compared)


def test_wider_bands_are_fewer(qt: Any, compared: Any, settle: Callable[[Any], None]) -> None:
    """Wider bands make fewer dots."""
    before = len(compared.figure.dots.dots)
    compared.width_box.setFocus()
    compared.width_box.selectAll()
    qt.QtTest.QTest.keyClicks(compared.width_box, "500")
    qt.QtTest.QTest.keyClick(compared.width_box, qt.QtCore.Qt.Key.Key_Return)
    settle(compared)

    assert len(compared.figure.dots.dots) < 0.7 * before
    assert compared.figure.dots.dots[1].x - compared.figure.dots.dots[0].x == pytest.approx(500)


def test_the_table_of_bands_has_the_numbers(compared: Any) -> None:
    """The table holds the comparison's numbers."""
    model = compared.lists.bands
    heads = [model.headerData(column, _horizontal()) for column in range(model.columnCount())]

    assert heads == ["rpm", "change %", "95 % interval", "resolved", "heron", "plover", "p"]
    assert model.rowCount() == len(compared.found.comparison.bands)
    marks = [model.index(row, 3).data() for row in range(model.rowCount())]
    assert marks.count("◆ yes") == sum(d.resolved for d in compared.figure.dots.dots)


def _horizontal() -> Any:
    from pyqtgraph.Qt import QtCore

    return QtCore.Qt.Orientation.Horizontal


@pytest.mark.parametrize("kind", ["png", "svg", "csv"])
def test_exports(compared: Any, qt: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str) -> None:
    """Each kind of export is written and named."""
    out = tmp_path / f"out.{kind}"
    monkeypatch.setattr("ui.window.ask.save_as", lambda *asked: out)
    compared.export_actions[kind].trigger()

    assert compared.status.text() == f"written: out.{kind}"
    if kind == "png":
        image = qt.QtGui.QImage(str(out))
        assert image.width() == 2 * compared.sheet.width()
        colours = {image.pixel(x, y) for x in range(0, image.width(), 7) for y in range(0, image.height(), 7)}
        assert len(colours) > 20
    elif kind == "svg":
        texts = " ".join(" ".join(ElementTree.fromstring(out.read_text()).itertext()).split())
        assert "differs from heron at some speeds" in texts
        assert "could be scatter" in texts
        assert "Warning:" in texts
        assert "Point at" not in texts
    else:
        with out.open() as file:
            table = list(csv.DictReader(file))
        assert len(table) == len(compared.found.comparison.bands) + 1
        assert table[-1]["rpm"] == "overall"
        assert float(table[0]["base_mean"]) == pytest.approx(compared.found.comparison.bands[0].base_mean, rel=1e-5)


def test_an_export_that_fails_is_said(compared: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A failed export is one line."""
    for kind in ("png", "svg", "csv"):
        monkeypatch.setattr("ui.window.ask.save_as", lambda *asked, kind=kind: tmp_path / "missing" / f"a.{kind}")
        compared.export_actions[kind].trigger()
        assert compared.status.text().endswith("choose another folder")


def test_a_session_that_cannot_be_read_is_left_out_and_named(
    screen: Any, paths: list[str], tmp_path: Path, settle: Callable[[Any], None]
) -> None:
    """An unreadable session is left out and named."""
    broken = tmp_path / "broken.h5"
    broken.write_bytes(b"no session")
    screen.open([*paths, str(broken)])
    settle(screen)
    assert "broken.h5" in screen.foot.mind.text()
    assert "6 pulls of heron" in said(screen)

    screen.open([str(broken)])
    settle(screen)
    assert "No comparison" in said(screen)
    assert "is not a session file" in said(screen)


@pytest.mark.parametrize("size", [(1280, 800), (1920, 1080), (960, 600)])
def test_nothing_is_cut_off(qt: Any, compared: Any, size: tuple[int, int]) -> None:
    """Every word has the room it asks for, in both themes."""
    window = compared.window()
    assert all(line.text() for line in compared.foot.short[1:]), "folded, warnings and caution have a line each"
    assert compared.figure.height() > 0.45 * compared.height(), "and the plots the room"
    compared.foot.more.click()
    for theme in ("dark", "light"):
        window.set_theme(theme)
        window.resize(*size)
        qt.QtWidgets.QApplication.processEvents()
        for part in (
            compared.answer.first,
            compared.answer.answer,
            compared.answer.detail,
            compared.answer.bands,
            compared.foot.next,
            compared.foot.caution,
        ):
            assert part.height() >= part.heightForWidth(part.width()), (theme, part.text())
