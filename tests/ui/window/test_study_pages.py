"""Power, proposals and a controller's log beside the comparison, in a real window, on days of the rehearsal car."""

import csv
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from stream.sources.rehearsal.engine import TUNES
from stream.sources.rehearsal.record import Recording
from stream.sources.rehearsal.scenario import demo_car_text
from stream.sources.rehearsal.sensors import Chain
from tests.controller_log import write_controller_log
from tests.stream.study.rehearsed import BEGAN, session
from tests.ui.cli.test_align import LOG_CAR

Settle = Callable[[Any], None]
NEWTONS_PER_UNIT = 2900.0  # the rehearsal car's own
EXTRA = ("lambda", "manifold_pressure", "throttle")
TARGET = "manifold_pressure,60,100\n5000,1.0,0.88\n4000,1.0,0.88\n3000,1.0,0.88\n"  # rpm falling, as some write it


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Recording]:
    """heron, plover, then plover a gear lower, with what a controller logs; and the tables a person has."""
    folder = tmp_path_factory.mktemp("day")
    for place, (tune, gear) in enumerate((("heron", 3), ("plover", 3), ("plover", 2))):
        recording = session(
            folder / f"{place}.h5",
            60 + place,
            tune,
            BEGAN + timedelta(minutes=12 * place),
            pulls=3,
            drive_gear=gear,
            gear=gear,
            chain=Chain(extra=EXTRA),
        )
        if place == 1:
            write_controller_log(recording, folder / "log.csv", seed=3)
            truth = recording
    rows = [f"{t.name},{rpm:g},{deg}" for t in TUNES.values() for rpm, deg in zip(t.rpm, t.advance_deg, strict=True)]
    (folder / "advance.csv").write_text("\n".join(["tune,rpm,advance", *rows]) + "\n")
    (folder / "target.csv").write_text(TARGET)
    (folder / "log.toml").write_text(LOG_CAR)
    return folder, truth


@pytest.fixture
def screen(open_window: Any, day: tuple[Path, Recording], settle: Settle, monkeypatch: pytest.MonkeyPatch) -> Any:
    """The Compare screen with the day opened; every dialog answers with the day's own file."""
    folder, _ = day
    files = {"Advance": "advance.csv", "Table": "target.csv", "The": "log.csv", "Car": "log.toml"}
    monkeypatch.setattr("ui.window.ask.open_file", lambda _, title, *rest: folder / files[title.split()[0]])
    window = open_window(None)
    window.show_screen("Compare")
    compare = window.screens["Compare"]
    compare.open([str(path) for path in sorted(folder.glob("?.h5"))])
    settle(compare)
    return compare


def page(screen: Any, name: str, settle: Settle) -> Any:
    """Put a page in front, as a click on its tab does, and let its work end."""
    shown = screen.studies[name]
    screen.pages.setCurrentWidget(shown)
    settle(shown)
    return shown


def said(shown: Any) -> str:
    foot = shown.foot
    parts = (shown.answer.answer, shown.answer.detail, foot.next_caption, foot.next, foot.caution, foot.mind)
    return "\n".join(part.text() for part in parts)


def cells(model: Any) -> list[list[str]]:
    return [[str(model.index(r, c).data()) for c in range(model.columnCount())] for r in range(model.rowCount())]


def middle_and_half(text: str) -> tuple[float, float]:
    middle, half = text.split(" ± ")
    return float(middle), float(half)


def test_pages_stand_beside_the_comparison(screen: Any) -> None:
    """Each study has a page beside the comparison."""
    names = [screen.pages.tabText(place) for place in range(screen.pages.count())]
    assert names == ["Comparison", "Power", "Ignition", "Mixture", "Controller log"]


def test_power_is_shown_with_its_doubt_and_agrees_with_the_car(screen: Any, settle: Settle) -> None:
    """Held against the rehearsal car's own scale, and against P = F v with the speed from gearing and radius."""
    shown = page(screen, "Power", settle)
    scale = shown.answer.detail.text().split(" is ")[1].split(" N.")[0]
    middle, half = middle_and_half(scale)
    assert abs(middle - NEWTONS_PER_UNIT) < half
    assert "steady-equivalent, engine side" in shown.power.key.accessibleName()
    assert "at the wheels" in shown.power.key.accessibleName()
    rows = cells(shown.cells)
    assert len(rows) > 10
    for rpm, force, torque, wheels, steady, _ in rows:
        speed = float(rpm) * 2 * np.pi / 60 / (4.3 * 1.38) * 0.281
        assert middle_and_half(force)[0] * speed / 1000 == pytest.approx(middle_and_half(wheels)[0], rel=0.05)
        assert middle_and_half(torque)[0] == pytest.approx(middle_and_half(force)[0] * 0.281, rel=0.02)
        assert middle_and_half(steady)[0] > middle_and_half(wheels)[0]
    assert "a person decides" in said(shown)
    assert "knock, mixture and exhaust heat" in said(shown)
    assert "Grade and wind are unknown" in said(shown)
    other = 1 - shown.tune.currentIndex()
    shown.tune.setCurrentIndex(other)
    shown.tune.activated.emit(other)
    assert shown.answer.answer.text().startswith("heron: ")
    assert cells(shown.cells) != rows


def test_missing_mass_is_said_in_place(screen: Any, tmp_path: Path, settle: Settle) -> None:
    """What is missing is said where the answer would stand."""
    text = demo_car_text().replace("mass_kg = 790.0", "# mass_kg = 790.0")
    session(tmp_path / "s.h5", 5, "heron", BEGAN, pulls=2, car_text=text)
    screen.open([str(tmp_path / "s.h5")])
    shown = page(screen, "Power", settle)
    assert shown.answer.answer.text() == "No power"
    assert "car.mass_kg is missing" in shown.answer.detail.text()
    assert "\n" not in shown.answer.detail.text()
    assert not cells(shown.cells)


def test_more_advance_waits_for_a_persons_word(screen: Any, settle: Settle) -> None:
    """plover beats heron where it has more advance, as the rehearsal car's best advance is higher still."""
    shown = page(screen, "Ignition", settle)
    assert shown.answer.answer.text() == "Choose the advance table"
    shown.choose.click()
    settle(shown)
    assert shown.now.currentText() == "plover"
    assert not any("more" in row[3] for row in cells(shown.cells))
    assert "no cell gets more advance" in said(shown)

    shown.knock.setCurrentIndex(1)
    shown.knock.activated.emit(1)
    settle(shown)
    rows = cells(shown.cells)
    raised = [row for row in rows if "▲ more" in row[3]]
    assert raised
    for row in raised:
        assert 3300 < float(row[0]) < 5600  # bands in which heron is late, from 3400 rpm on by 8°, and plover better
        assert float(row[3].split("°")[0]) - float(row[2].strip("°")) <= 2.0 + 1e-9
        assert "a person listened in the pulls of it and heard none" in row[6]
    assert shown.answer.mark.kind == "caution"
    assert "a person decides" in said(shown)
    assert "exhaust heat" in said(shown)
    shown.table.selectRow(rows.index(raised[0]))
    assert shown.reading.text() == f"{raised[0][0]} rpm, full load: {raised[0][6]}"
    other = 1 - shown.now.currentIndex()
    shown.now.setCurrentIndex(other)
    shown.now.activated.emit(other)
    settle(shown)
    assert shown.knock.currentText() == "nobody listened"  # what was said of plover's pulls is not said of heron's
    assert not any("▲ more" in row[3] for row in cells(shown.cells))


def test_mixture_stands_on_the_targets_axes_and_is_exported(
    screen: Any, tmp_path: Path, settle: Settle, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Multipliers stand on the target's axes and are exported."""
    shown = page(screen, "Mixture", settle)
    assert not shown.export.isEnabled()
    shown.choose.click()
    settle(shown)
    assert (shown.cells.heads, shown.cells.sides) == (("60 kPa", "100 kPa"), ("5000 rpm", "4000 rpm", "3000 rpm"))
    grid = cells(shown.cells)
    assert all(row[1] for row in grid)  # full load was driven
    assert "a person decides" in said(shown)
    shown.table.setCurrentIndex(shown.cells.index(1, 1))
    assert shown.reading.text().startswith("4000 rpm, 100 kPa, λ 0.88 wanted: measured over wanted ")

    monkeypatch.setattr("ui.window.ask.save_as", lambda *_: tmp_path / "out.csv")
    shown.export.click()
    written = list(csv.reader((tmp_path / "out.csv").read_text().splitlines()))
    assert [written[0], *([row[0]] for row in written[1:])] == [
        ["manifold_pressure", "60", "100"],
        ["5000"],
        ["4000"],
        ["3000"],
    ]
    for row, line in zip(grid, written[1:], strict=True):
        for text, number in zip(row, line[1:], strict=True):
            assert float(text.strip("▲▼ ") or "1") == pytest.approx(float(number), abs=0.00056)


def test_a_log_is_believed_only_by_hand(
    screen: Any, day: tuple[Path, Recording], tmp_path: Path, settle: Settle, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Held against the offset and rate that the rehearsal gave the controller's clock."""
    folder, recording = day
    shown = page(screen, "Controller log", settle)
    shown.sessions.setCurrentIndex(1)
    shown.choose_log.click()
    assert not shown.believe.isEnabled()
    shown.choose_car.click()
    settle(shown)
    truth = recording.truth.controller
    offset, half = middle_and_half(shown.answer.answer.text().split(" is ")[1].split(" s ")[0])
    assert abs(offset - truth.offset_s) < half + 0.001
    x, y = shown.log_curve.getOriginalDataset()
    assert y == pytest.approx(
        recording.motion.at("rpm", np.asarray(x)), abs=15.0
    )  # in steps of 10 rpm, through shifts of gear
    assert np.nanmax(shown.session_curve.getOriginalDataset()[1]) == pytest.approx(y.max(), rel=0.02)
    assert "residual" in shown.answer.detail.text()

    monkeypatch.setattr("ui.window.ask.save_as", lambda *_: tmp_path / "no such folder" / "both.h5")
    shown.believe.click()
    settle(shown)
    assert shown.answer.answer.text() == "Not written"
    assert shown.believe.isEnabled()  # another folder can be chosen

    monkeypatch.setattr("ui.window.ask.save_as", lambda *_: tmp_path / "both.h5")
    shown.believe.click()
    settle(shown)
    assert shown.answer.answer.text() == "Accepted and written"
    assert shown.answer.detail.text().startswith("Written: both.h5, with rpm, ")
    with h5py.File(tmp_path / "both.h5") as file, h5py.File(folder / "1.h5") as alone:
        assert file["raw/samples"].shape == (len(alone["raw/samples"]), alone["raw/samples"].shape[1] + 3)
        assert file["zeros"][:].tolist() == alone["zeros"][:].tolist()


def test_a_rejected_log_writes_nothing(screen: Any, day: tuple[Path, Recording], settle: Settle) -> None:
    """A log that a person rejects is not written."""
    before = set(day[0].iterdir())
    shown = page(screen, "Controller log", settle)
    shown.sessions.setCurrentIndex(1)
    shown.choose_log.click()
    shown.choose_car.click()
    settle(shown)
    shown.reject.click()
    assert shown.answer.answer.text() == "Rejected: nothing was written"
    assert not shown.believe.isEnabled()
    assert shown.laid is None
    assert set(day[0].iterdir()) == before


def test_a_log_of_another_drive_is_refused_in_words(
    screen: Any, settle: Settle, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A log of another drive is refused in words."""
    rpm = 3000 + 900 * np.sin(np.arange(1200) * 0.31) * np.sin(np.arange(1200) * 0.017)
    text = "time [s],rpm\n" + "\n".join(f"{0.05 * row:.2f},{value:.0f}" for row, value in enumerate(rpm))
    (tmp_path / "other.csv").write_text(text + "\n")
    shown = page(screen, "Controller log", settle)
    shown.choose_car.click()
    monkeypatch.setattr("ui.window.ask.open_file", lambda *_: tmp_path / "other.csv")
    shown.choose_log.click()
    settle(shown)
    assert shown.answer.answer.text() == "Not laid over each other"
    assert "matches the session nowhere" in shown.answer.detail.text()
    assert not shown.believe.isEnabled()
