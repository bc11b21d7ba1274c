"""import: a CSV log of another recorder becomes a session, and a paced replay of it takes its time."""

import gzip
import time
from pathlib import Path

import h5py
import numpy as np
import pytest

from stream.sources.rehearsal.scenario import demo_car_text
from tests.drives import RPM_AT_0V, RPM_PER_V, Plan


def write_log(path: Path, samples: np.ndarray, rate_hz: float, skip: frozenset[int] = frozenset()) -> None:
    """A log with a time column in seconds; rows in `skip` are not there."""
    rows = (
        f"{row / rate_hz:.4f},{volts:.5f},{link:.5f}" for row, (volts, link) in enumerate(samples) if row not in skip
    )
    text = "\n".join(["Time (s),speed_v,link", *rows]) + "\n"
    path.write_bytes(gzip.compress(text.encode()) if path.suffix == ".gz" else text.encode())


@pytest.fixture
def log_car(tmp_path: Path) -> Path:
    """The scenario's car file with the log's clock."""
    path = tmp_path / "log.toml"
    path.write_text(demo_car_text(time_column="Time"), encoding="utf-8")
    return path


@pytest.mark.parametrize("name", ["log.csv", "log.csv.gz"])
def test_a_log_becomes_a_session_with_its_holds(steadypull, log_car: Path, tmp_path: Path, name: str) -> None:
    """Two holds among ramps, drawn by the test's own generator; edges within 0.6 s, speed within the wander."""
    plan = Plan(5, rate_hz=100.0).hold(1500, 5).ramp(3000, 400).hold(3000, 6).ramp(1200, 400)
    write_log(tmp_path / name, plan.samples(), 100.0)

    done = steadypull(
        "import", tmp_path / name, "--car", log_car, "-o", tmp_path / "s.h5", "--json", "--tune", "wren", "--gear", "2"
    )

    assert done.code == 0
    assert (done.json["session"]["tune"], done.json["session"]["rate_hz"]) == ("wren", 100.0)
    assert len(done.json["holds"]) == len(plan.holds)
    for hold, (start, end, rpm) in zip(done.json["holds"], plan.holds, strict=True):
        assert hold["start_s"] == pytest.approx(start, abs=0.6)
        assert hold["end_s"] == pytest.approx(end, abs=0.6)
        assert hold["signal_mean"] * RPM_PER_V + RPM_AT_0V == pytest.approx(rpm, abs=25)
    with h5py.File(tmp_path / "s.h5") as file:
        assert file.attrs["finished"] == 1
        assert file.attrs["note"] == f"imported from {name}"
        assert file["raw/samples"].shape == (len(plan.rpm), 2)
        np.testing.assert_allclose(file["holds"]["start_s"], [hold["start_s"] for hold in done.json["holds"]], rtol=0)
    again = steadypull("replay", tmp_path / "s.h5", "--headless", "--json").json
    assert again["holds"] == done.json["holds"]


def test_a_replay_at_its_own_pace_takes_its_time_and_finds_the_same(steadypull, log_car: Path, tmp_path: Path) -> None:
    """--pace 1 passes a session through the threads of a drive, in as long as it lasted, gap and all."""
    rows = Plan(9, rate_hz=200.0).hold(2500, 4.2, amplitude=10).samples()
    write_log(tmp_path / "log.csv", rows, 200.0, skip=frozenset(range(40, 60)))
    fast = steadypull("import", tmp_path / "log.csv", "--car", log_car, "-o", tmp_path / "s.h5", "--json").json

    began = time.monotonic()
    paced = steadypull("replay", tmp_path / "s.h5", "--headless", "--json", "--pace", "1", "-o", tmp_path / "n.h5").json
    took = time.monotonic() - began

    assert took > 4.1
    assert len(fast["holds"]) == 1
    assert paced["holds"] == fast["holds"]
    assert paced["session"]["lost_samples"] == 20
    with h5py.File(tmp_path / "s.h5") as one, h5py.File(tmp_path / "n.h5") as other:
        np.testing.assert_array_equal(one["raw/samples"][:], other["raw/samples"][:])
        assert [row["lost"] for row in other["raw/gaps"]] == [20]


def test_a_log_in_rpm_without_a_clock_needs_only_its_rate(steadypull, tmp_path: Path) -> None:
    """An rpm column is legal; --rate stands in for the clock."""
    car = tmp_path / "car.toml"
    car.write_text(
        '[car]\nname = "x"\n[[channel]]\nname = "rpm"\nrole = "engine_speed"\nunit = "rpm"\n', encoding="utf-8"
    )
    (tmp_path / "log.csv").write_text("rpm;other\n" + "".join(f"{2000 + k % 2};x\n" for k in range(250)))

    done = steadypull("import", tmp_path / "log.csv", "--car", car, "-o", tmp_path / "s.h5", "--rate", "50", "--json")

    assert done.code == 0
    assert done.json["session"]["duration_s"] == 5.0
    (hold,) = done.json["holds"]
    assert hold["speed_rpm"] == pytest.approx(2000.5, abs=0.1)
    assert hold["load_mean"] is None


def test_a_slow_log_gives_holds_of_ten_rows_and_no_pulls_and_says_so(steadypull, log_car: Path, tmp_path: Path) -> None:
    """Two rows a second with repeated stamps: one steady stretch of 30 s is a hold; a verdict on pulls is refused."""
    lines = [f"{row // 2}.0,2.0,0.1" for row in range(60)]
    (tmp_path / "log.csv").write_text("\n".join(["Time,speed_v,link", *lines]) + "\n")

    done = steadypull("import", tmp_path / "log.csv", "--car", log_car, "-o", tmp_path / "s.h5")
    found = steadypull("replay", tmp_path / "s.h5", "--headless", "--json").json

    assert done.code == 0
    assert "too few to judge pulls: no verdict is given" in done.out
    assert "the stamp of the row before" in done.err
    (hold,) = found["holds"]
    assert hold["end_s"] - hold["start_s"] >= 20
    assert hold["signal_mean"] == pytest.approx(2.0)
    assert found["pulls"] == found["pinned"] == []


@pytest.mark.parametrize(("role", "quiet", "full"), [("throttle", 18.0, 96.0), ("manifold_pressure", 38.0, 98.0)])
def test_a_log_without_load_gives_pulls_by_throttle_or_pressure(
    steadypull, tmp_path: Path, role: str, quiet: float, full: float
) -> None:
    """Cruise, full throttle from 2 300 to 6 000 rpm in 8 s, lift, three times; the third one lets go half way."""
    car = tmp_path / "car.toml"
    car.write_text(
        '[car]\nname = "x"\n[[channel]]\nname = "rpm"\nrole = "engine_speed"\nunit = "rpm"\n'
        f'[[channel]]\nname = "foot"\nrole = "{role}"\n[[channel]]\nname = "t"\nrole = "time"\n'
    )
    rng, rate = np.random.default_rng(4), 50
    rpm, foot, starts = [np.full(10 * rate, 2300.0)], [np.full(10 * rate, quiet)], []
    for lift in (False, False, True):
        starts.append(sum(map(len, rpm)) / rate)
        pull = np.linspace(2300, 6000, 8 * rate)
        pressed = np.full(len(pull), full)
        if lift:
            pressed[200:230] = quiet
            pull[200:] -= 40.0
        rpm += [pull, np.linspace(6000, 2300, 6 * rate), np.full(10 * rate, 2300.0)]
        foot += [pressed, np.full(6 * rate, quiet / 2), np.full(10 * rate, quiet)]
    rows = np.column_stack([np.concatenate(rpm), np.concatenate(foot)])
    rows += rng.normal(0, [6.0, 0.3], rows.shape)
    text = "".join(f"{k / rate:.2f},{a:.0f},{b:.1f}\n" for k, (a, b) in enumerate(rows))
    (tmp_path / "log.csv").write_text("t,rpm,foot\n" + text)

    done = steadypull("import", tmp_path / "log.csv", "--car", car, "-o", tmp_path / "s.h5", "--tune", "a", "--json")

    assert [pull["start_s"] for pull in done.json["pulls"]] == pytest.approx(starts, abs=0.5)
    assert [pull["verdict"] for pull in done.json["pulls"]] == ["clean", "clean", "flawed"]
    assert "lift" in done.json["pulls"][2]["faults"]
    assert done.json["pulls"][0]["end_rpm"] == pytest.approx(6000, abs=60)
    assert len(done.json["holds"]) == 4

    # a car file with a load that this log has no column for
    car.write_text(car.read_text() + '[[channel]]\nname = "link"\nrole = "load"\n')
    more = steadypull("import", tmp_path / "log.csv", "--car", car, "-o", tmp_path / "l.h5", "--tune", "a", "--json")
    assert more.json["pulls"] == done.json["pulls"]
    assert [finding["code"] for finding in more.json["findings"]] == ["log-lacks-column"]
    for session in ("s.h5", "l.h5"):
        for command in (["curve"], ["compare", "--base", "a", "--trial", "b"], ["coach"]):
            refused = steadypull(command[0], tmp_path / session, *command[1:])
            assert (refused.code, "load" in refused.err) == (2, True), refused.err
