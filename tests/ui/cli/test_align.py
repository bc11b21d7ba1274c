"""`align` through the command line: the rehearsal car's controller keeps a clock of its own, whose truth is known."""

import csv
import json
from collections.abc import Callable
from pathlib import Path

import h5py
import numpy as np
import pytest

from stream.record.session import open_session
from stream.sources.rehearsal.record import Recording
from stream.sources.rehearsal.sensors import Chain
from tests.controller_log import write_controller_log
from tests.stream.study.rehearsed import BEGAN, session
from ui.cli.main import run

LOG_CAR = """
[car]
name = "controller of the hill-climb special"
[[channel]]
name = "rpm"
role = "engine_speed"
unit = "rpm"
[[channel]]
name = "time"
role = "time"
unit = "s"
[[channel]]
name = "lambda"
role = "lambda"
[[channel]]
name = "throttle"
role = "throttle"
unit = "%"
"""
Rows = list[list[str]]


@pytest.fixture(scope="module")
def drive(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Recording, Path]:
    """(session, what the car really did, car file of the log)"""
    folder = tmp_path_factory.mktemp("align")
    recording = session(folder / "s.h5", 4, "heron", BEGAN, chain=Chain(), pulls=2)
    (folder / "log.toml").write_text(LOG_CAR)
    return folder / "s.h5", recording, folder / "log.toml"


def changed_log(recording: Recording, path: Path, rate_hz: float, change: Callable[[Rows], Rows]) -> Path:
    """A controller's log with its rows changed."""
    write_controller_log(recording, path, rate_hz, seed=3)
    with path.open(newline="") as file:
        header, *rows = list(csv.reader(file))
    with path.open("w", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows([header, *change(rows)])
    return path


def coarse(rows: Rows) -> Rows:
    return [[row[0], f"{round(float(row[1]) / 50) * 50}", *row[2:]] for row in rows]


def dropped(rows: Rows) -> Rows:
    keep = np.random.default_rng(1).random(len(rows)) > 0.1
    return [row for row, kept in zip(rows, keep, strict=True) if kept]


def aligned(capsys: pytest.CaptureFixture[str], path: Path, log: Path, car: Path, *more: str) -> dict:
    assert run(["align", str(path), str(log), "--car", str(car), "--json", *more]) == 0
    found: dict = json.loads(capsys.readouterr().out)
    return found


def off_s(found: dict, recording: Recording, log: Path) -> float:
    """Error of the log's place in the middle of the log, s: offset and rate together."""
    clock, rows = recording.truth.controller, np.loadtxt(log, delimiter=",", skiprows=1, usecols=0)
    middle = (rows[0] + rows[-1]) / 2
    return float(found["offset_s"] - clock.offset_s + 1e-6 * (found["rate_ppm"] - clock.rate_ppm) * middle)


@pytest.mark.parametrize("rate_hz", [5.0, 20.0, 50.0])
@pytest.mark.parametrize("change", [coarse, dropped, lambda rows: dropped(coarse(rows))])
def test_the_controllers_clock_is_found_within_ten_milliseconds(
    drive: tuple[Path, Recording, Path],
    tmp_path: Path,
    rate_hz: float,
    change: Callable[[Rows], Rows],
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Offset and rate of the controller's clock are found to 10 ms."""
    path, recording, car = drive
    log = changed_log(recording, tmp_path / "log.csv", rate_hz, change)

    found = aligned(capsys, path, log, car)

    assert set(found) >= {"offset_s", "rate_ppm", "u_offset_s", "correlation"}
    assert abs(off_s(found, recording, log)) < 0.010
    assert abs(found["offset_s"] - recording.truth.controller.offset_s) < 0.010 + 2 * found["u_offset_s"]
    assert found["correlation"] > 0.99


def test_a_third_of_overlap_is_enough(
    drive: tuple[Path, Recording, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The log goes on for long after the session, with other driving: 30 % of it lies in the session."""
    path, recording, car = drive

    def longer(rows: Rows) -> Rows:
        first = len(rows) // 2
        kept = rows[first:]
        time = np.array([float(row[0]) for row in kept])
        more = time[-1] + np.arange(0.05, 0.7 / 0.3 * (time[-1] - time[0]), 0.05)
        rng = np.random.default_rng(2)
        steps = np.interp(more, more[::160], rng.uniform(1200, 6000, len(more[::160])))
        return kept + [[f"{t:.3f}", f"{r:.0f}", *kept[0][2:]] for t, r in zip(more, steps, strict=True)]

    log = changed_log(recording, tmp_path / "log.csv", 20.0, longer)

    found = aligned(capsys, path, log, car)

    assert abs(found["offset_s"] - recording.truth.controller.offset_s) < 0.010 + 2 * found["u_offset_s"]


def test_iso_stamps_count_from_the_first_row_and_milliseconds_are_seconds(
    drive: tuple[Path, Recording, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """ISO stamps count from the first row; milliseconds are known."""
    path, recording, car = drive
    clock = recording.truth.controller

    def iso(rows: Rows) -> Rows:
        began = np.datetime64("2026-05-02T09:00:00.000")
        return [[str(began + np.timedelta64(round(1000 * float(row[0])), "ms")), *row[1:]] for row in rows]

    first = [0.0]

    def noted(rows: Rows) -> Rows:
        first[0] = float(rows[0][0])
        return iso(rows)

    stamped = changed_log(recording, tmp_path / "iso.csv", 20.0, noted)
    found = aligned(capsys, path, stamped, car)
    assert found["offset_s"] == pytest.approx(clock.offset_s + first[0], abs=0.012)

    ms = changed_log(
        recording, tmp_path / "ms.csv", 20.0, lambda rows: [[f"{1000 * float(r[0]):.0f}", *r[1:]] for r in rows]
    )
    other = tmp_path / "ms.toml"
    other.write_text(LOG_CAR.replace('unit = "s"', 'unit = "ms"'))
    assert aligned(capsys, path, ms, other)["offset_s"] == pytest.approx(clock.offset_s, abs=0.012)


def test_the_merged_session_has_both_and_leaves_the_first_as_it_was(
    drive: tuple[Path, Recording, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The new session holds both; the old one is untouched."""
    path, recording, car = drive
    before = path.read_bytes()
    log, merged = tmp_path / "log.csv", tmp_path / "merged.h5"
    write_controller_log(recording, log, 20.0)

    aligned(capsys, path, log, car, "-o", str(merged))

    assert path.read_bytes() == before
    with open_session(path) as old, open_session(merged) as new:
        assert new.info.names == (*old.info.names, "rpm", "lambda", "throttle")
        for name in old.info.names:
            np.testing.assert_array_equal(new.raw(name), old.raw(name))
        assert new.zeros == old.zeros
        assert [(p.start_s, p.end_s) for p in new.pulls] == [(p.start_s, p.end_s) for p in old.pulls]
        time, rpm = new.sample_index() / new.rate_hz, new.raw("rpm")
    clock, stamps = recording.truth.controller, np.loadtxt(log, delimiter=",", skiprows=1, usecols=0)
    start, end = (stamps[[0, -1]] * (1 + 1e-6 * clock.rate_ppm) + clock.offset_s).tolist()
    assert np.isnan(rpm[(time < start - 0.05) | (time > end + 0.05)]).all()
    inside = (time > start + 0.05) & (time < end - 0.05)
    truth = recording.motion.at("rpm", time[inside])
    assert np.median(np.abs(rpm[inside] - truth)) < 10
    assert run(["replay", str(merged), "--headless", "--json"]) == 0
    with h5py.File(merged) as file:  # any tool can read it
        assert bool(file.attrs["finished"])


def test_what_cannot_be_aligned_is_refused_in_one_line(
    drive: tuple[Path, Recording, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A log that cannot belong is refused with the reason."""
    path, recording, car = drive
    rng = np.random.default_rng(8)

    def another(rows: Rows) -> Rows:
        knots = np.arange(0, len(rows), 120)
        rpm = np.interp(np.arange(len(rows)), knots, rng.uniform(1200, 6000, len(knots)))
        return [[row[0], f"{value:.0f}", *row[2:]] for row, value in zip(rows, rpm, strict=True)]

    cases: dict[str, Callable[[Rows], Rows]] = {
        "hardly changes": lambda rows: [[row[0], "3000", *row[2:]] for row in rows],
        "matches the session nowhere": another,
        "too few rows": lambda rows: rows[:12],
        "runs back": lambda rows: rows[:400] + rows[:400],
        "is not a number": lambda rows: [
            [row[0], "fast" if n % 50 == 0 else row[1], *row[2:]] for n, row in enumerate(rows)
        ],
    }
    for words, change in cases.items():
        log = changed_log(recording, tmp_path / "log.csv", 20.0, change)
        out = tmp_path / "merged.h5"
        assert run(["align", str(path), str(log), "--car", str(car), "-o", str(out), "--json"]) == 2, words
        told = capsys.readouterr()
        assert told.out == ""
        assert words in told.err
        assert told.err.strip().count("\n") == 0
        assert not out.exists()


def test_two_equally_good_places_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The same pull twice, to the row: a log of one of them fits both."""
    from tests.array_session import write_session

    one = np.concatenate([np.full(200, 2000.0), np.linspace(2000, 6500, 400), np.linspace(6500, 2000, 400)])
    text = '[car]\nname = "x"\n[[channel]]\nname = "rpm"\nrole = "engine_speed"\nunit = "rpm"\n'
    rng = np.random.default_rng(0)
    path = write_session(
        tmp_path / "s.h5", text, 50.0, {"rpm": np.concatenate([one, one]) + rng.normal(0, 3, 2 * len(one))}
    )
    log = tmp_path / "log.csv"
    log.write_text("time,rpm\n" + "".join(f"{i / 50},{value:.0f}\n" for i, value in enumerate(one)))
    car = tmp_path / "log.toml"
    car.write_text(LOG_CAR)

    assert run(["align", str(path), str(log), "--car", str(car)]) == 2
    assert "as well at" in capsys.readouterr().err
