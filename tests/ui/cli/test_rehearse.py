"""rehearse and replay: the whole chain with no hardware, the same to the bit each time."""

from pathlib import Path

import h5py
import numpy as np
import pytest

from stream.sources.rehearsal.scenario import hold_drive
from tests.ui_cli import SEED, Outcome, in_process

HOLD_KEYS = {
    "start_s", "end_s", "signal_mean", "signal_sem", "speed_rpm", "speed_sd_rpm", "drift_rpm_per_s", "load_mean",
}  # fmt: skip
SESSION_KEYS = {"path", "tune", "rate_hz", "duration_s", "channels", "lost_samples", "clipped_samples"}


def rows_of(session: Path, table: str) -> list[dict[str, object]]:
    """A table of a session by plain h5py, one dict a row."""
    with h5py.File(session) as file:
        rows = file[table][:]
    return [dict(zip(rows.dtype.names, row.tolist(), strict=True)) for row in rows]


def assert_same_holds(told: list[dict[str, object]], recorded: list[dict[str, object]]) -> None:
    """Every number of JSON and table alike to the bit: JSON writes the shortest text that reads back the same."""
    assert len(told) == len(recorded) > 0
    for one, other in zip(told, recorded, strict=True):
        assert {key: one[key] for key in HOLD_KEYS} == {key: other[key] for key in HOLD_KEYS}


def test_json_has_the_keys_and_stands_alone_on_standard_output(rehearsed: Outcome) -> None:
    """Everything else is on standard error, in words."""
    told = rehearsed.json

    assert rehearsed.code == 0
    assert {"sessions", "drive", "truth"} <= set(told)
    assert SESSION_KEYS <= set(told["drive"]["session"])
    assert all(set(hold) >= HOLD_KEYS for hold in told["drive"]["holds"])
    assert {"slope_rpm_per_unit", "intercept_rpm"} <= set(told["truth"])
    assert "hold" in rehearsed.err
    assert "Traceback" not in rehearsed.err


def test_every_speed_that_was_held_is_found_and_nothing_else_but_idle(rehearsed: Outcome) -> None:
    """The truth is the model's own motion, made again from the seed: true rpm, arrival and leaving.

    A hold's speed may be wrong by what the provisional line is wrong by (30 % at most); against the true line the
    volts must be right to 1 %.
    """
    truth = hold_drive(SEED).truth
    holds = rehearsed.json["drive"]["holds"]

    def of(start_s: float, end_s: float) -> list[dict[str, float]]:
        return [hold for hold in holds if min(end_s, hold["end_s"]) - max(start_s, hold["start_s"]) > 1.0]

    claimed = []
    for true in truth.holds:
        (found,) = of(true.start_s, true.end_s)
        claimed.append(found)
        assert found["start_s"] == pytest.approx(true.start_s, abs=1.0)
        assert found["end_s"] == pytest.approx(true.end_s, abs=1.0)
        rpm = found["signal_mean"] * truth.slope_rpm_per_unit + truth.intercept_rpm
        assert rpm == pytest.approx(true.mean_rpm, rel=0.01)
    rest = [hold["signal_mean"] * truth.slope_rpm_per_unit + truth.intercept_rpm for hold in holds if hold not in claimed]
    assert all(rpm == pytest.approx(900.0, abs=60.0) for rpm in rest), "only idle is steady besides"
    assert not rehearsed.json["drive"]["pinned"]


def test_every_sample_that_was_sent_is_recorded_to_the_bit(session: Path) -> None:
    """Through a real serial line: counts times scale plus offset, as the description has it."""
    recording = hold_drive(SEED)
    with h5py.File(session) as file:
        samples = file["raw/samples"][:]
        assert file.attrs["finished"] == 1

    np.testing.assert_array_equal(samples, recording.samples)


@pytest.mark.slow
def test_the_same_seed_gives_the_same_holds_to_the_bit(steadypull, tmp_path: Path, rehearsed: Outcome) -> None:
    """Whatever the machine is busy with, and in this process or another."""
    again = steadypull("rehearse", "--quick", "--headless", "--json", "--seed", SEED, "-o", tmp_path)

    assert again.json["drive"]["holds"] == rehearsed.json["drive"]["holds"]
    assert again.json["truth"] == rehearsed.json["truth"]


@pytest.mark.slow
def test_in_words_the_cautions_come_first_and_the_truth_last(tmp_path: Path) -> None:
    """Without --json: cautions on standard error, findings and the truth beside them on standard output."""
    done = in_process("rehearse", "--quick", "--headless", "--seed", "3", "-o", tmp_path / "new" / "folder")

    assert done.code == 0
    assert "second person" in done.err.splitlines()[0]
    assert done.out.splitlines()[-1] == "truth: 7 speeds were held on the road, 7 of them found"
    assert [path.suffix for path in (tmp_path / "new" / "folder").iterdir()] == [".h5"]


def test_what_the_live_run_told_is_what_it_wrote(rehearsed: Outcome, session: Path) -> None:
    """/holds holds the same numbers as the JSON, and each is accepted."""
    rows = rows_of(session, "holds")

    assert_same_holds(rehearsed.json["drive"]["holds"], rows)
    assert all(row["accepted"] == 1 for row in rows)


def test_a_replay_finds_the_same_holds_to_the_bit(steadypull, session: Path, rehearsed: Outcome) -> None:
    """A replay passes the same live stage: what it tells equals what the live run told and wrote."""
    before = session.read_bytes(), session.stat().st_mtime_ns
    told = steadypull("replay", session, "--headless", "--json").json

    assert_same_holds(told["holds"], rows_of(session, "holds"))
    live = dict(rehearsed.json["drive"])
    assert told == {**live, "session": {**live["session"], "path": str(session)}}
    assert (session.read_bytes(), session.stat().st_mtime_ns) == before, "opening never changes a file"


def test_a_replay_into_a_new_session_copies_what_came_off_the_wire(steadypull, tmp_path: Path, session: Path) -> None:
    """Raw and clock to the bit, holds and live rows found again to the bit, and a replay of the copy gives them too."""
    copy = tmp_path / "copy.h5"
    told = steadypull("replay", session, "--headless", "--json", "-o", copy).json

    assert told["session"]["path"] == str(copy)
    assert_same_holds(told["holds"], rows_of(session, "holds"))
    assert_same_holds(rows_of(copy, "holds"), rows_of(session, "holds"))
    with h5py.File(session) as one, h5py.File(copy) as other:
        for name in ("raw/samples", "raw/gaps", "live/time", "live/speed", "live/load"):
            np.testing.assert_array_equal(one[name][:], other[name][:], err_msg=name)
        for name in ("tune", "car", "started_utc", "finished"):
            assert one.attrs[name] == other.attrs[name]
    assert steadypull("replay", copy, "--headless", "--json").json["holds"] == told["holds"]


def test_another_car_file_is_used_with_a_warning(steadypull, tmp_path: Path, session: Path) -> None:
    """--car wins over the session's own; holds lie in the same places, with other speeds."""
    with h5py.File(session) as file:
        text = file.attrs["car"]
    other = tmp_path / "other.toml"
    other.write_text(text.replace("rpm_per_unit = 1720.0", "rpm_per_unit = 1800.0"), encoding="utf-8")

    own = steadypull("replay", session, "--headless", "--json")
    done = steadypull("replay", session, "--headless", "--json", "--car", other)

    assert "warning" not in own.err
    assert "differs from the car file" in done.err
    assert len(done.json["holds"]) == len(own.json["holds"])
    for mine, theirs in zip(own.json["holds"], done.json["holds"], strict=True):
        assert theirs["signal_mean"] == pytest.approx(mine["signal_mean"], rel=1e-3)
        assert theirs["speed_rpm"] == pytest.approx(mine["signal_mean"] * 1800.0 - 430.0, rel=1e-3)
