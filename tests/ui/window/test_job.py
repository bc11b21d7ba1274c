"""The job from the window: the trail's states, the start page, the forms that begin something, what is remembered."""

import datetime as dt
from pathlib import Path
from typing import Any

import pytest

from stream.car import load_car, parse_car
from stream.record.summary import Summary
from stream.sources.rehearsal.scenario import demo_car_text
from stream.study.compare.looks import LOOKS
from ui.text.job import FIRST_LOOK
from ui.window.job import trail
from ui.window.memory import FolderJob, Memory

BEGAN = dt.datetime(2026, 5, 2, 9, 0, tzinfo=dt.UTC)


def session(place: int, **found: Any) -> Summary:
    """A sound session, `place` minutes into the day."""
    base = {"path": f"/nowhere/{place}.h5", "state": "finished", "tunes": ("heron",)}
    return Summary(**{**base, "started_utc": BEGAN + dt.timedelta(minutes=place), **found})


def states(sessions: list[Summary], job: FolderJob | None = None, *, car: bool = True) -> dict[str, str]:
    return {step.key: step.state for step in trail(sessions, job or FolderJob(), car=car)}


def following(sessions: list[Summary], job: FolderJob | None = None, *, car: bool = True) -> str:
    return next((key for key, state in states(sessions, job, car=car).items() if state == "next"), "")


def test_the_trail_leads_through_the_job_in_its_order(tmp_path: Path) -> None:
    """Car file, holds, fit, pulls of two tunes; then at the desk: apply, zeros, compare, tables, report."""
    hold = session(0, holds=7)
    assert following([], car=False) == "plan"
    assert following([]) == "hold"
    assert following([session(0, holds=2)]) == "hold"
    assert following([hold]) == "fit"
    fitted = session(0, holds=7, calibrated=True)
    assert following([fitted]) == "pull"
    assert states([fitted])["apply"] == "missing"
    pulls = [session(10, pulls_clean=3), session(20, pulls_clean=3, tunes=("plover",))]
    assert following([fitted, pulls[0]]) == "pull"
    assert following([fitted, *pulls]) == "apply"
    pulls = [
        session(10, pulls_clean=3, calibrated=True),
        session(20, pulls_clean=3, tunes=("plover",), calibrated=True),
    ]
    assert following([fitted, *pulls]) == "zero"
    pulls = [
        session(10, pulls_clean=3, calibrated=True, zeros=2),
        session(20, pulls_clean=3, tunes=("plover",), calibrated=True, zeros=1),
    ]
    assert following([fitted, *pulls]) == "compare"
    job = FolderJob(compared=[one.path for one in pulls])
    assert following([fitted, *pulls], job) == "tables"
    (tmp_path / "table.csv").touch()
    job.tables = dict.fromkeys(("ignition", "mixture"), str(tmp_path / "table.csv"))
    assert following([fitted, *pulls], job) == "report"
    job.report = str(tmp_path / "table.csv")
    assert following([fitted, *pulls], job) == ""
    assert set(states([fitted, *pulls], job).values()) == {"done"}


def test_a_flawed_pull_and_a_broken_file_move_nothing_on() -> None:
    """Six pulls make a first look only where they are clean; what cannot be read is no session of the job."""
    hold = session(0, holds=7, calibrated=True)
    flawed = [session(10, pulls_flawed=6), session(20, pulls_flawed=6, tunes=("plover",))]
    assert following([hold, *flawed]) == "pull"
    assert states([hold, *flawed])["compare"] == "missing"
    assert following([Summary(path="/nowhere/x.h5", state="broken", trouble="damaged")], car=False) == "plan"


def test_what_lacks_says_why(open_window: Any, qt: Any) -> None:
    """A press on a step that cannot be done yet goes nowhere and says what it needs."""
    window = open_window(None)
    window.trail.marks["fit"].click()
    assert window.tabs.tabText(window.tabs.currentIndex()) == "Start"
    assert "no session with three held speeds yet" in window.trail.why.text()


def test_a_fresh_window_offers_a_rehearsal_and_no_command(open_window: Any) -> None:
    """Without a device and without a session the one primary action is the rehearsal; nobody is told to type."""
    window = open_window(None)
    home = window.screens["Start"].home
    assert home.cards["rehearse"].primary
    assert not home.go_on.isVisible()
    assert window.trail.next.property("part") != "primary"
    narrow = window.trail.next.minimumWidth()
    window.show_screen("Shelf")  # empty: its own button leads there, the trail's does not, and keeps its width
    window.poll()
    assert window.screens["Shelf"].nothing.button.isVisible()
    assert window.trail.next.property("part") != "primary"
    window.trail.lead(True)
    assert window.trail.next.sizeHint().width() <= narrow
    window.show_screen("Start")
    home.cards["rehearse"].click()
    page = window.screens["Start"].stack.currentWidget()
    assert page.title == "Rehearse"
    shown = [part.text() for part in page.findChildren(type(page.status))]
    assert not any("steadypull " in text or "--" in text for text in shown)


def test_trouble_is_said_at_its_field_and_nothing_is_lost(open_window: Any, tmp_path: Path) -> None:
    """Each field in turn says what is wrong with it; what was typed elsewhere stays."""
    window = open_window(None)
    window.go("drive")
    page = window.screens["Start"].stack.currentWidget()
    form = page.form
    form.put("tune", "wren 2")
    form.put("folder", str(tmp_path))

    def said() -> dict[str, str]:
        page.go()
        return {key: label.text() for key, label in form.troubles.items() if not label.isHidden()}

    assert said() == {"car": "▲ choose the car file, or make one"}
    car = tmp_path / "car.toml"
    car.write_text(demo_car_text(), encoding="utf-8")
    form.put("car", str(car))
    assert list(said()) == ["port"]
    form.put("port", "/dev/none")
    form.put("targets", "1500, x")
    assert "'x' is not a number" in said()["targets"]
    form.put("targets", "7000")
    assert "above 90 % of redline" in said()["targets"]
    form.put("targets", "")
    page.air[0].setText("18")
    assert list(said()) == ["air"]
    page.air[0].setText("")
    car.write_text("[car]\n", encoding="utf-8")
    assert "car.toml" in said()["car"]
    assert form.text("tune") == "wren 2"
    assert not window.desk.launcher.busy


@pytest.fixture
def car_page(open_window: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
    monkeypatch.setattr("ui.window.ask.save_as", lambda *_: tmp_path / "new.toml")
    window = open_window(None)
    window.go("car")
    return window.screens["Start"].stack.currentWidget()


def test_the_form_writes_what_the_command_writes(
    car_page: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The examples typed into the form, and Enter pressed at every question, give the same text."""
    from ui.cli.main import run

    empty = ("time", "engine.advance_max_deg")
    for key, field in car_page.form.fields.items():
        if getattr(field, "placeholderText", str)() and hasattr(field, "setText") and key not in empty:
            field.setText(field.placeholderText())
    car_page.go()
    made = (tmp_path / "new.toml").read_text(encoding="utf-8")
    answers = iter([*[""] * 40])
    monkeypatch.setattr("click.prompt", lambda _, default, **__: next(answers) or default)
    assert run(["car", "-o", str(tmp_path / "asked.toml")]) == 0
    assert made == (tmp_path / "asked.toml").read_text(encoding="utf-8")


def test_the_form_keeps_what_a_person_wrote(car_page: Any, tmp_path: Path) -> None:
    """Opened, one figure changed and written: comments, limits and unknown channels are as they were."""
    text = demo_car_text(("lambda",)) + '\n[[limit]]\nchannel = "link"\nabove = 1.5  # never\n'
    path = tmp_path / "old.toml"
    path.write_text(text, encoding="utf-8")
    car_page.begin(str(path))
    assert car_page.form.text("speed.standing") == "0.25"
    assert car_page.roles["lambda"][0].isChecked()
    car_page.form.put("car.mass_kg", "815")
    car_page.go()
    assert (tmp_path / "new.toml").read_text(encoding="utf-8") == text.replace("790.0", "815")


def test_the_form_asks_about_the_unusual_and_refuses_the_impossible(car_page: Any, tmp_path: Path) -> None:
    """3 kg is asked about at its field; readings that do not differ, or a range upside down, are refused there."""
    form = car_page.form
    for key, text in (("car.name", "x"), ("engine.redline_rpm", "7400"), ("speed.standing", "0.25")):
        form.put(key, text)
    form.put("car.mass_kg", "3")
    form.fields["car.mass_kg"].editingFinished.emit()
    assert "3 kg is unusual" in form.troubles["car.mass_kg"].text()
    form.put("speed.redline", "0.25")
    car_page.go()
    assert "must differ" in form.troubles["speed.redline"].text()
    form.put("speed.redline", "4.5")
    form.put("speed.range", "5, 0")
    car_page.go()
    assert "put the lower number first" in form.troubles["speed.range"].text()
    assert not (tmp_path / "new.toml").exists()
    form.put("speed.range", "0, 5")
    car_page.go()
    assert load_car(tmp_path / "new.toml").car.mass_kg == 3
    assert parse_car((tmp_path / "new.toml").read_text(encoding="utf-8")).by_role("load") is not None


def test_what_was_used_is_there_the_next_time(open_window: Any, tmp_path: Path, qt: Any) -> None:
    """Theme, size, folder and car survive; a settings file that makes no sense is like none."""
    kept = tmp_path / "settings" / "window.toml"
    (tmp_path / "car.toml").write_text(demo_car_text(), encoding="utf-8")
    window = open_window(None, memory=Memory(kept))
    window.resize(1100, 700)
    window.set_theme("light")
    window.desk.memory.kept.car = str(tmp_path / "car.toml")
    window.desk.set_folder(tmp_path)
    window.close()
    again = open_window(None, memory=Memory(kept))
    assert (again.width(), again.height()) == (1100, 700)
    assert again.trail.marks["plan"].theme.name == "light"
    assert again.desk.memory.folder == tmp_path
    again.go("drive")
    assert again.screens["Start"].stack.currentWidget().form.text("car") == str(tmp_path / "car.toml")
    kept.write_text("theme = 5\n[", encoding="utf-8")
    assert Memory(kept).kept.theme == "dark"


def test_digits_turn_to_screens_and_escape_leads_back(open_window: Any, qt: Any) -> None:
    """1 to 5 put the screens in front, from any of them; Esc leaves a page; a digit in a field is a digit."""
    test = __import__("PySide6.QtTest", fromlist=["QTest"]).QTest
    keys = qt.QtCore.Qt.Key
    window = open_window(None)
    seen = []
    for key in (keys.Key_2, keys.Key_3, keys.Key_4, keys.Key_5, keys.Key_1):
        test.keyClick(window, key)
        seen.append(window.tabs.tabText(window.tabs.currentIndex()))
    assert seen == ["Road", "Calibrate", "Compare", "Shelf", "Start"]
    window.go("drive")
    field = window.screens["Start"].stack.currentWidget().form.fields["tune"]
    field.setFocus()
    test.keyClicks(field, "2")
    assert field.text() == "2"
    assert window.screens["Start"].stack.currentWidget() is not window.screens["Start"].home
    test.keyClick(window, keys.Key_Escape)
    assert window.screens["Start"].stack.currentWidget() is window.screens["Start"].home


def test_the_trail_knows_when_the_first_verdict_falls() -> None:
    """The number that the trail counts pulls up to is that of the comparison, which the window does not load for it."""
    assert LOOKS[0] == FIRST_LOOK
