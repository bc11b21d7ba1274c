"""A rehearsal that is watched: one window for the day, a line that says what is done, a pause, Compare at the end."""

import threading
import time
from pathlib import Path
from typing import Any

import pytest

from stream.sources.rehearsal.player import RehearsalPort
from stream.sources.rehearsal.scenario import pull_session
from tests.ui.window.fake_feed import FakeFeed
from tests.ui.window.test_road import road_of
from ui.cli.main import run as command_line
from ui.text.next_step import doing


class Scripted:
    """A day that the test writes by hand."""

    def __init__(self) -> None:
        self.feed: Any = None
        self.said = ("The driver stands in neutral, brakes off.", "Load: what the link shows now is its zero.")
        self.opened: list[str] = []
        self.calls: list[Any] = []

    def words(self) -> tuple[str, str]:
        return self.said

    def pause(self, on: bool) -> None:
        self.calls.append(on)

    def stop(self) -> None:
        self.calls.append("stop")


def test_one_window_follows_from_session_to_session(qt: Any, open_window: Any, run: Any) -> None:
    """The next drive takes the place of the last one; the line, the pause and the closing reach the day."""
    show = Scripted()
    window = open_window(None, show=show)
    first, second = FakeFeed(), FakeFeed([(0.0, 4000.0, 0.5), (60.0, 4000.0, 0.5)])
    show.feed = first
    window.poll()
    run(window, first, 2.0)
    assert road_of(window).feed is first
    assert window.show_bar.what.text() == "The driver stands in neutral, brakes off."
    show.feed = second
    run(window, second, 1.0)
    assert road_of(window).feed is second
    assert 3950 <= float(road_of(window).speed.figure) <= 4050
    window.show_bar.button.click()
    assert window.show_bar.button.text() == "Go on"
    window.show_bar.button.click()
    window.close()
    assert show.calls == [True, False, "stop"]
    assert second.stopped


def test_the_line_follows_the_model(tmp_path: Path) -> None:
    """Standing, pulling with the planted flaw named, lifted, gone: at the times of the model's own truth."""
    recording = pull_session(3, "heron", pulls=2, gear=3, faults=("lift",))
    first, *_, last = recording.truth.pulls
    (flawed,) = [pull for pull in recording.truth.pulls if pull.faults]

    assert "stands in neutral" in doing(recording, 1.0)[0]
    middle = (flawed.start_s + flawed.end_s) / 2
    assert doing(recording, middle)[0] == "A pull on heron, spoilt: lifted early."
    assert doing(recording, last.end_s + 1.0)[0] == "The driver has lifted."
    assert doing(recording, first.start_s - 1.0)[0] == "The driver gets ready for a pull."


def test_pace_and_pause_hold_the_line_up() -> None:
    """At 8 times the pace 8 s of samples come in about a second; while paused nothing comes."""
    import serial

    recording = pull_session(4, "heron", pulls=1, gear=3)
    with RehearsalPort(recording, pace=8.0) as device, serial.serial_for_url(device.port_url, timeout=0.1) as port:
        port.write(b"?")
        began = time.monotonic()
        while time.monotonic() < began + 1.0:
            port.read(65536)
        whole = len(recording.counts) / recording.rate_hz
        per_s = 8 * recording.counts.nbytes / whole
        assert device.bytes_sent == pytest.approx(per_s, rel=0.35)
        device.pause(True)
        threading.Event().wait(0.3)
        before = device.bytes_sent
        threading.Event().wait(0.5)
        assert device.bytes_sent - before < 300, "a description at most"
        device.pause(False)
        after = time.monotonic()
        while time.monotonic() < after + 0.5:
            port.read(65536)
        assert device.bytes_sent - before == pytest.approx(per_s / 2, rel=0.45), "it goes on, and does not catch up"


def test_a_quick_day_with_a_display_ends_on_compare(
    qt: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], heard: Any
) -> None:
    """The command with a window: five drives in one window, then Compare with the day open, until it is closed."""
    from ui.window.ear import Ear
    from ui.window.main import MainWindow

    seen: list[Any] = []

    def open_show(show: Any) -> int:
        window = MainWindow(None, caution=False, show=show, ear=Ear(heard))
        window.show()
        deadline = time.monotonic() + 240
        feeds: list[Any] = []
        while not (show.opened and window.screens["Compare"].opened is not None):
            assert time.monotonic() < deadline, show.words()
            qt.QtWidgets.QApplication.processEvents()
            time.sleep(0.005)
            if window.feed is not None and window.feed not in feeds:
                feeds.append(window.feed)
        seen.extend([len(feeds), window.tabs.tabText(window.tabs.currentIndex()), window.show_bar.what.text()])
        window.grab().save(str(tmp_path / "end.png"))
        window.close()
        window.deleteLater()
        return 0

    monkeypatch.setattr("ui.cli.doors.wants_window", lambda *_: True)
    monkeypatch.setattr("ui.cli.doors.open_show", open_show)
    assert command_line(["rehearse", "--quick", "--seed", "7", "-o", str(tmp_path)]) == 0

    assert seen == [5, "Compare", "The day is over."]
    assert "plover against heron" in capsys.readouterr().out
    assert len(list(tmp_path.glob("*.h5"))) == 5
