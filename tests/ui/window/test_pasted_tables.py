"""A person's two tables of 16 by 16, ignition and fuel: in from the clipboard and out to it, with mouse and keys."""

import importlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.array_session import write_session
from tests.shared import made_once
from tests.ui.cli.test_mixture_harm import CAR, RATE, Columns, drive, wanted
from tests.ui.window.test_mixture_page import KPA, RPM, pasted
from tests.ui.window.test_study_pages import Settle, page

KNOCK = '[[channel]]\nname = "knock"\nrole = "knock"\nunit = "V"\nrange = [0.0, 5.0]\n'
BEST_DEG = 26.0


def degrees(rpm: float, kpa: float) -> float:
    """The table of the tune in the car: full load in the last two rows or so."""
    return round(20.0 + (102 - kpa) * 0.15 + rpm / 4000, 1)


def tune(less: float, seed: int) -> Columns:
    """A drive whose load under full load falls off a best advance by 0.06 % a squared degree."""
    made = drive(pulls=6, lean=1.10, seed=seed)
    off = np.array([degrees(rpm, 102) for rpm in made["rpm"]]) - less - BEST_DEG
    made["link"] = np.where(made["map"] > 80, made["link"] * (1 - 6e-4 * off**2), made["link"])
    return made


def make(folder: Path) -> None:
    """The tune in the car twice, and one of 6 degrees less twice."""
    for place, less in enumerate((0.0, 6.0, 6.0, 0.0)):
        made = tune(less, place + 1)
        made["advance"] = np.array([degrees(r, k) - less for r, k in zip(made["rpm"], made["map"], strict=True)])
        car = CAR + '[[channel]]\nname = "advance"\nrole = "advance"\nunit = "deg"\n'
        write_session(folder / f"{place}.h5", car, RATE, made, tune="heron less" if less else "heron")


@pytest.fixture
def compare(open_window: Any, settle: Settle, tmp_path: Path) -> Any:
    """The Compare screen with copies of the day."""
    for path in made_once("pasted-tables", make).glob("*.h5"):
        (tmp_path / path.name).write_bytes(path.read_bytes())
    window = open_window(None)
    window.resize(1280, 800)
    window.show_screen("Compare")
    screen = window.screens["Compare"]
    screen.open([str(path) for path in sorted(tmp_path.glob("*.h5"))])
    settle(screen)
    return screen


@pytest.fixture
def hand(qt: Any) -> Callable[..., None]:
    """Presses keys or the mouse as a person does."""
    test = importlib.import_module("PySide6.QtTest").QTest
    core, gui = qt.QtCore.Qt, qt.QtGui

    def doing(widget: Any, what: Any) -> None:
        if isinstance(what, str):
            keys = gui.QKeySequence(what)[0]
            widget.setFocus()
            test.keyClick(widget, keys.key(), keys.keyboardModifiers())
        else:
            test.mouseClick(widget, core.MouseButton.LeftButton, core.KeyboardModifier.NoModifier, what)
        qt.QtWidgets.QApplication.processEvents()

    return doing


def clip(qt: Any, text: str | None = None) -> str:
    board = qt.QtGui.QGuiApplication.clipboard()
    if text is not None:
        board.setText(text)
    return str(board.text())


def cells_of(text: str) -> list[list[str]]:
    return [line.split("\t") for line in text.split("\r\n")]


def apart(before: str, after: str) -> dict[tuple[int, int], tuple[float, float]]:
    """The cells in which two tables differ; all else, axes and line ends included, is the same byte for byte."""
    old, new = cells_of(before), cells_of(after)
    assert [len(row) for row in old] == [len(row) for row in new]
    found = {}
    for row, (was, now) in enumerate(zip(old, new, strict=True)):
        for column, (one, other) in enumerate(zip(was, now, strict=True)):
            if one != other:
                assert row > 0 < column
                found[row, column] = float(one.replace(",", ".")), float(other.replace(",", "."))
    return found


def test_an_advance_table_goes_in_and_comes_out_by_the_clipboard(
    compare: Any, settle: Settle, qt: Any, hand: Callable[..., None], tmp_path: Path
) -> None:
    """Ctrl+V takes it, Ctrl+Shift+C gives it back ready to paste; the file beside it says per cell why."""
    text = pasted(degrees, 1)
    clip(qt, text)
    shown = page(compare, "Ignition", settle)
    hand(shown.choose, "Ctrl+V")
    settle(shown)
    shown.now.setCurrentIndex(shown.now.findData("heron"))
    shown.knock.setCurrentIndex(1)
    shown.knock.activated.emit(1)
    settle(shown)
    assert "More advance in" in shown.answer.answer.text()
    assert (tmp_path / "advance-pasted.csv").read_bytes() == text.encode()

    clip(qt, "something else")
    hand(shown.maps.large, "Ctrl+Shift+C")
    changed = apart(text, clip(qt))
    assert changed
    assert all(abs(now - was) <= 2.0 + 1e-9 for was, now in changed.values())
    assert all(now > was for (row, _), (was, now) in changed.items() if row == 1)  # full load: below the best
    assert (tmp_path / "advance-pasted-proposed.csv").read_bytes().decode() == clip(qt)
    why = (tmp_path / "advance-pasted-proposed-why.csv").read_text().splitlines()
    assert len([line for line in why if not line.startswith("#")]) == 1 + len(RPM) * len(KPA)
    assert "on the clipboard" in shown.status.text()

    # on the map of change the same cells carry the same figures
    front = shown.maps.large.shown
    assert front.title == "Change"
    for (row, column), (was, now) in changed.items():
        assert front.rows[row - 1][column - 1].text == f"{now - was:+.1f}".replace("-", "−")
    assert (front.corner, front.heads) == ("kPa\\rpm", tuple(f"{rpm:g}" for rpm in RPM))


def test_mouse_and_keys_read_the_maps(compare: Any, settle: Settle, qt: Any, hand: Callable[..., None]) -> None:
    """A press on a cell reads it, arrows go on from there; Page Down and a press on a small map bring it in front."""
    clip(qt, pasted(degrees, 1))
    shown = page(compare, "Ignition", settle)
    hand(shown.paste, shown.paste.rect().center())
    settle(shown)
    large = shown.maps.large
    hand(large, large.centre(0, 8))
    assert shown.reading.text().startswith(f"{RPM[8]:g} rpm, {KPA[-1]:g} kPa: ")
    hand(large, "Right")
    hand(large, "Down")
    assert shown.reading.text().startswith(f"{RPM[9]:g} rpm, {KPA[-2]:g} kPa: ")
    assert large.chosen == (1, 9)

    hand(large, "PgDown")
    assert large.shown.title == "Reached"
    assert "full-load pull" in shown.reading.text() or "never reached" in shown.reading.text()
    small = shown.maps.small[0]
    hand(small, small.rect().center())
    assert large.shown.title == "Evidence"
    assert large.chosen == (1, 9)


def test_a_fuel_table_goes_in_and_comes_out_by_the_clipboard(
    compare: Any, settle: Settle, qt: Any, hand: Callable[..., None], tmp_path: Path
) -> None:
    """The wanted λ by Ctrl+V, the fuel table by Ctrl+Shift+V; out comes the fuel table, richer where lean."""
    fuel = pasted(lambda rpm, kpa: 18 + kpa * 0.6 + rpm / 500, 1)
    shown = page(compare, "Mixture", settle)
    clip(qt, pasted(lambda _, kpa: float(wanted(np.array(kpa))), 2))
    hand(shown.choose, "Ctrl+V")
    settle(shown)
    clip(qt, fuel)
    hand(shown.choose, "Ctrl+Shift+V")
    settle(shown)
    hand(shown.copy, shown.copy.rect().center())

    changed = apart(fuel, clip(qt))
    assert changed
    front = shown.maps.large.shown
    for (row, column), (was, now) in changed.items():
        assert was < now <= was * 1.1 + 1e-9  # 10 % lean under load, and no step is larger
        figure = front.rows[row - 1][column - 1].text
        assert float(figure.replace("−", "-")) == pytest.approx(100 * (now / was - 1), abs=5 / was + 0.06)
    assert (tmp_path / "fuel-pasted-multiplied-why.csv").is_file()


def test_what_is_no_table_is_refused_with_its_place(
    compare: Any, settle: Settle, qt: Any, hand: Callable[..., None], tmp_path: Path
) -> None:
    """A cell that is no number is named by line and column; an empty clipboard makes no file."""
    shown = page(compare, "Ignition", settle)
    clip(qt, "")
    hand(shown.choose, "Ctrl+V")
    settle(shown)
    assert "holds no text" in shown.status.text()
    assert not list(tmp_path.glob("*pasted*"))

    clip(qt, "rpm\\kPa\t40\t100\r\n2000\t30\t2x\r\n3000\t31\t25\r\n")
    hand(shown.choose, "Ctrl+V")
    settle(shown)
    assert shown.answer.answer.text() == "No proposals"
    assert "line 2, column 3: '2x' is not a number" in shown.answer.detail.text()
    assert not shown.copy.isEnabled()
