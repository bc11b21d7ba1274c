"""--events: one JSON line for each event as it happens, with the rows that the end of the session has."""

import json
import os
import threading
from pathlib import Path

import numpy as np
import pytest

from tests.device import Device, description, device, frames
from tests.drives import CAR, RPM_AT_0V, RPM_PER_V
from tests.stream.live.test_pulls import RATE, Road, lift

LIMITED = '\n[[limit]]\nchannel = "link"\nabove = 1.5\n'


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A log of three pulls, one with a lift and one with a spike over a limit, and its car file."""
    folder = tmp_path_factory.mktemp("log")
    road = Road(31).pull().pull(shape=lift).pull()
    samples = road.samples()
    samples[round((road.pulls[2][0] + 3.0) * RATE), 1] = 1.8
    log, car = folder / "log.csv", folder / "car.toml"
    time = np.arange(len(samples)) / RATE
    lines = [f"{t:.4f},{a:.6f},{b:.6f}" for t, (a, b) in zip(time, samples, strict=True)]
    log.write_text("\n".join(["time,speed_v,link", *lines]) + "\n")
    clock = '[[channel]]\nname = "time"\nrole = "time"\nunit = "s"\n'
    car.write_text(CAR.format(slope=RPM_PER_V, zero=RPM_AT_0V) + clock + LIMITED)
    return log, car


def events_of(path: Path) -> list[dict]:
    return [json.loads(line) for line in path.read_text().splitlines()]


@pytest.mark.parametrize("pace", ["max"])
def test_a_replay_writes_each_event_with_its_row(steadypull, log: tuple[Path, Path], tmp_path: Path, pace: str) -> None:
    """Every hold and pull of the result stands in the file with the same row, told within 1.5 s of a pull's end."""
    csv, car = log
    session, out = tmp_path / "s.h5", tmp_path / "events.jsonl"
    assert steadypull("import", csv, "--car", car, "-o", session).code == 0
    done = steadypull("replay", session, "--headless", "--json", "--pace", pace, "--events", out)
    assert done.code == 0, done.err

    events = events_of(out)
    assert all(set(event) >= {"time_s", "said_s", "kind", "text", "value"} for event in events)
    pulls = [event for event in events if event["kind"] == "pull-done"]
    assert [event["pull"] for event in pulls] == done.json["pulls"]
    assert [event["pull"]["faults"] for event in pulls] == [[], ["lift"], ["bump", "over-limit"]]
    assert all(event["pull"]["end_s"] < event["said_s"] <= event["pull"]["end_s"] + 1.5 for event in pulls)
    assert [event["hold"] for event in events if event["kind"] == "hold-done"] == done.json["holds"]
    (limit,) = [event for event in events if event["kind"] == "limit"]
    assert limit["channel"] == "link"
    assert limit["said_s"] - limit["time_s"] <= 0.2


def test_events_that_cannot_be_written_are_an_error_of_one_line(steadypull, log, tmp_path: Path) -> None:
    """A folder that is not there is named, with the cure, and nothing is begun."""
    csv, car = log
    session = tmp_path / "s.h5"
    steadypull("import", csv, "--car", car, "-o", session)
    done = steadypull("replay", session, "--headless", "--events", tmp_path / "nowhere" / "e.jsonl")

    assert done.code == 2
    assert "nowhere" in done.error


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="this system has no pseudo-terminals")
def test_a_drive_writes_its_events_while_it_runs(steadypull, log, tmp_path: Path) -> None:
    """A device on a pseudo-terminal: the file holds the first pull's verdict before the drive has ended."""
    _, car = log
    samples = Road(31).pull().samples()
    out = tmp_path / "events.jsonl"
    seen: list[str] = []

    def work(line: Device) -> None:
        line.await_reader()
        line.send(description(rate_hz=RATE))
        for frame in frames(samples, rate_hz=RATE):
            line.send(frame)
        for _ in range(100):
            kinds = [event["kind"] for event in events_of(out)] if out.exists() else []
            if "pull-done" in kinds:
                seen.extend(kinds)
                return
            pause.wait(0.05)

    pause = threading.Event()
    with device(tmp_path, work) as line:
        done = steadypull(
            "drive",
            "--port",
            line.port,
            "--car",
            car,
            "-o",
            tmp_path / "d",
            "--headless",
            "--json",
            "--seconds",
            "6",
            "--events",
            out,
        )

    assert done.code == 0, done.err
    assert "pull-done" in seen
    told = [line.strip() for line in done.err.splitlines()]
    assert "Zero first: neutral, brakes off, on the level; 1 pull, look at 6" in told, "what to do next, the evidence"
    kinds = [event["kind"] for event in events_of(out)]
    assert kinds[0] == "recording-began"
    assert kinds[-1] == "recording-ended"
    assert len(done.json["pulls"]) == 1
