"""Holds against a published speed trace: the urban cycle of UNECE Regulation 83 (ECE-15).

Source of the trace: the Python package `wltp` 0.1.2a0, 1 Hz. Its constant-speed phases (start, end, km/h), each urban
cycle 195 s on; durations are those of the trace, cumulative times from memory of the regulation's table.
"""

import numpy as np
import pytest

from stream.block import Block
from stream.car import parse_car
from stream.live.stage import LiveStage
from tests.drives import CAR, RPM_AT_0V, RPM_PER_V, car, info
from tests.outside_data import outside_file

PHASES = ((15, 23, 15), (61, 85, 32), (143, 155, 50), (163, 176, 35))
RATE_HZ = 50.0


@pytest.mark.parametrize("rpm_per_kmh", [60, 100, 140])
@pytest.mark.parametrize("slope_error", [0.7, 1.0, 1.3])
def test_the_published_phases_are_exactly_the_holds(rpm_per_kmh: float, slope_error: float) -> None:
    """In one gear, at 50 Hz with sensor noise: the sixteen phases, edges within 0.6 s, and nothing else; the twelve
    flats of 2 s for gear changes are not among them."""
    trace = np.loadtxt(outside_file("nedc_urban_1Hz.csv"), delimiter=",", skiprows=1)
    t = np.arange(trace[0, 0], trace[-1, 0], 1 / RATE_HZ)
    rng = np.random.default_rng(83)
    rpm = rpm_per_kmh * np.interp(t, trace[:, 0], trace[:, 1])
    volts = (rpm - RPM_AT_0V) / RPM_PER_V + rng.normal(size=len(t)) * 0.006
    samples = np.column_stack((volts, np.zeros(len(t)))).astype(np.float32)

    stage = LiveStage(car(slope_error), info(RATE_HZ))
    stage.push(Block(samples, 0, RATE_HZ))
    stage.finish()

    published = [(a + 195 * k, b + 195 * k, v) for k in range(4) for a, b, v in PHASES]
    found = [(h.start_s + trace[0, 0], h.end_s + trace[0, 0]) for h in stage.holds]
    assert len(found) == len(published)
    for (start, end), (true_start, true_end, _), hold in zip(found, published, stage.holds, strict=True):
        assert start == pytest.approx(true_start, abs=0.6)
        assert end == pytest.approx(true_end, abs=0.6)
        assert hold.signal_mean * RPM_PER_V + RPM_AT_0V == pytest.approx(
            rpm_per_kmh * trace[round(true_start + 2 - trace[0, 0]), 1], rel=0.01
        )
    assert stage.pinned == []


def test_the_load_steps_of_a_bridge_test_are_holds() -> None:
    """A force that steps stands in for speed: 'support_load_01' (munich-bridge-data, MIT; Jaelani et al., Steel
    Construction 16 (2023) 215). Its steps as read crudely off one-second medians."""
    force = np.loadtxt(
        outside_file("support_load_01_force_100Hz.csv.gz"),
        delimiter=",",
        skiprows=1,
        usecols=1,
        dtype=np.float32,
    )
    steps = (
        (28, 55, 210.594),
        (73, 97, 210.646),
        (107, 224, 216.335),
        (234, 358, 220.261),
        (368, 494, 216.690),
        (499, 525, 211.132),
        (543, 719, 211.269),
    )
    bridge_car = parse_car(CAR.format(slope=400.0, zero=-82000.0).replace("range = [0.0, 4.9]\n", ""))
    stage = LiveStage(bridge_car, info(100.0))
    stage.push(Block(np.column_stack((force, 0 * force)), 0, 100.0))
    stage.finish()

    for start, end, kn in steps:
        near = [h for h in stage.holds if min(end, h.end_s) - max(start, h.start_s) > 0.8 * (end - start)]
        assert len(near) == 1, (start, end)
        assert near[0].signal_mean == pytest.approx(kn, abs=0.03)
