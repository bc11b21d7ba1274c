"""Seconds chosen on the recorded trace: edges dragged by mouse and moved by keys, results that follow, nothing lost."""

import importlib
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from stream.record.session import open_session
from stream.study.dataset import open_dataset
from stream.study.edit import declare_zero
from tests.pull_sessions import write_pull_session
from tests.shared import made_once
from tests.ui.cli.test_load_commands import session as load_session
from ui.text import speed as words

FORCES = (0.0, 100.0, 200.0, 300.0, 200.0, 100.0, 0.0)
N_PER_UNIT = 2900.0


def _make(folder: Path) -> None:
    """Weights hung up and down on a link of 2 900 N per mV/V with a zero of 0.02, 5 s each, nothing turning; and a link
    that stands at 0.03, then moves by 1 mV/V under a shunt, then stands again."""
    rng = np.random.default_rng(4)
    link = np.concatenate([np.full(1000, 0.02 + force / N_PER_UNIT) for force in FORCES])
    load_session(folder / "weights.h5", link + 0.001 * rng.normal(size=len(link)))
    link = np.concatenate([np.full(2000, 0.03), np.full(2000, 1.03), np.full(2000, 0.03)])
    load_session(folder / "shunt.h5", link + 0.001 * rng.normal(size=len(link)))


@pytest.fixture
def page(open_window: Any, tmp_path: Path, qt: Any) -> Callable[..., Any]:
    """Opens a copy of one of the sessions on the Load page, and lets it read."""

    def opening(name: str, task: str = "zero") -> Any:
        path = tmp_path / name
        if not path.exists():
            shutil.copy(made_once("trace", _make) / name, path)
        window = open_window(None)
        window.resize(1280, 800)
        window.go("load", str(path))
        screen = window.screens["Calibrate"]
        screen.opener.wait()
        window.poll()
        qt.QtWidgets.QApplication.processEvents()
        load = screen.load
        settle(load)
        load.turn_to(task)
        settle(load)
        qt.QtWidgets.QApplication.processEvents()
        return load

    return opening


def settle(load: Any) -> None:
    """Let all that was asked be answered."""
    while load.asking.busy:
        load.asking.worker.wait()
        load.poll()


@pytest.fixture(autouse=True)
def every_move_counts(qt: Any) -> Iterator[None]:
    """The mouse of a test is faster than the hundred moves a second that are looked at otherwise."""
    pg = importlib.import_module("pyqtgraph")
    before = pg.getConfigOption("mouseRateLimit")
    pg.setConfigOption("mouseRateLimit", -1)
    yield
    pg.setConfigOption("mouseRateLimit", before)


def edge_at(qt: Any, picker: Any, seconds: float) -> Any:
    """Where on the view an edge at this time is, in the middle of the main plot."""
    box = picker.plots[0].getViewBox()
    low, high = box.viewRange()[1]
    scene = box.mapViewToScene(qt.QtCore.QPointF(seconds, (low + high) / 2))
    return picker.view.mapFromScene(scene)


def drag(qt: Any, picker: Any, from_s: float, to_s: float) -> None:
    """Press on an edge, move it in steps, let it go, as a hand does."""
    test, view = importlib.import_module("PySide6.QtTest").QTest, picker.view.viewport()
    left = qt.QtCore.Qt.MouseButton.LeftButton
    start, end = edge_at(qt, picker, from_s), edge_at(qt, picker, to_s)
    test.mouseMove(view, start)
    test.mousePress(view, left, pos=start)
    for share in (0.25, 0.5, 0.75, 1.0):
        test.mouseMove(view, start + (end - start) * share)
        qt.QtWidgets.QApplication.processEvents()
    test.mouseRelease(view, left, pos=end)
    qt.QtWidgets.QApplication.processEvents()


def press(qt: Any, widget: Any, key: str, held: str = "NoModifier") -> None:
    """One key."""
    test = importlib.import_module("PySide6.QtTest").QTest
    core = qt.QtCore.Qt
    test.keyClick(widget, getattr(core.Key, f"Key_{key}"), getattr(core.KeyboardModifier, held))


def test_an_edge_is_dragged_the_result_follows_and_the_zero_is_taken(qt: Any, page: Any, tmp_path: Path) -> None:
    """What the session proposes stands there at once; the mouse moves an edge, and fields and result go with it; what
    is taken is what was shown, and the same as the command's function takes."""
    load = page("shunt.h5")
    picker = load.picker
    proposed = (picker.spans[0].start_s, picker.spans[0].end_s)
    assert proposed[1] - proposed[0] > 2
    assert (load.zero_from.text(), load.zero_to.text()) == tuple(f"{edge:.2f}" for edge in proposed)
    before = load.answer.text()
    assert "mV/V (95" in before

    drag(qt, picker, proposed[1], 12.0)
    assert float(load.zero_to.text()) == pytest.approx(12.0, abs=0.15)
    settle(load)
    assert "moving" in load.answer.text()  # the shunt's step lies in it
    drag(qt, picker, float(load.zero_to.text()), 7.0)
    settle(load)
    assert float(load.zero_to.text()) == pytest.approx(7.0, abs=0.15)
    assert load.answer.text() != before
    assert "mV/V (95" in load.answer.text()

    shown = load.answer.text().split(" mV/V")[0]
    stretch = float(load.zero_from.text()), float(load.zero_to.text())
    load.take.click()
    settle(load)
    assert load.answer.text() == f"Taken: {shown} mV/V (95\u00a0%)."
    assert load.zeros.rowCount() == 1
    shutil.copy(made_once("trace", _make) / "shunt.h5", tmp_path / "other.h5")
    declare_zero(tmp_path / "other.h5", *stretch)
    with open_session(load.path) as one, open_session(tmp_path / "other.h5") as other:
        assert one.zeros == other.zeros


def test_keys_do_what_the_mouse_does(qt: Any, page: Any) -> None:
    """Tab goes from edge to edge and on to the next field, arrows move the edge by a tenth, a second, a hundredth."""
    load = page("shunt.h5")
    picker = load.picker
    picker.setFocus(qt.QtCore.Qt.FocusReason.TabFocusReason)
    start, end = picker.spans[0].start_s, picker.spans[0].end_s
    press(qt, picker, "Right")
    assert picker.spans[0].start_s == pytest.approx(start + 0.1)
    press(qt, picker, "Tab")
    press(qt, picker, "Left", "ShiftModifier")
    press(qt, picker, "Left", "ControlModifier")
    assert picker.spans[0].end_s == pytest.approx(end - 1.01)
    assert (load.zero_from.text(), load.zero_to.text()) == (f"{start + 0.1:.2f}", f"{end - 1.01:.2f}")
    settle(load)
    assert "mV/V (95" in load.answer.text()
    press(qt, picker, "Tab")
    assert not picker.hasFocus()
    left, right = picker.plots[0].viewRange()[0]
    picker.setFocus()
    press(qt, picker, "Plus")
    assert np.diff(picker.plots[0].viewRange()[0])[0] < right - left
    press(qt, picker, "Home")
    assert picker.plots[0].viewRange()[0] == [left, right]


def test_the_stretch_follows_the_typed_seconds(page: Any) -> None:
    """A field and its edge are one number; nonsense is said and moves nothing."""
    load = page("shunt.h5")
    load.zero_from.setText("2.5")
    load.zero_from.textEdited.emit("2.5")
    assert load.picker.spans[0].start_s == 2.5
    load.zero_from.setText("now")
    load.zero_from.textEdited.emit("now")
    assert load.answer.text() == "from: now is not a number"
    assert load.picker.spans[0].start_s == 2.5


def test_a_shunt_is_proposed_off_and_on(page: Any) -> None:
    """Off lies before the step, on behind it, and the verdict is that of a step of 1 mV/V, known from how the session
    was made."""
    load = page("shunt.h5", "shunt")
    off, on = load.picker.spans
    assert 0 <= off.start_s < off.end_s <= 10 or off.start_s >= 20
    assert 10 <= on.start_s < on.end_s <= 20
    assert load.answer.text() == "resistor: type a number"
    load.arm.setCurrentIndex(1)
    load.resistor.setText("87500")  # moves a quarter bridge of 350 Ω by 350 / (4 · 87500 + 2 · 350) = 0.998 mV/V
    load.resistor.textEdited.emit("87500")
    settle(load)
    assert "moved +1.000 mV/V" in load.answer.text()
    assert "due +0.99" in load.answer.text()


def test_weights_are_proposed_named_and_found(qt: Any, page: Any) -> None:
    """A stretch at each level that the load stood at; with the newtons typed the link's true scale is inside what is
    said; one length for all."""
    load = page("weights.h5", "weights")
    assert len(load.picker.spans) == len(FORCES)
    for number, span in enumerate(load.picker.spans):
        assert 5 * number <= span.start_s < span.end_s <= 5 * number + 5
    for row, force in enumerate(FORCES):
        load.weights.item(row, 1).setText(f"{force:g}")
    settle(load)
    told = load.answer.text().split(" is ")[1].split(" N")[0]
    value, half = (float(text.replace("\u202f", "").replace(" ", "")) for text in told.split(" ± "))
    assert abs(value - N_PER_UNIT) < half
    load.picker.setFocus(qt.QtCore.Qt.FocusReason.TabFocusReason)
    press(qt, load.picker, "Tab")
    press(qt, load.picker, "Left", "ShiftModifier")
    lengths = {round(span.end_s - span.start_s, 2) for span in load.picker.spans}
    assert lengths == {2.0}
    assert load.weight_for.text() == "2.00"


def test_eight_hours_are_drawn_thinned(qt: Any) -> None:
    """Eight hours at 100 rows a second: a peak of one row is still seen, a drag moves over a few points, and zoomed in
    it is drawn as fine as it was recorded."""
    trace, work = (importlib.import_module(f"ui.window.{name}") for name in ("trace", "trace_work"))
    time_s = np.arange(8 * 3600 * 100) / 100.0
    values = np.zeros(len(time_s))
    values[1_234_567] = 9.0
    picker = trace.TracePicker()
    picker.show_lines([work.Line("load", "mV/V", time_s, values)], time_s[-1])
    seen, drawn = picker.curves[0].getData()
    assert len(seen) == len(drawn) == 2 * trace.COLUMNS
    assert drawn.max() == 9.0
    picker.set_spans([trace.Span(12_340.0, 12_350.0, "zero")])
    picker.show_around(0)
    assert np.diff(picker.curves[0].getData()[0]).max() < 0.05
    picker.deleteLater()


def test_undo_brings_the_bytes_back(page: Any) -> None:
    """What was taken in the window is a step of the session: taken back, /zeros is the very same."""
    from stream.record.change import undo_session

    load = page("shunt.h5")
    with h5py.File(load.path) as file:
        before = file["zeros"][:].tobytes()
    load.take.click()
    settle(load)
    load.asking.close()
    undo_session(load.path)
    with h5py.File(load.path) as file:
        assert file["zeros"][:].tobytes() == before


def test_a_zero_that_is_there_is_said_in_place_of_an_error(page: Any) -> None:
    """Opened again after the proposed stretch was taken: the page says that it is a zero already, and what to do."""
    load = page("shunt.h5")
    load.take.click()
    settle(load)
    load = page("shunt.h5")
    assert load.answer.text() == words.ZERO_THERE
    assert load.take.isEnabled()


def test_gaps_stay_gaps() -> None:
    """Where a whole column is missing nothing is drawn."""
    work = importlib.import_module("ui.window.trace_work")
    values = np.ones(100_000)
    values[40_000:60_000] = np.nan
    _, drawn = work.thinned(np.arange(100_000.0), values, 0.0, 1e5, 100)
    assert np.isnan(drawn).sum() == 40


def test_a_drive_proposes_weights_at_idle_alone(qt: Any, page: Any, tmp_path: Path) -> None:
    """Weights and shunts are for a car that stands: load that is steady at speed is none; where no level is left that
    is said, and the stretches can be chosen all the same."""
    write_pull_session(tmp_path / "drive.h5", 11, "heron")
    load = page("drive.h5", "weights")
    with open_dataset(tmp_path / "drive.h5") as data:
        for span in load.picker.spans:
            inside = (data.time_s >= span.start_s) & (data.time_s <= span.end_s)
            assert data.speed_rpm[inside].max() < 1700

    link = np.concatenate([np.full(1000, 0.1 * level) for level in range(6)])
    load_session(tmp_path / "moving.h5", link + 0.001, np.full(6000, 3000.0))
    load = page("moving.h5", "weights")
    assert load.answer.text().startswith("This session proposes none")
    assert len(load.picker.spans) == 1
    load.turn_to("shunt")
    settle(load)
    assert load.answer.text().startswith("This session proposes none")
    off, on = load.picker.spans
    assert off.end_s <= on.start_s
