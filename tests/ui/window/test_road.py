"""The Road screen as a person meets it: a real window, a scripted drive, and what can be seen on it."""

import dataclasses
import importlib
from typing import Any

import numpy as np
import pytest

from stream.block import ChannelInfo
from stream.car import parse_car
from stream.drive.guide_plan import RoadHint
from stream.live.records import Health
from tests.ui.window.fake_feed import CAR as FEED_CAR
from tests.ui.window.fake_feed import HEALTH, FakeFeed, hold, pull, steady

SCRIPT = [(0.0, 900.0, 0.02), (2.0, 2000.0, 0.1), (8.0, 2000.0, 0.1), (9.0, 3000.0, 0.3), (40.0, 3000.0, 0.3)]


@pytest.fixture
def feed() -> FakeFeed:
    return FakeFeed(SCRIPT)


def road_of(window: Any) -> Any:
    return window.screens["Road"]


def pixels(widget: Any) -> np.ndarray:
    """What the widget shows, (height, width, 3), 0 to 255."""
    image = (
        widget.grab()
        .toImage()
        .convertToFormat(importlib.import_module("pyqtgraph.Qt").QtGui.QImage.Format.Format_RGB888)
    )
    rows = np.frombuffer(image.constBits(), np.uint8).reshape(image.height(), image.bytesPerLine())
    return rows[:, : 3 * image.width()].reshape(image.height(), image.width(), 3).copy()


def share_of(colour: str, shown: np.ndarray) -> float:
    """Share of pixels within a few steps of a colour."""
    wanted = [int(colour[place : place + 2], 16) for place in (1, 3, 5)]
    return float((np.abs(shown.astype(int) - wanted).max(axis=2) < 6).mean())


def test_figures_are_large_rounded_and_named(open_window: Any, run: Any, feed: FakeFeed) -> None:
    """Large figures, rounded, with their names."""
    window = open_window(feed)
    run(window, feed, 5.0, speed_rpm=2013.7, load=0.1234, steady=steady(2010, 300))

    road = road_of(window)
    assert road.speed.figure == "2010"
    assert road.load.figure == "0.12"
    assert road.load.caption == "Load, mV/V"
    # readable at arm's length: the figure fills a third of the panel's height at the least
    ink = share_of(road.theme.text, pixels(road.speed)[40:, :])
    assert ink > 0.05


def test_bracket_closes_only_on_a_hold(open_window: Any, run: Any, feed: FakeFeed) -> None:
    """The bracket closes only while a hold is counted."""
    window, speed_panel = open_window(feed), importlib.import_module("ui.window.speed_panel")
    road = road_of(window)
    run(window, feed, 2.0, steady=steady(2000, 600))
    assert not road.speed.closed
    assert road.speed.sentence == "moving  ±600 rpm"
    wide = speed_panel.openness(feed.now.steady)
    run(window, feed, 3.0, steady=steady(2000, 120))
    assert speed_panel.openness(feed.now.steady) < wide
    run(window, feed, 4.0, steady=steady(2000, 40, 1.8))
    assert not road.speed.closed
    assert road.speed.sentence == "steady  1.8 of 3.0 s"
    before = share_of(road.theme.hold, pixels(road.speed))
    run(window, feed, 6.0, steady=steady(2000, 40, 3.2, holding=True))

    assert road.speed.closed
    assert road.speed.sentence == "HOLD  3.2 s"
    assert before < 0.001 < 0.02 < share_of(road.theme.hold, pixels(road.speed))


def test_arms_meet_in_the_picture_only_on_a_hold(open_window: Any, run: Any, feed: FakeFeed) -> None:
    """The shape tells the state without colour: the top edge has a gap in the middle until the hold is up."""
    window = open_window(feed)
    road = road_of(window)

    def middle_column_inked() -> bool:
        shown = pixels(road.speed).astype(int)
        top = shown[: shown.shape[0] // 4, shown.shape[1] // 2]
        return bool((np.abs(top - top[0]).max(axis=1) > 60).any())

    run(window, feed, 4.0, steady=steady(2000, 40, 2.9))
    almost = middle_column_inked()
    run(window, feed, 5.0, steady=steady(2000, 40, 3.0, holding=True))

    assert not almost
    assert middle_column_inked()


def test_strip_shows_curves_holds_and_pulls(open_window: Any, run: Any, feed: FakeFeed) -> None:
    """The strip shows both curves and what was found."""
    window = open_window(feed)
    road = road_of(window)
    run(window, feed, 8.0, steady=steady(2000, 30, 4.0, holding=True))
    growing = [span.kind for span in road.strip.spans]
    run(
        window,
        feed,
        12.0,
        steady=steady(3000, 500),
        last_hold=hold(2.1, 8.0, 2003),
        holds=1,
        last_pull=pull(8.0, 9.0),
        pulls=1,
    )

    assert growing == ["hold"]
    assert [(span.kind, span.text) for span in road.strip.marks.spans] == [
        ("hold", "2000"),
        ("pull", "pull, clean"),
    ]
    shown = pixels(road.strip)
    assert share_of(road.theme.speed, shown) > 0.001
    assert share_of(road.theme.load, shown) > 0.001
    run(window, feed, 40.0)
    assert road.strip.marks.spans == []  # left behind after 30 s


def test_strip_takes_every_live_row_and_raw_sample_once(open_window: Any, run: Any, feed: FakeFeed) -> None:
    """Every row and sample is drawn once."""
    window = open_window(feed)
    road = road_of(window)
    run(window, feed, 12.0)

    times = np.arange(1200) / 100
    low, high = road.strip.live.span(0)
    assert low == pytest.approx(feed.speed(times).min(), abs=0.1)
    assert high == pytest.approx(feed.speed(times).max(), abs=0.1)
    assert road.strip.raw.newest_s == pytest.approx(12.0, abs=0.05)


def test_last_hold_and_pull_are_told_in_words(open_window: Any, run: Any, feed: FakeFeed) -> None:
    """The last hold and pull are told in words."""
    window = open_window(feed)
    road = road_of(window)
    assert (road.hold.verdict.text(), road.pull.verdict.text()) == ("none yet", "none yet")
    run(
        window,
        feed,
        9.0,
        last_hold=hold(2.0, 7.9, 2003.4),
        holds=4,
        last_pull=pull(1.0, 8.2, ("wheelspin", "lift")),
        pulls=2,
    )

    assert road.hold.verdict.text() == "2000 rpm for 5.9 s"
    assert road.hold.detail.text() == "wander ±18 rpm · load 0.21 mV/V · no. 4"
    assert road.pull.verdict.text() == "flawed: wheelspin, lifted early"
    assert road.pull.mark.kind == "caution"
    run(window, feed, 9.1, last_pull=pull(1.0, 8.2), pulls=3)
    assert (road.pull.verdict.text(), road.pull.mark.kind) == ("clean", "ok")


def test_health_is_one_line(open_window: Any, run: Any, feed: FakeFeed) -> None:
    """Rate, losses, clipping, noise and disk stand in one line."""
    window = open_window(feed)
    feed.start_recording()
    run(window, feed, 1.0, health=Health(1000.0, 1000, 12, {"link": 3}, HEALTH.noise))

    thin = "\u202f"
    assert road_of(window).health.text == (
        f"Rate 1{thin}000 Hz · ! Lost 12 · ! Clipped 3 · Noise speed_v 2.1 mV, link 4.2 µV/V · "
        "Disk 41 GB free · 2026-05-17-1432-heron.h5"
    )


def test_space_marks_whatever_was_clicked_last(qt: Any, open_window: Any, run: Any, feed: FakeFeed) -> None:
    """The space bar marks, wherever the focus is."""
    window = open_window(feed)
    road = road_of(window)
    test, keys, buttons = (
        importlib.import_module("PySide6.QtTest").QTest,
        qt.QtCore.Qt.Key,
        qt.QtCore.Qt.MouseButton,
    )
    test.mouseClick(road.controls.record, buttons.LeftButton)
    test.keyClick(window, keys.Key_Space)
    run(window, feed, 1.0)

    assert feed.calls == [("start_recording",), ("mark", "")]
    assert [event.kind for event in feed.events.since(0)[0]] == ["recording-began", "mark"]
    assert [span.kind for span in road.strip.marks.spans] == ["mark"]
    assert road.state_bar.state.detail.startswith("mark 1 at 00:00")


def test_k_keeps_that_knock_was_heard(qt: Any, open_window: Any, run: Any, feed: FakeFeed) -> None:
    """The key and the button say the same; the moment is on the strip and in the state line."""
    window = open_window(feed)
    road = road_of(window)
    test = importlib.import_module("PySide6.QtTest").QTest
    test.mouseClick(road.controls.record, qt.QtCore.Qt.MouseButton.LeftButton)
    test.keyClick(window, qt.QtCore.Qt.Key.Key_K)
    run(window, feed, 0.5)
    assert feed.calls == [("start_recording",), ("knock_heard",)]
    assert [span.text for span in road.strip.marks.spans] == ["knock"]
    assert road.state_bar.state.title == "Knock heard"
    test.mouseClick(road.controls.knock, qt.QtCore.Qt.MouseButton.LeftButton)
    run(window, feed, 0.5)
    assert feed.calls[1:] == [("knock_heard",), ("knock_heard",)]


def test_space_in_the_tune_field_is_a_blank(qt: Any, open_window: Any, run: Any, feed: FakeFeed) -> None:
    """While a tune is typed, space is a blank."""
    window = open_window(feed)
    tune = road_of(window).controls.tune
    test = importlib.import_module("PySide6.QtTest").QTest
    test.mouseClick(tune, qt.QtCore.Qt.MouseButton.LeftButton)
    test.keyClicks(tune, "wren 2")
    run(window, feed, 0.5)  # a frame must not wipe what is being typed
    test.keyClick(tune, qt.QtCore.Qt.Key.Key_Return)

    assert feed.calls == [("set_tune", "wren 2")]
    assert not tune.hasFocus()


def test_recording_starts_by_a_press_and_stops_by_a_held_one(
    open_window: Any, run: Any, feed: FakeFeed, hold_down: Any
) -> None:
    """A press starts a recording; a short one does not stop it and says how; a held one does, once."""
    window = open_window(feed)
    road = road_of(window)
    run(window, feed, 1.0)
    assert road.state_bar.state.title == "Not recording"
    assert road.health.file == "not recording"
    road.controls.record.click()
    run(window, feed, 66.5)
    assert road.state_bar.state.title == "Recording 01:05"
    assert road.controls.record.text() == "Stop: hold"
    road.controls.record.click()
    run(window, feed, 66.6)
    assert feed.calls == [("start_recording",)]
    assert "press for a second" in road.state_bar.state.detail
    hold_down(road.controls.record)
    run(window, feed, 68.7)

    assert feed.calls == [("start_recording",), ("stop_recording",)]
    assert road.state_bar.state.title == "Not recording"


def test_closing_while_recording_takes_a_held_press(open_window: Any, run: Any, feed: FakeFeed, hold_down: Any) -> None:
    """The window stays, the drive goes on, and the foot of the window says so; a held press closes it properly."""
    window = open_window(feed)
    road_of(window).controls.record.click()
    run(window, feed, 1.0)
    window.close()
    assert window.isVisible()
    assert not feed.stopped
    assert window.closing.isVisible()
    window.keep_on.click()
    assert not window.closing.isVisible()
    window.close()
    window.stop_and_close.click()
    assert window.isVisible(), "a slip of the finger"
    hold_down(window.stop_and_close)
    assert not window.isVisible()
    assert feed.stopped


def test_recording_that_cannot_start_says_why(open_window: Any, run: Any, feed: FakeFeed) -> None:
    """Why a recording cannot start is said."""
    feed.disk_broken = True
    window = open_window(feed)
    road = road_of(window)
    road.controls.record.click()
    run(window, feed, 0.5)

    assert road.state_bar.state.level == "fault"
    assert "/media/stick: cannot be written" in road.state_bar.state.detail


def test_device_away_is_unmistakable(open_window: Any, run: Any, feed: FakeFeed, clock: Any) -> None:
    """A device that is gone cannot be overlooked."""
    window = open_window(feed)
    road = road_of(window)
    run(window, feed, 5.0, steady=steady(2000, 30, 4.0, holding=True))
    calm = share_of(road.theme.fault, pixels(road.state_bar))
    feed.events.add(5.0, "device-away", "the port is gone")
    feed.now = dataclasses.replace(feed.now, state="away")
    window.poll()
    clock.now += 12.3
    window.poll()

    assert road.state_bar.state.title == "Device away"
    assert "00:12" in road.state_bar.state.detail
    assert road.speed.figure == road.load.figure == "–––"  # no stale figure
    assert not road.speed.closed
    assert calm == 0
    assert share_of(road.theme.fault, pixels(road.state_bar)) > 0.5


def test_a_failure_says_what_and_ends_with_3(open_window: Any, run: Any, feed: FakeFeed) -> None:
    """A failed device or disk is said and ends with exit code 3."""
    window = open_window(feed)
    run(window, feed, 2.0)
    assert window.exit_code == 0
    feed.now = dataclasses.replace(feed.now, state="failed", failure="/media/stick: the disk is full")
    window.poll()

    assert road_of(window).state_bar.state.title == "Stopped by a fault"
    assert road_of(window).state_bar.state.detail == "/media/stick: the disk is full"
    assert window.exit_code == 3


def test_targets_are_there_only_where_given(qt: Any, open_window: Any, run: Any, feed: FakeFeed) -> None:
    """Targets are shown only where there are some."""
    window = open_window(feed)
    road = road_of(window)
    run(window, feed, 1.0)
    assert not road.target.isVisible()
    assert not road.controls.skip.isVisible()
    run(
        window,
        feed,
        5.0,
        targets=(2000.0, 2500.0, 3000.0),
        next_target_rpm=2500.0,
        steady=steady(2000, 40, 1.2),
        speed_rpm=2000.0,
    )
    assert road.target.isVisible()
    assert (road.target.caption, road.target.figure, road.target.note) == (
        "Next target 2 of 3, rpm",
        "2500",
        "1.2 of 3.0 s",
    )
    assert road.speed.target_sentence == "500 below target"
    test, keys = importlib.import_module("PySide6.QtTest").QTest, qt.QtCore.Qt.Key
    test.keyClick(window, keys.Key_Right)
    test.keyClick(window, keys.Key_Left)
    run(window, feed, 6.0, next_target_rpm=None)

    assert feed.calls == [("skip_target",), ("redo_target",)]
    assert road.target.figure == "done"


def test_guided_targets_tell_road_speed_seconds_and_doubt(open_window: Any, run: Any, feed: FakeFeed) -> None:
    """A target tells road speed, seconds held and uncertainty."""
    window = open_window(feed)
    road = road_of(window)
    row = {
        "targets": (2000.0, 3000.0, 4000.0, 5000.0),
        "next_target_rpm": 5000.0,
        "target_road_kmh": 63.2,
        "target_hint": RoadHint(False, 2, 63.0, 41.0),
        "targets_taken": 3,
    }
    run(window, feed, 3.0, **row, target_speed_rpm=float("nan"), steady=steady(2000, 500))
    assert road.target.details == (
        "63 km/h in gear 2, 41 in gear 1",
        "3 of 4 held, uncertainty from the third on",
    )
    assert road.speed.target_sentence == "go by the dashboard until three are held"
    run(window, feed, 4.0, target_speed_rpm=4890.0, uncertainty_rpm=41.2, until_u_rpm=30.0)
    assert road.target.details[1] == "3 of 4 held, ±42 rpm, 30 wanted"
    assert road.speed.target_sentence == "110 below target"
    run(window, feed, 5.0, steady=steady(2000, 40, 2.1), target_steady_s=2.1)
    assert road.target.details[1] == "2.1 of 3.0 s near this target"
    run(window, feed, 6.0, target_steady_s=0.0)
    assert road.target.details[1] == "steady, but not near this target"
    run(window, feed, 7.0, steady=steady(2000, 40, 3.4, holding=True), target_steady_s=3.4)

    assert road.target.details[1] == "held long enough: go on"


def test_cautions_come_first_and_can_be_called_again(qt: Any, open_window: Any, run: Any, feed: FakeFeed) -> None:
    """The cautions stand before the first drive and can be called up again."""
    window = open_window(feed, caution=True)
    assert window.cautions.isVisible()
    assert not road_of(window).isVisible()
    for words in (
        "second person",
        "closed road",
        "laptop",
        "buffered",
        "glued",
        "never ground, drilled or heated",
        "fused",
        "knock detection",
        "temperature limits",
        "licensed professional",
        "local law",
    ):
        assert words in window.cautions.text
    importlib.import_module("PySide6.QtTest").QTest.keyClick(window.cautions.understood, qt.QtCore.Qt.Key.Key_Space)
    assert road_of(window).isVisible()
    assert feed.calls == []  # that space bar was no mark
    road_of(window).controls.cautions.trigger()

    assert window.cautions.isVisible()


def test_closing_the_window_stops_the_drive(open_window: Any, run: Any, feed: FakeFeed, heard: Any) -> None:
    """Closing the window ends the drive properly."""
    window = open_window(feed)
    run(window, feed, 1.0)
    window.close()

    assert feed.stopped
    assert heard.closed
    assert not window.timer.isActive()


def test_closes_by_itself_when_asked_to(open_window: Any, run: Any, feed: FakeFeed) -> None:
    """The window closes by itself where that was wanted."""
    window = open_window(feed, close_when_finished=True)
    run(window, feed, 1.0)
    assert window.isVisible()
    feed.now = dataclasses.replace(feed.now, state="finished")
    window.poll()

    assert not window.isVisible()
    assert feed.stopped


def test_events_are_heard_once_and_can_be_switched_off(open_window: Any, run: Any, feed: FakeFeed, heard: Any) -> None:
    """Each event is heard once; sound can be switched off."""
    window = open_window(feed)
    feed.events.add(0.5, "hold-began", "2000 rpm")
    run(window, feed, 1.0)
    feed.events.add(1.0, "gap", "12 samples lost")
    feed.events.add(1.0, "limit", "lambda 1.1, above 1.05", 1.1)
    run(window, feed, 1.2)
    assert heard.cues == ["hold-reached", "lift"]
    assert road_of(window).speed.sentence == "LIFT"
    road_of(window).controls.sounds["hold-reached"].setChecked(False)
    feed.events.add(1.3, "hold-began", "2000 rpm")
    run(window, feed, 1.6)

    assert heard.cues == ["hold-reached", "lift"]


def test_without_a_drive_it_says_how_to_start_one(open_window: Any) -> None:
    """Without a drive the screen says how to start one."""
    window = open_window(None)
    window.poll()
    road = road_of(window)

    assert road.state_bar.state.title == "No drive is running"
    assert road.state_bar.state.detail == "begin one on Start"
    assert not road.controls.record.isEnabled()
    assert window.exit_code == 0


@pytest.mark.parametrize("size", [(1280, 800), (1920, 1080)])
@pytest.mark.parametrize("theme", ["dark", "light"])
def test_nothing_is_clipped_or_overlaps(
    open_window: Any, run: Any, feed: FakeFeed, size: tuple[int, int], theme: str, qt: Any
) -> None:
    """No text is cut off and no part overlaps another."""
    window = open_window(feed, theme=theme)
    window.resize(*size)
    road = road_of(window)
    feed.start_recording()
    run(
        window,
        feed,
        9.0,
        last_hold=hold(2.0, 8.0, 2003),
        holds=12,
        last_pull=pull(1, 8, ("part-throttle", "lost-samples")),
        pulls=11,
        targets=(2000.0, 3000.0),
        next_target_rpm=3000.0,
        steady=steady(2000, 40, 2.9),
    )
    for _ in range(2):  # a card that came takes the layout another turn
        qt.QtWidgets.QApplication.processEvents()
    parts = [
        road.state_bar,
        road.speed,
        road.load,
        road.target,
        road.strip,
        road.hold,
        road.pull,
        road.health,
        *buttons(road),
    ]
    boxes = [qt.QtCore.QRect(part.mapTo(road, qt.QtCore.QPoint(0, 0)), part.size()) for part in parts]

    for place, box in enumerate(boxes):
        assert road.rect().contains(box)
        assert not any(box.intersects(other) for other in boxes[place + 1 :])
    for button in buttons(road):
        assert button.fontMetrics().horizontalAdvance(button.text()) <= button.width() - 8
    for text in (road.hold.verdict, road.pull.verdict):
        assert text.fontMetrics().horizontalAdvance(text.text()) <= text.width()
    assert share_of(road.theme.panel, pixels(road)) > 0.3  # the theme that was asked for


def buttons(road: Any) -> list[Any]:
    return [
        road.controls.record,
        road.controls.mark,
        road.controls.skip,
        road.controls.redo,
        road.controls.tune,
        road.controls.more,
    ]


def test_further_screens_are_tabs(qt: Any, open_window: Any, feed: FakeFeed) -> None:
    """Each screen is a tab; one that nobody has looked at is not built yet, and costs no frame anything."""
    main, screen = importlib.import_module("ui.window.main"), importlib.import_module("ui.window.feed")
    polled = []

    class Second(screen.Screen):
        def poll(self) -> None:
            polled.append(True)

    window = open_window(feed, screens=(*main.SCREENS, main.ScreenSpec("Second", lambda window: Second())))
    window.poll()
    assert not polled
    window.tabs.setCurrentIndex(window.tabs.count() - 1)
    window.poll()

    assert [window.tabs.tabText(place) for place in range(window.tabs.count())] == [
        *(spec.name for spec in main.SCREENS),
        "Second",
    ]
    assert polled
    assert window.tabs.tabBar().isVisible()


def test_foreign_text_cannot_break_the_screen(open_window: Any, run: Any, feed: FakeFeed) -> None:
    """Control characters and markup are shown as plain text; NaN and infinity draw nothing."""
    window = open_window(feed)
    feed.events.add(0.1, "note", "<b>bold</b>\x1b[31m\n" + "x" * 500)
    run(
        window,
        feed,
        1.0,
        speed_rpm=float("nan"),
        load=float("inf"),
        load_unit="<i>\x00",
        steady=steady(float("nan"), float("nan")),
    )
    road = road_of(window)

    assert road.speed.figure == road.load.figure == "–––"
    assert road.load.caption == "Load, <i>"
    assert road.state_bar.state.detail.startswith("<b>bold</b> [31m xxx")
    assert len(road.state_bar.state.detail) <= 110


def test_a_storm_of_gaps_stays_cheap_to_draw(open_window: Any, run: Any, feed: FakeFeed) -> None:
    """Thousands of gaps are drawn as a few spans."""
    window = open_window(feed)
    run(window, feed, 10.0)
    for number in range(3000):
        feed.events.add(5.0 + number / 1000, "gap", "1 sample lost")
    run(window, feed, 10.1)
    shown = [span.start_s for span in road_of(window).strip.marks.spans]

    assert 10 <= len(shown) <= 16
    assert shown[0] == 5.0
    assert shown[-1] > 7.7


def test_a_pull_is_called_one_and_fills_a_bar_to_redline(open_window: Any, run: Any, feed: FakeFeed) -> None:
    """While speed rises under high load the words are PULL and the way to redline, not 'moving'."""
    view = importlib.import_module("stream.live.records")
    window = open_window(feed)
    road = road_of(window)
    run(
        window,
        feed,
        5.0,
        speed_rpm=4400.0,
        steady=steady(4000, 840),
        redline_rpm=7400.0,
        pull_now=view.PullNow(3.0, 2400.0, 500.0),
        last_pull=pull(1, 2, ("lift",)),
        pulls=1,
    )

    assert road.speed.sentence == "PULL  3000 to redline"
    assert road.speed.pull_share == pytest.approx(0.4)
    bar = share_of(road.theme.speed, pixels(road.speed))
    assert bar > 0.005
    assert not road.speed.closed

    run(
        window,
        feed,
        6.0,
        speed_rpm=6900.0,
        steady=steady(4000, 840),
        redline_rpm=7400.0,
        pull_now=view.PullNow(3.0, 2400.0, 500.0),
    )
    assert share_of(road.theme.speed, pixels(road.speed)) > 1.5 * bar
    run(window, feed, 7.0, speed_rpm=3000.0, steady=steady(3000, 840), pull_now=None)
    assert road.speed.sentence == "moving  ±840 rpm"


def test_z_declares_a_zero_and_a_refusal_says_why(qt: Any, open_window: Any, run: Any, feed: FakeFeed) -> None:
    """Z standing, Shift and Z rolling, the button as Z; the reason of a refusal stands in the state bar."""
    window = open_window(feed)
    road = road_of(window)
    test, qt_core = importlib.import_module("PySide6.QtTest").QTest, qt.QtCore.Qt
    test.keyClick(window, qt_core.Key.Key_Z)
    test.keyClick(window, qt_core.Key.Key_Z, qt_core.KeyboardModifier.ShiftModifier)
    test.mouseClick(road.controls.zero, qt_core.MouseButton.LeftButton)
    run(window, feed, 0.5)

    assert feed.calls == [("zero", False), ("zero", True), ("zero", False)]
    assert road.state_bar.state.title == "No zero"
    assert "62 km/h" in road.state_bar.state.detail


def test_the_air_of_the_day_is_asked_once_and_may_be_left_out(open_window: Any, feed: FakeFeed) -> None:
    """Three numbers go to the drive; what is no air keeps the page and says so; nothing typed asks nothing."""
    window = open_window(feed, caution=True)
    fields = window.cautions.air.fields
    for field, text in zip(fields, ("18", "1002", ""), strict=True):
        field.setText(text)
    window.cautions.understood.click()
    assert window.cautions.isVisible()
    assert window.cautions.air.trouble.text() == "three numbers, or none"
    fields[2].setText("55,5")
    window.cautions.understood.click()
    assert road_of(window).isVisible()
    ((name, weather),) = feed.calls
    assert (name, weather.temperature_c, weather.pressure_hpa, weather.humidity_pct) == ("set_weather", 18, 1002, 55.5)
    road_of(window).controls.cautions.trigger()
    window.cautions.understood.click()
    assert len(feed.calls) == 1, "the same air is not said again"
    other = FakeFeed()
    second = open_window(other, caution=True)
    second.cautions.understood.click()
    assert other.calls == []


def test_road_is_read_at_arm_s_length(open_window: Any, run: Any, feed: FakeFeed) -> None:
    """At 1280 × 800, guided to targets, the figure is 168 pixels, its word 44, no text under 24, and what is pressed
    64 high: the sizes that the screen was designed with."""
    speed_panel, theme = (importlib.import_module(f"ui.window.{name}") for name in ("speed_panel", "theme"))
    window = open_window(feed)
    road = road_of(window)
    targets = {"targets": (2000.0, 3000.0), "next_target_rpm": 3000.0, "target_hint": RoadHint(False, 2, 38.0, 25.0)}
    run(window, feed, 9.0, **targets, target_speed_rpm=2000.0, steady=steady(2000, 40, 3.2, holding=True))
    cap = theme.text_font(168, bold=True)
    room = road.speed.height() - (speed_panel.CAPTION + speed_panel.WORDS + speed_panel.SCALE)
    fitting = theme.font_that_fits("8888", 0.66 * (road.speed.width() - 24), 0.71 * room)
    assert fitting.pixelSize() >= 0.99 * cap.pixelSize()
    assert speed_panel.WORD == 44
    for part in (*buttons(road), road.controls.skip, road.controls.redo, road.controls.tune):
        assert part.height() >= 60
        assert part.fontInfo().pixelSize() >= 24
    for part in (road.hold.caption, road.hold.detail, road.controls.tune_caption):
        assert part.fontInfo().pixelSize() >= 24


def test_the_load_stands_still_while_the_car_does(open_window: Any, run: Any, feed: FakeFeed) -> None:
    """A load that wavers by less than its last digit keeps its figure, and a sign moves no digit sideways."""
    window = open_window(feed)
    road = road_of(window)
    run(window, feed, 1.0, load=0.0049)
    shown = set()
    for place, load in enumerate((0.0049, 0.0052, 0.0047, 0.0055, -0.002, 0.006)):
        run(window, feed, 1.2 + 0.2 * place, load=load)
        shown.add(road.load.figure)
    assert shown == {"0.00"}
    run(window, feed, 3.0, load=0.011)
    assert road.load.figure == "0.01"
    columns = []
    for load in (0.5, -0.5):
        run(window, feed, feed.time_s + 0.2, load=load)
        ink = (pixels(road.load).astype(int).min(axis=2) > 200).any(axis=0)
        columns.append(np.flatnonzero(ink).max())
    assert columns[0] == columns[1]


def test_the_bracket_moves_for_a_moment_or_not_at_all() -> None:
    """What follows a state does so within 150 ms, fast first; with less motion asked for, at once."""
    eased = importlib.import_module("ui.window.speed_panel").Eased(1.0)
    assert eased.follow(0.0, 10.0) == 1.0
    assert 0.0 < eased.follow(0.0, 10.05) < 0.5
    assert eased.follow(0.0, 10.151) == 0.0
    assert eased.follow(1.0, 20.0, moves=False) == 1.0


class WithThrottle(FakeFeed):
    """The scripted drive with a throttle beside it: 20 % throughout."""

    def __init__(self, script: Any) -> None:
        super().__init__(script)
        self.car = parse_car(FEED_CAR + '[[channel]]\nname = "throttle"\nrole = "throttle"\nunit = "%"\n', "test")
        self.info = dataclasses.replace(self.info, channels=(*self.info.channels, ChannelInfo("throttle", "%")))

    def raw_cursor(self) -> Any:
        plain = super().raw_cursor()

        class Wider:
            def read(self, max_rows: int) -> Any:
                block = plain.read(max_rows)
                if block is None:
                    return None
                more = np.full((len(block), 1), 20.0, np.float32)
                return dataclasses.replace(block, samples=np.hstack((block.samples, more)))

        return Wider()


def test_the_second_page_shows_the_cells_that_are_reached(
    qt: Any, open_window: Any, run: Any, tmp_path: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """M and a press on Map: seconds in each cell so far, also those before the table was chosen; where the engine is,
    and where to drive next; M goes back to the figures."""
    (tmp_path / "t.csv").write_text("rpm\\%;10;20;40\n1000;1;1;1\n2000;1;1;1\n3000;1;1;1\n4000;1;1;1\n")
    monkeypatch.setattr("ui.window.ask.open_file", lambda *_: tmp_path / "t.csv")
    feed = WithThrottle(SCRIPT)
    window = open_window(feed)
    road = road_of(window)
    run(window, feed, 8.0)
    test = importlib.import_module("PySide6.QtTest").QTest
    test.keyClick(window, qt.QtCore.Qt.Key.Key_M)
    assert road.turning.currentWidget() is road.map
    assert "Choose a table" in road.map.here.text()
    test.mouseClick(road.map.choose, qt.QtCore.Qt.MouseButton.LeftButton)
    run(window, feed, 12.0)

    shown = road.map.view.shown
    assert shown.heads == ("10", "20", "40")
    seconds = [row[1].text for row in shown.rows]
    assert [row[0].never for row in shown.rows] == [True] * 4
    assert float(seconds[1]) == pytest.approx(7.1, abs=1)  # 1500 to 2500 rpm, by the script
    assert float(seconds[2]) == pytest.approx(3.4, abs=1)
    assert road.map.view.here == (2, 1)
    assert "now 3000 rpm, 20 % throttle" in road.map.here.text()
    assert road.map.next.text().startswith("Drive next: ")

    before = pixels(road.map.view)
    test.keyClick(window, qt.QtCore.Qt.Key.Key_M)
    assert road.turning.currentWidget() is not road.map
    assert share_of(road.theme.text, before) > 0.001


def test_a_limit_is_told_on_the_second_page_too(open_window: Any, run: Any, feed: FakeFeed) -> None:
    """The band of a limit lies over whichever page is in front."""
    window = open_window(feed)
    road = road_of(window)
    run(window, feed, 3.0)
    road.turn()
    feed.events.add(feed.time_s, "limit", "knock 3.4 V over 2.0", 3.4, details={"channel": "knock"})
    run(window, feed, 3.2)
    assert road.limit_band.isVisible()
