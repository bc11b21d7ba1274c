"""The Road screen on a real drive: a device on a pseudo-terminal, the engine and the recorder behind it, a window."""

import os
import queue
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from stream.car import parse_car
from stream.drive.day_coach import DayCoach
from stream.drive.drive import Drive
from stream.sources.serialport import SerialSource
from tests.device import Device, description, device, frames
from tests.drives import CAR, RPM_AT_0V, RPM_PER_V
from tests.stream.live.test_pulls import RATE, Road, lift
from tests.ui.window.test_road import pixels, road_of, share_of
from ui.text.findings import say

pytestmark = pytest.mark.skipif(not hasattr(os, "openpty"), reason="this system has no pseudo-terminals")
PATIENCE_S = 30.0
MORE = '\n[engine]\nredline_rpm = 7400.0\n[[limit]]\nchannel = "link"\nabove = 1.5\n'


class Line:
    """What the device still has to send; the test says how far it may go."""

    def __init__(self, samples: Any) -> None:
        self.frames, self.sent = frames(samples, rate_hz=RATE), 0
        self.until: queue.Queue[float | None] = queue.Queue()

    def work(self, line: Device) -> None:
        line.await_reader()
        line.send(description(rate_hz=RATE))
        while (until_s := self.until.get(timeout=PATIENCE_S)) is not None:
            end = min(len(self.frames), round(until_s * RATE / 20))
            for frame in self.frames[self.sent : end]:
                line.send(frame)
            self.sent = max(self.sent, end)


@pytest.mark.parametrize("theme", ["dark", "light"])
def test_a_real_drive_shows_pull_bar_verdict_limit_and_next_step(
    qt: Any, open_window: Callable[..., Any], clock: Any, heard: Any, tmp_path: Path, theme: str
) -> None:
    """Frames down a serial line: PULL with the bar on its way to redline, LIFT with the channel while it goes on, the
    verdict with its reason before the next pull begins, and what to do next with the evidence."""
    road = Road(31).pull().pull(shape=lift).pull()
    samples = road.samples()
    spike = road.pulls[2][0] + 5.0
    samples[round(spike * RATE), 1] = 1.8
    line = Line(samples)
    with device(tmp_path, line.work) as there:
        car = parse_car(CAR.format(slope=RPM_PER_V, zero=RPM_AT_0V) + MORE)
        drive = Drive(
            SerialSource(there.port, car), car, folder=tmp_path, tune="heron", gear=3, coach=DayCoach(), say=say
        )
        drive.start()
        window = open_window(drive, theme=theme)
        shown = road_of(window)

        def see(what: Callable[[], bool], until_s: float) -> None:
            """Let the device go on to a session time, and look until it is seen."""
            line.until.put(until_s)
            deadline = time.monotonic() + PATIENCE_S
            while not what():
                assert time.monotonic() < deadline, drive.status()
                threading.Event().wait(0.02)
                clock.now += 0.15
                window.poll()
                qt.QtWidgets.QApplication.processEvents()

        def keep(name: str) -> None:
            if folder := os.environ.get("STEADYPULL_KEEP_PICTURES"):
                window.grab().save(str(Path(folder) / f"{name}-{theme}.png"))

        first, flawed, third = road.pulls
        see(lambda: shown.next_bar.what.startswith("Zero first"), 3.0)
        see(lambda: shown.speed.pull is not None and (shown.speed.pull_share or 0) > 0.3, first[0] + 5.0)
        assert shown.speed.sentence.startswith("PULL  ")
        assert "to redline" in shown.speed.sentence
        assert 0.3 < shown.speed.pull_share < 0.9
        assert share_of(shown.theme.speed, pixels(shown.speed)) > 0.01, "the bar"
        assert shown.next_bar.what == "", "nothing to read while a pull goes on"
        keep("pull")
        see(lambda: shown.pull.verdict.text() == "clean", first[1] + 1.5)
        see(lambda: shown.next_bar.known.startswith("1 pull"), first[1] + 1.5)
        keep("next")
        see(lambda: shown.pull.verdict.text() == "flawed: lifted early", flawed[1] + 2.0)
        see(lambda: shown.next_bar.what == "Same again, it was flawed: lifted early", flawed[1] + 2.0)
        keep("flawed")
        see(lambda: shown.limit_band.isVisible(), spike + 0.6)
        assert shown.speed.sentence == "LIFT"
        assert shown.limit_band.text == "link 1.8 mV/V, above 1.5"
        keep("limit")
        see(lambda: "over a limit" in shown.pull.verdict.text(), third[1] + 2.0)
        line.until.put(None)
        drive.stop()
        drive.join(PATIENCE_S)
    drive.coach.join(PATIENCE_S)
    assert [cue for cue in heard.cues if cue in ("lift", "pull-caught", "pull-flawed")] == [
        "pull-caught",
        "pull-flawed",
        "lift",
        "pull-flawed",
    ]
