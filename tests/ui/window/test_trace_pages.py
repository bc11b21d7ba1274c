"""Coastdowns and marks on their pages: stretches proposed on the trace, ticked, dragged, and an answer that follows."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import pytest

from stream.study.dataset import open_dataset
from stream.study.force.coastdown import session_coastdown
from tests.array_session import write_session
from tests.pull_sessions import write_pull_session
from tests.ui.cli.test_coastdown import RATE, A, B, C, car_text, drive
from tests.ui.window.test_trace import drag, every_move_counts
from ui.text.force import NO_WIND, coefficient_lines

__all__ = ["every_move_counts"]


@pytest.fixture
def page(open_window: Any, tmp_path: Path, qt: Any) -> Callable[[], Any]:
    """The Coastdown page on a session of four coastdowns of published coefficients, two each way."""
    path = tmp_path / "roll.h5"
    write_session(path, car_text(), RATE, drive(4, grade=0.002))

    def opening(**options: Any) -> Any:
        window = open_window(None, **options)
        window.resize(1280, 800)
        window.go("coastdown", str(path))
        made = window.screens["Start"].page
        answered(made)
        qt.QtWidgets.QApplication.processEvents()
        return made

    return opening


def answered(page: Any) -> None:
    """Let all that was asked be answered."""
    while page.asking.busy:
        page.asking.worker.wait()
        page.poll()


def test_glides_are_proposed_and_the_answer_is_the_commands(page: Any, tmp_path: Path) -> None:
    """Four glides stand on the trace, there and back in turn; A, B and C are those of 'coastdown', and what they were
    made of lies in their intervals."""
    made = page()
    assert [span.counts for span in made.picker.spans] == [True] * 4
    assert [made.table.item(row, 4).text() for row in range(4)] == ["there", "back", "there", "back"]
    with open_dataset(tmp_path / "roll.h5") as data:
        load = session_coastdown(data)
    for value, u, truth in ((load.a_n, load.u_a, A), (load.b_n_per_mps, load.u_b, B), (load.c_n_per_mps2, load.u_c, C)):
        assert abs(value - truth) < 3 * u
    assert coefficient_lines(load)[0] in made.answer.text()
    assert "from 4 coastdowns" in made.paper.toPlainText()


def test_a_glide_is_left_out_turned_and_cut(qt: Any, page: Any, tmp_path: Path) -> None:
    """A tick taken off leaves it out, 'back' turns it, a dragged edge cuts it; each time the answer is another one, and
    'As found' brings the first one back."""
    made = page()
    first = made.answer.text()
    seen = {first}
    made.table.item(3, 0).setCheckState(qt.QtCore.Qt.CheckState.Unchecked)
    answered(made)
    assert "from 3 coastdowns" in made.paper.toPlainText()
    assert [span.counts for span in made.picker.spans] == [True, True, True, False]
    seen.add(made.answer.text())
    made.table.item(1, 4).setCheckState(qt.QtCore.Qt.CheckState.Unchecked)
    answered(made)
    assert [made.table.item(row, 4).text() for row in range(3)] == ["there", "there", "there"]
    seen.add(made.answer.text())
    span = made.picker.spans[0]
    end = span.start_s + 0.6 * (span.end_s - span.start_s)
    made.picker.show_around(0)
    qt.QtWidgets.QApplication.processEvents()
    drag(qt, made.picker, span.end_s, end)
    answered(made)
    assert made.picker.spans[0].end_s == pytest.approx(end, abs=0.5)
    seen.add(made.answer.text())
    assert len(seen) == 4
    cut = made.moved[1]
    with open_dataset(tmp_path / "roll.h5") as data:
        load = session_coastdown(data, dropped=[4], back=[4], stretches={1: cut})
    assert coefficient_lines(load)[0] in made.answer.text()
    made.primary.click()
    answered(made)
    assert made.answer.text() == first


def test_with_nothing_left_it_says_why(qt: Any, page: Any) -> None:
    """The glides stay to be ticked again."""
    made = page()
    for row in range(4):
        made.table.item(row, 0).setCheckState(qt.QtCore.Qt.CheckState.Unchecked)
    answered(made)
    assert "all were dropped" in made.answer.text()
    assert made.table.rowCount() == 4
    assert not made.paper.toPlainText()


def test_a_session_without_road_speed_says_what_is_missing(page: Any, tmp_path: Path) -> None:
    """In the trace's place, in one line."""
    made = page()
    text = car_text().split('[[channel]]\nname = "wheel"')[0]
    write_session(tmp_path / "other.h5", text, RATE, {"rpm": drive(1)["rpm"]})
    made.open(str(tmp_path / "other.h5"))
    answered(made)
    assert "road_speed" in made.picker.empty.text()


@pytest.fixture
def marks(open_window: Any, tmp_path: Path, qt: Any) -> Any:
    """The page of marks on a session of three rehearsed pulls."""
    path = write_pull_session(tmp_path / "pulls.h5", 11, "heron")
    window = open_window(None)
    window.resize(1280, 800)
    window.desk.set_folder(tmp_path)
    window.go("marks", str(path))
    made = window.screens["Start"].page
    answered(made)
    qt.QtWidgets.QApplication.processEvents()
    return made


def test_what_lies_in_the_stretch_is_left_out_and_taken_back(qt: Any, marks: Any, tmp_path: Path) -> None:
    """The first pull is proposed; dragged over the second, both are named, left out in one step, and Ctrl+Z brings the
    very bytes back."""
    rows = marks.look.rows
    pulls = [row for row in rows if row.kind == "pull"]
    assert len(pulls) >= 2
    assert marks.answer.text().endswith(": pull 1")
    with h5py.File(tmp_path / "pulls.h5") as file:
        before = repr(file["pulls"][:].tolist())
    drag(qt, marks.picker, pulls[0].end_s, pulls[1].end_s + 0.5)
    assert "pull 1, pull 2" in marks.answer.text()
    marks.acts["out"].click()
    answered(marks)
    with open_dataset(tmp_path / "pulls.h5") as data:
        assert [mark.kept for mark in data.pull_marks][:2] == [-1, -1]
    assert [marks.table.item(row, 5).text() for row in range(2)] == ["left out", "left out"]
    assert [span.counts for span in marks.picker.spans[1:3]] == [False, False]
    assert marks.status.text().startswith("Leave out: pull 1, pull 2")

    window = marks.window()
    while window.desk.worker.task is not None:
        window.desk.worker.wait()
        window.poll()
    window.undo()
    window.desk._turner.wait()
    window.poll()
    answered(marks)
    assert marks.table.item(0, 5).text() == ""
    with h5py.File(tmp_path / "pulls.h5") as file:
        assert repr(file["pulls"][:].tolist()) == before


def test_knock_is_heard_at_the_speeds_of_the_stretch(marks: Any, tmp_path: Path) -> None:
    """A slice of a pull says at which speeds; the pull it cuts is named, and nothing else can be left out by it."""
    pull = next(row for row in marks.look.rows if row.kind == "pull")
    long = pull.end_s - pull.start_s
    marks.picker._move(0, pull.start_s + 0.1 * long, pull.start_s + 0.3 * long)
    assert "a part of pull 1" in marks.answer.text()
    assert not marks.acts["out"].isEnabled()
    marks.acts["knock"].click()
    answered(marks)
    with open_dataset(tmp_path / "pulls.h5") as data:
        said = data.heard[0]
        inside = data.speed_rpm[(data.time_s >= marks.stretch[0]) & (data.time_s <= marks.stretch[1])]
    assert (said.pull, said.heard) == (1, True)
    assert (said.rpm_from, said.rpm_to) == (pytest.approx(inside.min()), pytest.approx(inside.max()))
    marks.note.setText("gust from the left")
    marks.keep_note.click()
    answered(marks)
    with open_dataset(tmp_path / "pulls.h5") as data:
        assert data.note == "gust from the left"


def test_a_wind_that_was_not_said_is_no_calm(qt: Any, page: Any) -> None:
    """A decimal comma is one number as a point is; with nothing, a word, less than none or more than any wind typed,
    no coefficients stand there, least of all those of a calm day."""
    made = page()

    def typed(text: str) -> str:
        made.wind.selectAll()
        qt.QtTest.QTest.keyClick(made.wind, qt.QtCore.Qt.Key.Key_Delete)
        qt.QtTest.QTest.keyClicks(made.wind, text)
        answered(made)
        return str(made.answer.text())

    wide, narrow = typed("2.5"), typed("0")
    assert wide != narrow
    assert typed("2,5") == wide
    for text in ("", "calm", "-1", "nan", "1e9", "1 5"):
        assert typed(text) == NO_WIND
        assert made.paper.toPlainText() == ""
    assert typed("0") == narrow
