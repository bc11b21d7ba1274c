"""The Calibrate screen as a person meets it: the real window, a session that the rehearsal drove, what can be seen."""

import importlib
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from stream.calibrate.speed.calfile import load_calibration
from stream.record.session import open_session
from stream.sources.rehearsal.record import Recording
from stream.sources.rehearsal.scenario import TARGETS, hold_drive
from stream.sources.rehearsal.sensors import Chain, Converter
from stream.study.dataset import open_dataset
from ui.cli.rehearse import play_recording

TYPED = ", ".join(f"{target:.0f}" for target in TARGETS)
SOUND_SEED, FAULTY_SEED = 3, 8


def driven(recording: Recording, folder: Path) -> Path:
    drive = play_recording(recording, 2, folder, None)
    return drive.recorded[-1]


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Recording]:
    """A row of held speeds with a converter that works, as 'rehearse' records it."""
    recording = hold_drive(SOUND_SEED)
    return driven(recording, tmp_path_factory.mktemp("sound")), recording


@pytest.fixture(scope="module")
def faulty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same with a converter that is dead below 2300 rpm and stuck above 5600 rpm."""
    chain = Chain(converter=Converter(dead_below_rpm=2300.0, ceiling_rpm=5600.0))
    targets = (1500.0, 2000.0, 2500.0, 3000.0, 3500.0, 4000.0, 4500.0, 5000.0, 6000.0, 6500.0)
    return driven(hold_drive(FAULTY_SEED, chain=chain, targets=targets), tmp_path_factory.mktemp("faulty"))


@pytest.fixture
def opened(open_window: Any, tmp_path: Path) -> Callable[[Path], Any]:
    """Opens a copy of a session on the Calibrate screen."""

    def opening(path: Path, **options: Any) -> Any:
        copy = tmp_path / path.name
        shutil.copy(path, copy)
        window = open_window(None, **options)
        window.show_screen("Calibrate")
        screen = window.screens["Calibrate"]
        screen.open(copy)
        screen.opener.wait()
        window.poll()
        return screen

    return opening


def type_targets(screen: Any, text: str) -> None:
    screen.targets.setText(text)
    screen.targets.editingFinished.emit()


def cell(screen: Any, row: int, column: int) -> str:
    return str(screen.table.item(row, column).text())


def test_before_anything_is_typed_it_says_what_to_do(opened: Any, sound: tuple[Path, Recording]) -> None:
    """An empty screen says what to type."""
    screen = opened(sound[0])

    assert screen.answer.text() == "Type the speeds that were held, lowest first, to get a calibration"
    assert screen.table.rowCount() == 9  # seven speeds and idle twice
    assert not screen.apply.isEnabled()
    assert not screen.save.isEnabled()
    assert screen.figure.counts == {"free": 9}


def test_speeds_typed_give_a_calibration_that_holds_the_truth(opened: Any, sound: tuple[Path, Recording]) -> None:
    """The rehearsal's own line, which the fit never saw, lies inside the stated interval over the whole row."""
    path, recording = sound
    screen = opened(path)
    type_targets(screen, TYPED)
    fit, truth = screen.desk.work.calibration, recording.truth

    for rpm in TARGETS:
        volts = (rpm - truth.intercept_rpm) / truth.slope_rpm_per_unit
        low, high = fit.interval(volts)
        assert low <= rpm <= high
    assert screen.answer.text().startswith("1500 to 6500 rpm is known to ±")
    assert [cell(screen, row, 3) for row in range(1, 8)] == [f"{target:.0f}" for target in TARGETS]
    assert {cell(screen, row, 5) for row in range(1, 8)} == {"used"}
    assert screen.figure.counts == {"used": 7, "free": 2}


def test_drop_retarget_undo_redo(qt: Any, opened: Any, sound: tuple[Path, Recording]) -> None:
    """Each change can be taken back and made again."""
    screen = opened(sound[0])
    type_targets(screen, TYPED)
    state = qt.QtCore.Qt.CheckState
    screen.table.item(4, 0).setCheckState(state.Unchecked)
    assert cell(screen, 4, 5) == "left out"
    assert screen.figure.counts["used"] == 6
    screen.undo.click()
    assert cell(screen, 4, 5) == "used"
    screen.redo.click()
    assert cell(screen, 4, 5) == "left out"
    screen.undo.click()
    screen.table.item(0, 3).setText("900")
    assert cell(screen, 0, 3) == "900"
    assert cell(screen, 0, 5) == "used"
    assert screen.desk.work.calibration.valid_from == 900
    screen.table.item(0, 3).setText("fast")

    assert screen.status.text() == "target: 'fast' is not a number; mend it"
    assert cell(screen, 0, 3) == "900"


def test_stated_errors_widen_the_doubt(opened: Any, sound: tuple[Path, Recording]) -> None:
    """A larger stated error widens the interval."""
    screen = opened(sound[0])
    type_targets(screen, TYPED)
    narrow = float(screen.desk.work.calibration.u_rpm(2.0))
    screen.scale.setText("3")
    screen.scale.editingFinished.emit()
    wide = float(screen.desk.work.calibration.u_rpm(2.0))
    screen.reading.setText("much")
    screen.reading.editingFinished.emit()

    assert wide > 2 * narrow
    assert screen.answer.text() == "reading error: 'much' is not a number; mend it"
    assert not screen.apply.isEnabled()


def test_apply_and_save_do_what_the_commands_do(
    opened: Any, sound: tuple[Path, Recording], tmp_path: Path, qt: Any
) -> None:
    """The buttons write what the commands write."""
    screen = opened(sound[0])
    type_targets(screen, TYPED)
    screen.table.item(8, 0).setCheckState(qt.QtCore.Qt.CheckState.Unchecked)
    screen.apply.click()
    screen.save_to(tmp_path / "SPEED.toml")
    fit, path = screen.desk.work.calibration, screen.desk.work.path

    session = open_dataset(path)
    assert session.calibration is not None
    assert session.calibration.slope_rpm_per_unit == fit.slope_rpm_per_unit
    assert [mark.accepted for mark in session.hold_marks] == [True] * 8 + [False]
    assert load_calibration(tmp_path / "SPEED.toml").sessions[0].path == path.name


def test_a_faulty_converter_is_told_in_words_and_marked(opened: Any, faulty: Path) -> None:
    """Dead band and ceiling are said and marked."""
    screen = opened(faulty)
    type_targets(screen, "1500,2000,2500,3000,3500,4000,4500,5000,6000,6500")
    told = screen.warnings.text()

    assert "does not move below about 2" in told
    assert "stops rising at about 5" in told
    assert screen.figure.counts["stuck"] == 4
    assert screen.figure.counts["pinned"] >= 2


def on_load(screen: Any) -> Any:
    """The Load page in front, with what it read."""
    screen.pages.setCurrentWidget(screen.load)
    answered(screen.load)
    return screen.load


def answered(load: Any) -> None:
    """Let all that was asked be answered."""
    while load.asking.busy:
        load.asking.worker.wait()
        load.poll()


def test_a_zero_is_taken_on_the_load_page(opened: Any, sound: tuple[Path, Recording]) -> None:
    """A zero is taken from typed times, or what is wrong with them is said."""
    screen = opened(sound[0])
    load = on_load(screen)
    load.zero_from.setText("")
    load.take.click()
    assert load.answer.text() == "from: type a number"
    load.zero_from.setText("30")
    load.zero_to.setText("36")
    load.take.click()
    answered(load)
    assert "moving" in load.answer.text()
    assert load.zeros.rowCount() == 0
    load.zero_from.setText("1")
    load.zero_to.setText("8")
    load.take.click()
    answered(load)
    assert load.answer.text().startswith("Taken: ")
    assert load.zeros.rowCount() == 1
    with open_session(screen.desk.work.path) as session:
        assert [(zero.start_s, zero.end_s) for zero in session.zeros] == [(1.0, 8.0)]


def test_shunt_and_weights_say_what_is_wrong(opened: Any, sound: tuple[Path, Recording]) -> None:
    """A wrong resistor and wrong weights are named."""
    load = on_load(opened(sound[0]))
    load.turn_to("shunt")
    for field, text in ((load.resistor, "87150"), (load.shunt_off, "1"), (load.shunt_on, "5")):
        field.setText(text)
        field.textEdited.emit(text)
    answered(load)
    assert "the resistor is not across an arm" in load.answer.text()

    load.turn_to("weights")
    for row in range(2):
        load.add.click()
        load.weights.item(row, 1).setText("x")
    assert load.answer.text() == "weights: 'x' is no number of newtons"


def test_a_file_that_is_no_session_is_one_line(opened: Any, sound: tuple[Path, Recording], tmp_path: Path) -> None:
    """A file of another kind is one line on the screen."""
    screen = opened(sound[0])
    (tmp_path / "notes.h5").write_text("no session")
    screen.open(tmp_path / "notes.h5")
    screen.opener.wait()
    screen.poll()

    assert "is not a session file" in screen.status.text()
    assert screen.table.rowCount() == 9  # the one that was open stays


@pytest.mark.parametrize("theme", ["dark", "light"])
@pytest.mark.parametrize("size", [(1280, 800), (1920, 1080)])
def test_nothing_is_cut_off(
    opened: Any, sound: tuple[Path, Recording], qt: Any, theme: str, size: tuple[int, int]
) -> None:
    """No text and no table is cut off at the smallest window."""
    screen = opened(sound[0], theme=theme)
    screen.window().resize(*size)
    type_targets(screen, TYPED)
    qt.QtWidgets.QApplication.processEvents()
    rooms = importlib.import_module("pyqtgraph.Qt").QtCore

    for button in (screen.open_button, screen.undo, screen.redo, screen.save, screen.apply):
        assert button.fontMetrics().horizontalAdvance(button.text()) <= button.width() - 8
        place = rooms.QRect(button.mapTo(screen, rooms.QPoint(0, 0)), button.size())
        assert screen.rect().contains(place)
    table = screen.table
    assert not table.horizontalScrollBar().isVisible()
    for row in range(table.rowCount()):
        for column in range(table.columnCount()):
            wide = table.fontMetrics().horizontalAdvance(table.item(row, column).text())
            assert wide <= table.columnWidth(column)
