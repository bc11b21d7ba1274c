"""From samples to matched holds: random drives through the live stage, each hold's true target demanded."""

from dataclasses import dataclass, field

import numpy as np
import pytest

from stream.calibrate.speed.match import match_targets
from stream.calibrate.speed.speed_fit import fit_speed
from stream.car import parse_car
from stream.errors import InputError
from stream.live.records import Hold, Pinned
from stream.sources.rehearsal.scenario import TARGETS, demo_car_text, hold_drive
from stream.sources.rehearsal.sensors import Chain, Converter
from stream.study.speed import Reference, fit_row, load_row
from tests.drives import CAR, RPM_AT_0V, RPM_PER_V, Plan, run_stage
from tests.sessions import write_session
from tests.stream.calibrate.hold_drives import HoldDrive


@dataclass
class RandomDrive:
    """A drive as drivers do it: 3 to 15 targets unevenly apart, idle before them or not, one skipped, up, down, both,
    one held twice, samples lost, 50 to 1 000 Hz, the provisional slope up to 30 % off."""

    seed: int
    targets: list[float] = field(default_factory=list)
    truth: list[float | None] = field(default_factory=list)

    def __post_init__(self) -> None:
        rng = self.rng = np.random.default_rng([self.seed, 99])
        self.rate = float(rng.choice([50, 100, 200, 500]))
        count = int(rng.integers(3, 16))
        steps = rng.uniform(0.5, 1.5, count - 1)
        low, high = rng.uniform(1300, 2200), rng.uniform(5000, 6700)
        self.targets = (np.round((low + np.r_[0, np.cumsum(steps)] / steps.sum() * (high - low)) / 50) * 50).tolist()
        row = list(self.targets)
        if count >= 5 and rng.random() < 0.3:
            row.pop(int(rng.integers(1, count - 1)))
        shape = rng.choice(["up", "up", "down", "both", "again"])
        row = {"up": row, "down": row[::-1], "both": row + row[::-1], "again": [*row[:2], *row[1:]]}[str(shape)]
        self.plan = Plan(self.seed, self.rate)
        self.plan.now = 1100.0
        if rng.random() < 0.7:
            self.plan.now = float(rng.uniform(800, 1000))
            self._hold(self.plan.now, None, 10.0)
        scale = 1 + float(rng.uniform(-0.01, 0.01))
        for target in row:
            true = target * scale + rng.normal(0, 25)
            self.plan.ramp(true, rng.uniform(200, 500))
            self._hold(true, target, None)
        self.plan.ramp(1500.0, 600)

    def _hold(self, rpm: float, target: float | None, amplitude: float | None) -> None:
        self.plan.hold(rpm, self.rng.uniform(4.5, 9.0), amplitude)
        self.truth.append(target)

    def found(self) -> tuple[list[Hold], list[Pinned], list[float | None]]:
        """Holds and pinned stretches of the live stage, and each hold's true target."""
        slope = RPM_PER_V * self.rng.uniform(0.7, 1.3)
        samples = self.plan.samples()
        gaps = {}
        if self.rng.random() < 0.3:
            rows = self.rng.integers(int(self.rate), len(samples), 3)
            gaps = {int(row): int(self.rng.integers(1, 1 + self.rate / 20)) for row in rows}
        stage = run_stage(samples, self.rate, parse_car(CAR.format(slope=slope, zero=RPM_AT_0V)), gaps=gaps)
        return stage.holds, stage.pinned, [self._true(hold, gaps) for hold in stage.holds]

    def _true(self, hold: Hold, gaps: dict[int, int]) -> float | None:
        def later(time_s: float) -> float:
            return time_s + sum(lost for row, lost in gaps.items() if row <= time_s * self.rate) / self.rate

        shared = [min(later(end), hold.end_s) - max(later(start), hold.start_s) for start, end, _ in self.plan.holds]
        return self.truth[int(np.argmax(shared))]


@pytest.mark.parametrize("drives", [10, pytest.param(40, marks=pytest.mark.coverage)])
def test_every_hold_of_random_drives_gets_its_own_target(drives: int) -> None:
    """None wrong; refused only where fewer than three speeds were found."""
    for seed in range(drives):
        drive = RandomDrive(seed)
        holds, pinned, truth = drive.found()
        try:
            match = match_targets(holds, pinned, drive.targets)
        except InputError:
            assert len({rpm for rpm in truth if rpm is not None}) < 3, seed
            continue
        assert match.target_rpm == tuple(truth) or match.ambiguous, seed


def test_three_targets_of_which_one_was_missed_are_refused_not_guessed() -> None:
    """Idle must not take the place of the hold that is missing."""
    drive = HoldDrive(3).idle(950.0).row(1700.0, 4300.0, 6900.0, skip=(6900.0,))

    with pytest.raises(InputError, match="fit"):
        match_targets(drive.holds, drive.pinned, (1700.0, 4300.0, 6900.0))


def test_a_lowest_target_held_evenly_is_no_idle() -> None:
    """A foot that is quiet at 2 600 rpm, held twice: both are that target, for no engine idles so fast."""
    drive = HoldDrive(11, 1.1, wander=30.0)
    drive.row(2600.0, 3100.0, 3900.0, 4800.0)
    quiet = drive.holds[0]
    drive.row(4800.0, 3900.0, 3100.0, 2650.0)
    drive.truth[-1] = 2600.0
    holds = [*drive.holds]
    holds[0] = type(quiet)(**{name: getattr(quiet, name) for name in quiet.__struct_fields__} | {"speed_sd_rpm": 5.0})

    assert match_targets(holds, (), (2600.0, 3100.0, 3900.0, 4800.0)).target_rpm == tuple(drive.truth)


def test_a_quiet_moment_inside_the_fastest_hold_is_no_ceiling() -> None:
    """A pinned stretch within a longer hold: the hold counts, and no ceiling is told."""
    drive = HoldDrive(12).idle().row(1900.0, 3600.0, 4300.0, 5700.0)
    top = drive.holds[-1]
    pinned = [Pinned(start_s=top.start_s + 1.0, end_s=top.start_s + 3.0, signal=top.signal_mean + 0.003, at="top")]
    fit = fit_speed(drive.holds, pinned, targets=(1900.0, 3600.0, 4300.0, 5700.0))

    assert [point.target_rpm for point in fit.points if point.used] == [1900.0, 3600.0, 4300.0, 5700.0]
    assert fit.ceiling_above_rpm is None


def test_a_time_in_a_stuck_stretch_names_a_speed_that_is_not_used() -> None:
    """--at on a pinned stretch: a point of the dead band, as a target would be."""
    drive = HoldDrive(13, dead=1900.0).row(1200.0, 2500.0, 4000.0, 5500.0)
    at = [(drive.pinned[0].start_s + 1.0, 1200.0)]
    at += [(hold.start_s + 1.0, rpm) for hold, rpm in zip(drive.holds, (2500.0, 4000.0, 5500.0), strict=True)]
    fit = fit_speed(drive.holds, drive.pinned, at=at)

    assert fit.dead_below_rpm == 2500.0
    assert [(p.target_rpm, p.used) for p in fit.points][-1] == (1200.0, False)


def test_a_row_that_is_restless_throughout_is_kept_and_told(tmp_path) -> None:
    """Every hold swings by ±90 rpm and the provisional slope hid it: a warning, for without them nothing is left."""
    plan = Plan(14)
    plan.now = 1400.0
    targets = (2000.0, 2500.0, 3000.0, 3500.0)
    for rpm in targets:
        plan.ramp(rpm, 500.0)
        t = np.arange(round(9.0 * plan.rate_hz)) / plan.rate_hz
        plan.parts.append(rpm + 92.0 * np.sin(2 * np.pi * t / 2.2))
    text = CAR.format(slope=RPM_PER_V * 0.7, zero=RPM_AT_0V * 0.7)
    path = write_session(tmp_path / "restless.h5", plan.samples(), plan.rate_hz, text)
    fit = fit_row(load_row([path]), Reference(targets=targets))

    assert sum(point.used for point in fit.points) == 4
    assert "restless-holds" in {finding.code for finding in fit.findings}


LONG_ROW = (1000.0, 1500.0, 2000.0, 2500.0, 3000.0, 3500.0, 4000.0, 4500.0, 5000.0, 5500.0, 6000.0, 6500.0)


@pytest.mark.parametrize(("seed", "slope_error"), [(1, 1.0), (2, 0.72), (3, 1.29)])
def test_a_rehearsal_drive_ends_in_a_calibration_that_holds_the_truth(tmp_path, seed: int, slope_error: float) -> None:
    """The rehearsal car's converter is its own truth; the needle's scale error is inside the stated 1 %."""
    recording = hold_drive(seed, chain=Chain(rate_hz=200.0))
    fit = fit_row(load_row([_recorded(tmp_path, recording, slope_error)]), Reference(targets=TARGETS))

    assert [point.target_rpm for point in fit.points if point.used] == list(TARGETS)
    for rpm in (1500.0, 2500.0, 4000.0, 5500.0, 6500.0):
        low, high = fit.interval((rpm - recording.truth.intercept_rpm) / recording.truth.slope_rpm_per_unit)
        assert low <= rpm <= high


@pytest.mark.parametrize("gear", [0, 2])
def test_a_rehearsal_converter_that_is_dead_below_and_stuck_above_is_diagnosed(tmp_path, gear: int) -> None:
    """Parked and on the road: the living targets are used (a foot may spoil one), none else, and both ends are named
    in words near where they are."""
    chain = Chain(rate_hz=200.0, converter=Converter(dead_below_rpm=1900.0, ceiling_rpm=5700.0))
    recording = hold_drive(4, chain=chain, targets=LONG_ROW, gear=gear)
    fit = fit_row(load_row([_recorded(tmp_path, recording, 1.15)]), Reference(targets=LONG_ROW))

    used = {p.target_rpm for p in fit.points if p.used}
    assert used <= set(LONG_ROW[2:10])
    assert len(used) >= 7
    assert fit.dead_below_rpm == 2000.0
    assert fit.ceiling_above_rpm == pytest.approx(5700.0, rel=0.02)
    about = {finding.code: finding.values for finding in fit.findings}
    assert about["dead-band"]["rpm"] == pytest.approx(1900.0, abs=110.0)
    assert about["ceiling"]["rpm"] == pytest.approx(5700.0, abs=120.0)


def _recorded(folder, recording, slope_error: float):
    text = demo_car_text().replace("rpm_per_unit = 1720.0", f"rpm_per_unit = {1720.0 * slope_error:.1f}")
    assert f"{1720.0 * slope_error:.1f}" in text
    return write_session(folder / "drive.h5", recording.samples, recording.rate_hz, text, gaps=dict(recording.gaps))
