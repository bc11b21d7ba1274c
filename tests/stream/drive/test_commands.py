"""What a person did while a drive ran is kept with its sample, and a replay of it is the same to the bit."""

from datetime import UTC, datetime
from pathlib import Path

import h5py
import numpy as np

from stream.drive.offline import run_offline
from stream.live.records import LiveHead
from stream.record.recover import recover
from stream.record.session import open_session
from stream.record.tables import Command
from stream.record.writer import SessionWriter
from stream.sources.replay import ReplaySource
from tests.drives import Plan, car, info
from tests.stream.drive.test_drive import RATE, running, taken, until

LIVE = ("time", "speed", "load", "signal")


def marked_drive(folder: Path) -> Path:
    """A drive with two marks and a change of tune behind them."""
    samples = Plan(1, rate_hz=RATE).hold(2000, 6).ramp(3000, 300).hold(3000, 6).samples()
    with running(folder, tune="heron") as (drive, source):
        source.give(samples[:600])
        until(taken(drive, 600))
        drive.mark("gate")
        until(lambda: any(event.kind == "mark" for event in drive.events.since(0)[0]))
        source.give(samples[600:])
        until(taken(drive, len(samples)))
        drive.mark("tree")
        until(lambda: sum(event.kind == "mark" for event in drive.events.since(0)[0]) == 2)
        drive.set_tune("plover")
        until(lambda: len(drive.recorded) == 2)
        source.end()
        drive.join(20.0)
        return drive.recorded[0]


def test_a_replay_feeds_what_a_person_did_again(tmp_path: Path) -> None:
    """Marks and the new tune stand in /commands with the sample before which they took effect; the replay has the same
    commands, marks, holds and live rows, to the bit."""
    path = marked_drive(tmp_path)
    again = tmp_path / "again.h5"
    run_offline(
        ReplaySource(path, rows_per_block=37), car(), tune="heron", gear=None, started_utc=datetime.now(UTC), path=again
    )

    with open_session(path) as live, open_session(again) as replayed:
        assert [(one.kind, one.value) for one in live.commands] == [
            ("mark", "gate"),
            ("mark", "tree"),
            ("tune", "plover"),
        ]
        assert live.commands[0].index == 600
        assert live.commands[1].index == live.rows
        assert replayed.commands[0] == live.commands[0]
        marks = [[e for e in s.events if e.kind == "mark"] for s in (live, replayed)]
        assert [e.time_s for e in marks[0]] == [one.index / RATE for one in live.commands[:2]]
        assert marks[1][0].time_s == marks[0][0].time_s
        assert replayed.commands == live.commands
        assert live.holds == replayed.holds
        for name in LIVE:
            assert live.h5[f"live/{name}"][:].tobytes() == replayed.h5[f"live/{name}"][:].tobytes()


def test_the_filtered_signal_is_in_the_channels_own_unit(tmp_path: Path) -> None:
    """/live/signal times the provisional line is /live/speed; any HDF5 tool draws load and speed against time."""
    path = marked_drive(tmp_path)
    slope, zero = car().speed_line("a test")

    with h5py.File(path) as file:
        signal, speed = file["live/signal"][:].astype(np.float64), file["live/speed"][:]
        known = np.isfinite(speed)
        assert known.any()
        np.testing.assert_allclose(slope * signal[known] + zero, speed[known], rtol=1e-5)
        assert dict(file["live/signal"].attrs)["unit"] == "V"
        for name in LIVE:
            assert {"unit", "units", "long_name", "filter", "delay_s", "calibration"} <= set(file["live"][name].attrs)
        # NeXus: NXroot and NXdata; the HDF5 dimension scales of its own specification
        assert (file.attrs["NX_class"], file.attrs["default"]) == ("NXroot", "live")
        group = file["live"]
        assert (group.attrs["NX_class"], group.attrs["signal"]) == ("NXdata", "load")
        assert list(group.attrs["auxiliary_signals"]) == ["speed"]
        assert list(group.attrs["axes"]) == ["time"]
        for name in ("speed", "load"):
            assert group[name].dims[0][0] == group["time"]


def test_commands_survive_a_recording_that_was_cut_off(tmp_path: Path) -> None:
    """What was done and journalled, but never flushed to the session, is in what `recover` makes."""
    from stream.block import Block

    path = tmp_path / "cut.h5"
    writer = SessionWriter(
        path,
        info(200.0),
        car().text,
        LiveHead(load_unit="mV/V"),
        tune="heron",
        started_utc=datetime.now(UTC),
    )
    writer.append(Block(Plan(1).hold(2000, 2).samples(), 0, 200.0))
    writer.add_commands([Command(index=100, kind="mark", value="gate")])
    writer.flush()
    writer.add_commands([Command(index=200, kind="skip")])
    journal = path.with_name(path.name + ".journal").read_bytes()
    session = path.read_bytes()
    writer.finish()
    path.write_bytes(session)
    path.with_name(path.name + ".journal").write_bytes(journal)

    with open_session(recover(path)) as recovered:
        assert [(one.index, one.kind, one.value) for one in recovered.commands] == [
            (100, "mark", "gate"),
            (200, "skip", ""),
        ]
