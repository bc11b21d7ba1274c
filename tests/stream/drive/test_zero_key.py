"""The zero key: the last quiet seconds are declared, refused with the reason, kept, and measured again by a replay."""

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from stream.block import Block, ChannelInfo, StreamInfo
from stream.car import Car, parse_car
from stream.drive.offline import run_offline
from stream.drive.zero_key import ZeroKey
from stream.errors import InputError
from stream.live.records import join_rows
from stream.record.recover import recover
from stream.record.session import open_session
from stream.record.tables import Weather
from stream.sources.replay import ReplaySource
from tests.drives import CAR, INFO_CHANNELS, RPM_AT_0V, RPM_PER_V, car
from tests.stream.drive.test_drive import RATE, running, taken, until

ROAD = '[[channel]]\nname = "road"\nrole = "road_speed"\nunit = "km/h"\n'


def idling(seconds: float, load: float = 0.12, rpm: float = 900.0, seed: int = 3) -> np.ndarray:
    """A car at idle, a link with noise of 0.01 about a mean."""
    rng = np.random.default_rng(seed)
    rows = round(seconds * RATE)
    volts = (rpm - RPM_AT_0V) / RPM_PER_V + 0.002 * rng.normal(size=rows)
    return np.column_stack((volts, load + 0.01 * rng.normal(size=rows))).astype(np.float32)


def key_on(samples: np.ndarray, the_car: Car | None = None, channels: tuple = INFO_CHANNELS) -> ZeroKey:
    key = ZeroKey(car() if the_car is None else the_car, StreamInfo(RATE, channels))
    for row in range(0, len(samples), 37):
        key.hear(row, Block(samples[row : row + 37], row, RATE), join_rows([]))
    return key


def test_the_last_quiet_seconds_are_the_zero_and_a_replay_has_it_to_the_bit(tmp_path: Path) -> None:
    """Mean and standard error of the very samples before the key, by numpy; a row of /zeros and a command; the replay
    has the same row, command and event."""
    samples = idling(20.0)
    with running(tmp_path, tune="heron") as (drive, source):
        source.give(samples[:2000])
        until(taken(drive, 2000))
        drive.zero()
        source.give(samples[2000:])
        until(taken(drive, len(samples)))
        until(lambda: any(event.kind == "zero" for event in drive.events.since(0)[0]))
        source.end()
        drive.join(20.0)
    again = tmp_path / "again.h5"
    run_offline(
        ReplaySource(drive.recorded[0], rows_per_block=61),
        car(),
        tune="heron",
        gear=None,
        started_utc=datetime.now(UTC),
        path=again,
    )

    with open_session(drive.recorded[0]) as live, open_session(again) as replayed:
        (zero,) = live.zeros
        first, end = round(zero.start_s * RATE), round(zero.end_s * RATE)
        assert (end - first) / RATE == 8.0
        assert end >= 2000
        assert zero.mean == pytest.approx(float(samples[first:end, 1].astype(np.float64).mean()), abs=1e-12)
        assert 0 < zero.doubt < 0.002
        assert zero.how.startswith("standing")
        assert [(one.index, one.kind, one.value) for one in live.commands] == [(end, "zero", "standing 8")]
        assert replayed.zeros == live.zeros
        assert replayed.commands == live.commands
        told = [[(e.time_s, e.text, e.value) for e in s.events if e.kind == "zero"] for s in (live, replayed)]
        assert told[0][0][1:] == told[1][0][1:]


def test_a_zero_survives_a_recording_that_was_cut_off(tmp_path: Path) -> None:
    """It stands in the journal: `recover` has it."""
    with running(tmp_path, tune="heron") as (drive, source):
        source.give(idling(12.0))
        until(taken(drive, 2400))
        drive.zero(rolling=True)
        source.give(idling(0.2))
        until(lambda: any(event.kind == "zero" for event in drive.events.since(0)[0]))
        path = drive.recorded[0]
        journal = path.with_name(path.name + ".journal")
        until(lambda: b"free roll" in journal.read_bytes())
        cut = tmp_path / "cut"
        cut.mkdir()
        (cut / "cut.h5.journal").write_bytes(journal.read_bytes())
        source.end()
        drive.join(20.0)
    (cut / "cut.h5").write_bytes(b"spoilt by the power cut")
    with open_session(recover(cut / "cut.h5")) as session:
        assert [zero.how for zero in session.zeros] == ["free roll in neutral"]


@pytest.mark.parametrize(
    ("what", "reason"),
    [
        ("wander", "wanders"),
        ("in gear", "2500 rpm; out of gear"),
        ("too soon", "not all there"),
        ("clipped", "outside its range"),
        ("rolls", "road speed reached 30 km/h"),
    ],
)
def test_it_is_refused_with_the_reason(what: str, reason: str) -> None:
    """What does not look like nothing on the link is no zero, and why is said."""
    samples, the_car, channels = idling(10.0), car(), INFO_CHANNELS
    if what == "wander":
        samples[:, 1] += (0.2 * np.sin(np.arange(len(samples)) / RATE * 2 * np.pi / 2.9)).astype(np.float32)
    elif what == "in gear":
        samples = idling(10.0, rpm=2500.0)
    elif what == "too soon":
        samples = samples[:300]
    elif what == "clipped":
        samples[-50, 1] = 2.4
    else:
        the_car = parse_car(CAR.format(slope=RPM_PER_V, zero=RPM_AT_0V) + ROAD)
        channels = (*INFO_CHANNELS, ChannelInfo("road", "km/h"))
        samples = np.column_stack((samples, np.full(len(samples), 30.0, np.float32)))
    key = key_on(samples, the_car, channels)

    with pytest.raises(InputError, match=reason):
        key.take(rolling=False)
    if what == "rolls":
        assert key.take(rolling=True)[0].how == "free roll in neutral"


def test_the_same_seconds_are_not_taken_twice() -> None:
    """Two zeros of the same samples would hide what the gap between two shows."""
    key = key_on(idling(10.0))
    key.take(rolling=False)

    with pytest.raises(InputError, match="taken just now"):
        key.take(rolling=False)


def test_the_air_that_is_said_on_the_way_is_kept(tmp_path: Path) -> None:
    """In the session that runs and in the one that follows."""
    air = Weather(temperature_c=18.0, pressure_hpa=1002.0, humidity_pct=55.0, said_utc="2026-06-01T09:00:00+00:00")
    with running(tmp_path, tune="heron") as (drive, source):
        source.give(idling(3.0))
        until(taken(drive, 600))
        drive.set_weather(air)
        drive.set_tune("plover")
        source.give(idling(3.0))
        until(lambda: len(drive.recorded) == 2)
        source.end()
        drive.join(20.0)
    for path in drive.recorded:
        with open_session(path) as session:
            assert session.conditions == air
