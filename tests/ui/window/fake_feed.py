"""A drive that a test writes by hand: speed and load against time, and a status that the test sets."""

import dataclasses
from pathlib import Path
from typing import Any

import numpy as np

from stream.block import Block, ChannelInfo, StreamInfo
from stream.car import parse_car
from stream.drive.status import DriveStatus
from stream.errors import StorageError
from stream.events import EventList
from stream.live.records import Health, Hold, LiveRows, Pull, Steady

CAR = """\
[car]
name = "hill-climb special"
[[channel]]
name = "speed_v"
role = "engine_speed"
unit = "V"
rpm_per_unit = 1720.0
rpm_at_zero = -430.0
[[channel]]
name = "link"
role = "load"
unit = "mV/V"
"""
INFO = StreamInfo(1000.0, (ChannelInfo("speed_v", "V"), ChannelInfo("link", "mV/V")))
HEALTH = Health(1000.0, 0, 0, {"link": 0}, {"speed_v": 0.0021, "link": 0.0042})


def hold(start_s: float, end_s: float, rpm: float, load: float | None = 0.21) -> Hold:
    return Hold(
        start_s=start_s,
        end_s=end_s,
        signal_mean=(rpm + 430) / 1720,
        signal_sem=0.001,
        speed_rpm=rpm,
        speed_sd_rpm=18.3,
        drift_rpm_per_s=2.1,
        load_mean=load,
        n_effective=7.0,
    )


def pull(start_s: float, end_s: float, faults: tuple[Any, ...] = ()) -> Pull:
    return Pull(
        start_s=start_s,
        end_s=end_s,
        start_rpm=2312.0,
        end_rpm=6888.0,
        tune="heron",
        gear=3,
        verdict="flawed" if faults else "clean",
        faults=faults,
    )


def steady(rpm: float, spread: float, seconds: float = 0.0, holding: bool = False) -> Steady:
    return Steady(spread, max(60.0, 0.015 * rpm), seconds, 3.0, holding, rpm)


class _Raw:
    def __init__(self, feed: "FakeFeed") -> None:
        self.feed, self.row = feed, 0

    def read(self, max_rows: int) -> Block | None:
        end = min(round(self.feed.time_s * self.feed.rate_hz), self.row + max_rows)
        if end <= self.row:
            return None
        first, self.row = self.row, end
        times = np.arange(first, end) / self.feed.rate_hz
        rng = np.random.default_rng(first)
        noise = rng.normal(size=(end - first, 2)) * (0.0021, 0.0042)
        volts = (self.feed.speed(times) + 430) / 1720
        return Block(
            (np.column_stack((volts, self.feed.load(times))) + noise).astype(np.float32),
            first,
            self.feed.rate_hz,
        )


class _Live:
    def __init__(self, feed: "FakeFeed") -> None:
        self.feed, self.row = feed, 0

    def read(self) -> LiveRows:
        end = round(self.feed.time_s * 100)
        times = np.arange(self.row, end) / 100
        self.row = max(self.row, end)
        speed, load = self.feed.speed(times).astype(np.float32), self.feed.load(times).astype(np.float32)
        return LiveRows(times, speed, load, speed)


class FakeFeed:
    """Fulfils DriveFeed. `script` is rows of (time_s, rpm, load), joined by lines; a foot wanders on top."""

    def __init__(self, script: list[tuple[float, float, float]] | None = None, rate_hz: float = 1000.0) -> None:
        self.script = np.array(script or [(0, 900, 0.02), (60, 900, 0.02)], float)
        self.rate_hz = rate_hz
        self.car = parse_car(CAR, "test")
        self.info: StreamInfo | None = dataclasses.replace(INFO, rate_hz=rate_hz)
        self.events = EventList()
        self.time_s = 0.0
        self.now = DriveStatus("running", load_unit="mV/V", disk_free_bytes=41_300_000_000, health=HEALTH)
        self.calls: list[tuple[Any, ...]] = []
        self.stopped = False
        self.disk_broken = False

    def speed(self, times: np.ndarray) -> np.ndarray:
        wander = 22 * np.sin(2 * np.pi * times / 2.7) + 9 * np.sin(2 * np.pi * times / 1.1)
        return np.interp(times, self.script[:, 0], self.script[:, 1]) + wander

    def load(self, times: np.ndarray) -> np.ndarray:
        return np.interp(times, self.script[:, 0], self.script[:, 2]) + 0.006 * np.sin(2 * np.pi * times / 0.9)

    def run_to(self, time_s: float, **changes: Any) -> None:
        """Let the drive go on, and change its status."""
        self.time_s = time_s
        at = np.array([time_s])
        fields = {
            "time_s": time_s,
            "speed_rpm": float(self.speed(at)[0]),
            "load": float(self.load(at)[0]),
            **changes,
        }
        self.now = dataclasses.replace(self.now, **fields)

    def status(self) -> DriveStatus:
        return self.now

    def raw_cursor(self) -> _Raw:
        return _Raw(self)

    def live_cursor(self) -> _Live:
        return _Live(self)

    def start_recording(self) -> None:
        self.calls.append(("start_recording",))
        if self.disk_broken:
            raise StorageError("/media/stick: cannot be written; choose another folder with -o")
        self.events.add(self.time_s, "recording-began", "recording")
        self.now = dataclasses.replace(self.now, recording=True, path=Path("2026-05-17-1432-heron.h5"))

    def stop_recording(self) -> None:
        self.calls.append(("stop_recording",))
        self.events.add(self.time_s, "recording-ended", "recording ended")
        self.now = dataclasses.replace(self.now, recording=False)

    def set_tune(self, label: str) -> None:
        self.calls.append(("set_tune", label))
        self.now = dataclasses.replace(self.now, tune=label)

    def mark(self, text: str = "") -> None:
        self.calls.append(("mark", text))
        self.events.add(self.time_s, "mark", text)

    def knock_heard(self) -> None:
        self.calls.append(("knock_heard",))
        self.events.add(self.time_s, "knock-heard", "knock heard at 4100 to 4400 rpm", 4400.0)

    def zero(self, rolling: bool = False) -> None:
        self.calls.append(("zero", rolling))
        self.events.add(
            self.time_s, "zero", "zero: taken while moving: road speed reached 62 km/h", details={"refused": True}
        )

    def set_weather(self, weather: Any) -> None:
        self.calls.append(("set_weather", weather))

    def skip_target(self) -> None:
        self.calls.append(("skip_target",))

    def redo_target(self) -> None:
        self.calls.append(("redo_target",))

    def stop(self) -> None:
        self.stopped = True
