"""The Shelf screen in a real window, on real session files."""

import shutil
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import h5py
import pytest
from scipy.io import loadmat

from tests.pull_sessions import write_pull_session
from tests.ui.window.fake_feed import FakeFeed


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    root = tmp_path / "sessions"
    (root / "june").mkdir(parents=True)
    write_pull_session(root / "june" / "a.h5", 1, "heron", faults=("wheelspin",), note="dry, 18 °C")
    write_pull_session(root / "b.h5", 2, "plover", started=datetime(2026, 6, 2, 9, tzinfo=UTC))
    write_pull_session(root / "c.h5", 3, "heron", started=datetime(2026, 6, 3, 9, tzinfo=UTC))
    (root / "broken.h5").write_bytes(b"no session")
    return root


@pytest.fixture
def shelf(open_window: Any, folder: Path, settle: Callable[[Any], None]) -> Any:
    window = open_window(None)
    window.show_screen("Shelf")
    screen = window.screens["Shelf"]
    screen.open_folder(folder)
    settle(screen)
    return screen


def rows(shelf: Any) -> list[list[str]]:
    """What the table shows, read through the model as Qt does."""
    model = shelf.table.model()
    return [
        [str(model.index(row, column).data() or "") for column in range(model.columnCount())]
        for row in range(model.rowCount())
    ]


def choose(qt: Any, shelf: Any, *names: str) -> None:
    """Select the rows of these files."""
    flags = qt.QtCore.QItemSelectionModel.SelectionFlag
    selection = shelf.table.selectionModel()
    selection.clearSelection()
    for row, cells in enumerate(rows(shelf)):
        if cells[-1] in names:
            selection.select(shelf.table.model().index(row, 0), flags.Select | flags.Rows)


def test_lists_newest_first_with_the_health_in_words_and_shape(shelf: Any) -> None:
    """Newest first, health in words and by a shape."""
    shown = rows(shelf)

    assert [cells[-1] for cells in shown] == ["c.h5", "b.h5", str(Path("june") / "a.h5"), "broken.h5"]
    assert shown[2][1:8] == ["heron", "3", "101 s", "2", "3 clean, 1 flawed", "good", "dry, 18 °C"]
    assert shown[3][6].startswith("is not a session file")
    assert shelf.count.text() == "4 sessions"
    icons = [shelf.model.index(row, 6).data(1).toImage() for row in (2, 3)]
    assert icons[0] != icons[1]


def test_search_narrows_as_one_types_and_keeps_what_is_chosen(qt: Any, shelf: Any) -> None:
    """Typing narrows the list and keeps the choice."""
    choose(qt, shelf, "c.h5")
    qt.QtTest.QTest.keyClicks(shelf.search, "heron 06-03")

    assert [cells[-1] for cells in rows(shelf)] == ["c.h5"]
    assert shelf.count.text() == "1 of 4 sessions"
    assert [Path(session.path).name for session in shelf.chosen()] == ["c.h5"]
    shelf.search.clear()
    assert len(rows(shelf)) == 4
    assert [Path(session.path).name for session in shelf.chosen()] == ["c.h5"]


def test_details_say_what_is_in_a_session(qt: Any, shelf: Any) -> None:
    """The details tell what a session holds."""
    choose(qt, shelf, str(Path("june") / "a.h5"))

    assert shelf.details.title.text() == str(Path("june") / "a.h5")
    assert "wheelspin ×1" in shelf.details.lines.text()
    assert "2 zeros" in shelf.details.lines.text()
    assert shelf.details.note.text() == "dry, 18 °C"


def test_a_broken_session_offers_nothing_but_its_line(qt: Any, shelf: Any) -> None:
    """A broken session offers nothing but its one line."""
    choose(qt, shelf, "broken.h5")

    assert shelf.details.lines.text().startswith("is not a session file")
    for part in (shelf.details.compare, shelf.details.export, shelf.details.note):
        assert not part.isEnabled()


def written(shelf: Any, settle: Callable[[Any], None]) -> None:
    """Let the notes that are on their way come to their files."""
    shelf.poll()
    while shelf._notes or shelf.writer.task is not None:
        shelf.writer.wait()
        shelf.poll()
    settle(shelf)


@pytest.mark.parametrize("how", ["Return", "another row", "a pause", "closing"])
def test_a_note_keeps_itself(qt: Any, shelf: Any, folder: Path, settle: Callable[[Any], None], how: str) -> None:
    """A note typed here is in the file: after Return, another row, a pause in typing, and at the window's closing."""
    choose(qt, shelf, "b.h5")
    shelf.details.note.setFocus()
    qt.QtTest.QTest.keyClicks(shelf.details.note, "new plugs")
    if how == "Return":
        qt.QtTest.QTest.keyClick(shelf.details.note, qt.QtCore.Qt.Key.Key_Return)
    elif how == "another row":
        choose(qt, shelf, str(Path("june") / "a.h5"))
    elif how == "a pause":
        shelf.details._pause.timeout.emit()
    else:
        shelf.detach()
    if how != "closing":
        written(shelf, settle)
        assert rows(shelf)[1][7] == "new plugs"
        assert shelf.details.note.text() == ("dry, 18 °C" if how == "another row" else "new plugs")

    with h5py.File(folder / "b.h5", "r") as file:
        assert file.attrs["note"] == "new plugs"


@pytest.mark.parametrize("typed", ["out.csv", "out.mat", "out"])
def test_export_writes_where_and_as_what_it_was_asked(
    qt: Any, shelf: Any, tmp_path: Path, settle: Callable[[Any], None], monkeypatch: pytest.MonkeyPatch, typed: str
) -> None:
    """An export lands where it was asked, in the format of the ending that was typed, else of the one chosen."""
    offered = []

    def dialog(parent: Any, title: str, start: str, filters: str) -> tuple[str, str]:
        offered.append(Path(start).name)
        return str(tmp_path / typed), filters.split(";;")[0 if typed.endswith(".csv") else 1]

    monkeypatch.setattr(qt.QtWidgets.QFileDialog, "getSaveFileName", dialog)
    choose(qt, shelf, "b.h5")
    shelf.details.export_live.trigger()
    settle(shelf)

    assert offered == ["b-live.csv"]
    assert "rows written" in shelf.status.text()
    if typed == "out.csv":
        head = (tmp_path / "out.csv").read_text()
        assert head.startswith("time_s,speed_rpm,load [mV/V],signal [V],hold,pull\n")
    else:
        assert "speed_rpm" in loadmat(tmp_path / "out.mat")


def test_several_are_opened_in_compare(qt: Any, shelf: Any, settle: Callable[[Any], None]) -> None:
    """Several sessions open in Compare."""
    window = shelf.window()
    choose(qt, shelf, "b.h5", "c.h5", "broken.h5")
    assert shelf.details.compare.text() == "Compare 2 sessions"
    assert "1 cannot be read" in shelf.details.lines.text()
    qt.QtTest.QTest.mouseClick(shelf.details.compare, qt.QtCore.Qt.MouseButton.LeftButton)
    compare = window.screens["Compare"]
    settle(compare)

    assert window.tabs.tabText(window.tabs.currentIndex()) == "Compare"
    assert compare.what.text().startswith("2 sessions, ")


def test_trend_of_the_tune_that_the_chosen_share(qt: Any, shelf: Any, settle: Callable[[Any], None]) -> None:
    """The trend is that of the tune they share."""
    choose(qt, shelf, "c.h5", str(Path("june") / "a.h5"))
    assert shelf.details.trend.text() == "Trend of heron"
    shelf.details.trend.click()
    settle(shelf)

    assert shelf.details.title.text().startswith("heron: no trend can be told yet")
    assert "Against the first session" in shelf.details.lines.text()


def test_progress_is_shown_and_a_folder_that_is_gone_is_one_line(
    shelf: Any, folder: Path, settle: Callable[[Any], None]
) -> None:
    """Progress is shown; a missing folder is one line."""
    begun = shelf.worker.start("listing", lambda task: task.stop.wait(30))
    begun.tell(3, 5000)
    shelf.poll()
    assert shelf.status.text() == "listing: 3 of 5\u202f000"

    shutil.rmtree(folder)
    shelf.look_again()
    settle(shelf)
    assert shelf.status.text().endswith("sessions: no such folder; check the name")


def test_closing_the_window_ends_the_work(shelf: Any) -> None:
    """Closing the window stops the reading."""
    task = shelf.worker.start("listing", lambda task: task.stop.wait(30))
    shelf.window().close()

    assert task.stop.is_set()
    assert task.future.cancelled() or task.future.done()


def test_a_fault_of_ours_is_not_swallowed(shelf: Any) -> None:
    """An error that a person cannot mend comes up in the window's thread."""

    def failing(task: Any) -> None:
        raise ZeroDivisionError

    shelf.worker.start("failing", failing)
    shelf.worker.wait()
    with pytest.raises(ZeroDivisionError):
        shelf.poll()


def test_the_folder_of_the_drive_is_looked_into_first(
    open_window: Any, folder: Path, settle: Callable[[Any], None]
) -> None:
    """The shelf begins in the drive's folder."""
    feed = FakeFeed()
    feed.run_to(1.0, path=folder / "b.h5")
    window = open_window(feed)
    window.show_screen("Shelf")
    settle(window.screens["Shelf"])

    assert len(rows(window.screens["Shelf"])) == 4
