"""rehearse and replay: the whole chain with no hardware, the same to the bit each time."""

import csv
from pathlib import Path

import h5py
import numpy as np
import pytest

from stream.sources.rehearsal.scenario import hold_drive
from tests.ui_cli import SEED, Outcome

HOLD_KEYS = {
    "start_s",
    "end_s",
    "signal_mean",
    "signal_sem",
    "speed_rpm",
    "speed_sd_rpm",
    "drift_rpm_per_s",
    "load_mean",
}
SESSION_KEYS = {"path", "tune", "rate_hz", "duration_s", "channels", "lost_samples", "clipped_samples"}


def rows_of(session: Path, table: str) -> list[dict[str, object]]:
    """A table of a session by plain h5py, one dict a row."""
    with h5py.File(session) as file:
        rows = file[table][:]
    return [dict(zip(rows.dtype.names, row.tolist(), strict=True)) for row in rows]


def started(session: Path) -> str:
    """When it was begun: names tell only the second."""
    with h5py.File(session) as file:
        return str(file.attrs["started_utc"])


def assert_same(told: list[dict[str, object]], recorded: list[dict[str, object]], keys: set[str]) -> None:
    """Every number alike to the bit: JSON writes the shortest text that reads back the same."""
    assert len(told) == len(recorded) > 0
    for one, other in zip(told, recorded, strict=True):
        assert {key: one[key] for key in keys} == {key: other[key] for key in keys}


def test_json_has_the_keys_and_stands_alone_on_standard_output(rehearsed: Outcome) -> None:
    """Everything else is on standard error, in words, the cautions first."""
    told = rehearsed.json

    assert rehearsed.code == 0
    assert set(told) >= {"sessions", "fit", "compare", "truth", "report"}
    assert set(told["truth"]) >= {"slope_rpm_per_unit", "intercept_rpm", "change_pct"}
    assert "second person" in rehearsed.err.splitlines()[0]
    assert "hold" in rehearsed.err
    assert "Traceback" not in rehearsed.err


def test_every_speed_that_was_held_is_found_and_nothing_else_but_idle(session: Path) -> None:
    """The truth is the model's own motion, made again from the seed: arrival, leaving, true rpm."""
    truth = hold_drive(SEED).truth
    holds = rows_of(session, "holds")

    claimed = []
    for true in truth.holds:
        (found,) = [h for h in holds if min(true.end_s, h["end_s"]) - max(true.start_s, h["start_s"]) > 1.0]
        claimed.append(found)
        assert found["start_s"] == pytest.approx(true.start_s, abs=1.0)
        assert found["end_s"] == pytest.approx(true.end_s, abs=1.0)
        rpm = found["signal_mean"] * truth.slope_rpm_per_unit + truth.intercept_rpm
        assert rpm == pytest.approx(true.mean_rpm, rel=0.01)
    rest = [h["signal_mean"] * truth.slope_rpm_per_unit + truth.intercept_rpm for h in holds if h not in claimed]
    assert all(rpm == pytest.approx(900.0, abs=60.0) for rpm in rest), "only idle is steady besides"
    assert not rows_of(session, "pinned")


def test_every_sample_that_was_sent_is_recorded_to_the_bit(session: Path) -> None:
    """Through a real serial line: counts times scale plus offset, as the description has it."""
    recording = hold_drive(SEED)
    with h5py.File(session) as file:
        samples = file["raw/samples"][:]
        assert file.attrs["finished"] == 1

    np.testing.assert_array_equal(samples, recording.samples)


def test_the_same_seed_gives_the_same_holds_to_the_bit(steadypull, tmp_path: Path, rehearsed: Outcome) -> None:
    """Whatever the machine is busy with, in this process or another, in words or JSON; the folder is made."""
    folder = tmp_path / "new" / "folder"
    again = steadypull("rehearse", "--quick", "--headless", "--seed", SEED, "-o", folder)
    sessions = sorted(folder.glob("*.h5"), key=started)
    before = [Path(path) for path in rehearsed.json["sessions"]]

    assert again.code == 0
    assert "truth" in again.out
    assert all(str(path) in again.out for path in sessions)
    assert len(sessions) == len(before)
    for new, old in zip(sessions, before, strict=True):
        assert_same(rows_of(new, "holds"), rows_of(old, "holds"), HOLD_KEYS)
        with h5py.File(new) as one, h5py.File(old) as other:
            np.testing.assert_array_equal(one["raw/samples"][:], other["raw/samples"][:])


def test_a_replay_finds_the_same_holds_to_the_bit(steadypull, session: Path) -> None:
    """A replay passes the same live stage: what it tells equals what the live run wrote.

    Its rpm are those of the calibration that the rehearsal attached, which changes nothing else.
    """
    before = session.read_bytes(), session.stat().st_mtime_ns
    told = steadypull("replay", session, "--headless", "--json").json

    assert set(told) == {"session", "holds", "pinned", "pulls"}
    assert set(told["session"]) >= SESSION_KEYS
    assert all(set(hold) >= HOLD_KEYS for hold in told["holds"])
    assert_same(told["holds"], rows_of(session, "holds"), {key for key in HOLD_KEYS if "rpm" not in key})
    assert (session.read_bytes(), session.stat().st_mtime_ns) == before, "opening never changes a file"


def test_a_replay_into_a_new_session_copies_what_came_off_the_wire(steadypull, tmp_path: Path, session: Path) -> None:
    """Raw, live rows and every number of every hold to the bit, and a replay of the copy finds them once more."""
    copy = tmp_path / "copy.h5"
    told = steadypull("replay", session, "--headless", "--json", "-o", copy).json

    assert told["session"]["path"] == str(copy)
    assert_same(rows_of(copy, "holds"), rows_of(session, "holds"), HOLD_KEYS | {"n_effective", "accepted"})
    with h5py.File(session) as one, h5py.File(copy) as other:
        for name in ("raw/samples", "raw/gaps", "live/time", "live/speed", "live/load"):
            np.testing.assert_array_equal(one[name][:], other[name][:], err_msg=name)
        for name in ("tune", "car", "started_utc", "finished"):
            assert one.attrs[name] == other.attrs[name]
    assert_same(steadypull("replay", copy, "--headless", "--json").json["holds"], rows_of(session, "holds"), HOLD_KEYS)


def test_a_replay_of_pulls_finds_the_same_pulls(steadypull, tmp_path: Path, rehearsed: Outcome) -> None:
    """Pulls and their verdicts as the live run wrote them."""
    pulls = [path for path in rehearsed.json["sessions"] if rows_of(Path(path), "pulls")]
    told = steadypull("replay", pulls[0], "--headless", "-o", tmp_path / "copy.h5")

    assert told.code == 0
    assert rows_of(tmp_path / "copy.h5", "pulls") == rows_of(Path(pulls[0]), "pulls")


def test_another_car_file_is_used_with_a_warning(steadypull, tmp_path: Path, session: Path) -> None:
    """--car wins over the session's own, and that is said."""
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
        assert abs(theirs["start_s"] - mine["start_s"]) < 0.5


def advances(path: str, tune: str) -> dict[float, float]:
    """rpm to degrees of one tune in a list."""
    rows = csv.DictReader(Path(path).read_text(encoding="utf-8").splitlines())
    return {float(row["rpm"]): float(row["advance"]) for row in rows if row["tune"] == tune}


@pytest.mark.coverage
def test_a_day_of_tuning_ends_near_the_best_and_never_in_knock(steadypull, tmp_path: Path) -> None:
    """Three rounds; what a round wrote is what the next one drives, and no cell moves by more than a step at once."""
    done = steadypull("rehearse", "--tuning", "--quick", "--headless", "--json", "--seed", "3", "-o", tmp_path)

    assert done.code == 0, done.err
    settings, tables = done.json["settings"], done.json["tables"]
    assert [one["tune"] for one in settings] == ["heron", "heron 2", "heron 3", "heron 4"]
    assert max(band["lost_pct"] for band in settings[0]["bands"]) > 3
    assert max(band["lost_pct"] for band in settings[-1]["bands"]) < 1.5
    assert max(one["beyond_knock_deg"] for one in settings) < 0
    written = [path for path in tables if "-round-" in path]
    for before, after, path in zip(settings, settings[1:], written, strict=False):
        old, new = advances(before["table"], before["tune"]), advances(after["table"], after["tune"])
        assert new == advances(path, before["tune"])
        assert max(abs(new[rpm] - old[rpm]) for rpm in old) <= 2.0 + 1e-9
        assert sum(new[rpm] != old[rpm] for rpm in old) == after["changed_cells"]
