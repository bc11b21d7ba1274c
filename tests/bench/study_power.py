"""How often `power` holds the rehearsal car's truth, by seeds: PYTHONPATH=. python tests/bench/study_power.py 30.

Per seed two sessions on one tune, four pulls in third gear and three in second, in wind and on a slope that nobody
measured. Kinds: zeros taken; a road speed beside them; no zero; one gear alone. The truth is the model's own force and
speed. Speed is calibrated by a needle with the seed's own scale error.
"""

import sys
import tempfile
from datetime import timedelta
from pathlib import Path

import numpy as np

from stream.calibrate.speed.calfile import SpeedCalibration
from stream.sources.rehearsal.record import Recording
from stream.sources.rehearsal.sensors import Chain
from stream.study.dataset import Dataset, open_dataset
from stream.study.force.power import power
from tests.stream.study.rehearsed import BEGAN, session

KINDS = {"zeros": (3, 2), "road speed": (3, 2), "no zero": (3, 2), "one gear": (3,)}
Row = tuple[float, float, float]


def needle_fit(recording: Recording) -> SpeedCalibration:
    """The true line, off by the needle's scale error, with the doubts of a usual fit."""
    truth = recording.truth
    scale = 1 + truth.needle_scale_error
    return SpeedCalibration(
        model="line",
        slope_rpm_per_unit=truth.slope_rpm_per_unit * scale,
        intercept_rpm=truth.intercept_rpm * scale,
        u_slope=2.0,
        u_intercept=5.0,
        covariance=0.0,
        scale_error_pct=1.0,
        residual_sd_rpm=1.0,
        largest_departure_pct_span=0.0,
        valid_from=0.0,
        valid_to=5.0,
        dead_below_rpm=None,
        ceiling_above_rpm=None,
        points=(),
        warnings=(),
    )


def made(folder: Path, seed: int, gear: int, kind: str) -> tuple[Dataset, Recording]:
    path = folder / f"{kind}-{seed}-{gear}.h5".replace(" ", "-")
    extra = ("road_speed",) if kind == "road speed" else ()
    recording = session(
        path,
        1000 * seed + gear,
        "heron",
        BEGAN + timedelta(minutes=12 * gear),
        chain=Chain(extra=extra),
        zeros=None if kind == "no zero" else "gap",
        gear=gear,
        drive_gear=gear,
        pulls=4 if gear == 3 else 3,
    )
    read = open_dataset(path)
    fit = needle_fit(recording)
    read.calibration = fit  # before anything is made by it
    return read, recording


def true_band(recording: Recording, rpm: float) -> tuple[float, float]:
    """(force N, power kW) about a speed, mean over the pulls."""
    motion, at = recording.motion, np.arange(rpm - 125, rpm + 125)
    forces, powers = [], []
    for pull in recording.truth.pulls:
        rows = (motion.time_s > pull.start_s + 0.4) & (motion.time_s < pull.end_s)
        speed = np.maximum.accumulate(motion["rpm"][rows])
        forces.append(np.interp(at, speed, motion["force"][rows]).mean())
        powers.append(np.interp(at, speed, (motion["force"] * motion["speed"])[rows]).mean())
    return float(np.mean(forces)), float(np.mean(powers)) / 1000


def compared(found: float, doubt: float, truth: float) -> Row:
    return found / truth - 1, doubt / truth, (found - truth) / doubt


def main(seeds: int) -> None:
    print("kind        what   mean error  scatter  stated u  95 % hold the truth  largest |error/u|   n")
    for kind, gears in KINDS.items():
        rows: dict[str, list[Row]] = {"scale": [], "force": [], "power": []}
        faults = 0
        for seed in range(seeds):
            with tempfile.TemporaryDirectory() as folder:
                days = {gear: made(Path(folder), seed, gear, kind) for gear in gears}
                found = power([days[gear][0] for gear in gears])
            if found.force_per_unit_n is None or found.u_force_per_unit_n is None or found.gear is None:
                faults += 1
                continue
            recording = days[found.gear][1]
            truth = recording.truth.newtons_per_unit
            rows["scale"].append(compared(found.force_per_unit_n, found.u_force_per_unit_n, truth))
            for band in found.bands:
                force, power_kw = true_band(recording, band.rpm)
                rows["force"].append(compared(band.force_n, band.u_force_n, force))
                rows["power"].append(compared(band.wheel_power_kw, band.u_wheel_power_kw, power_kw))
        for what, values in rows.items():
            error, doubt, z = np.array(values).T
            print(
                f"{kind:11s} {what:6s} {100 * error.mean():+9.1f} % {100 * error.std():7.1f} % "
                f"{100 * doubt.mean():7.1f} % {100 * np.mean(np.abs(z) < 1.96):19.0f} % "
                f"{np.abs(z).max():17.2f} {len(z):5d}"
            )
        if faults:
            print(f"{kind}: {faults} of {seeds} days were called a fault")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 30)
