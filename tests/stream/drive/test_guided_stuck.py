"""A guided row on a converter that is dead below some speed, begun in the dead band.

The driver goes through his own list, and the guide, who sees nothing of the first targets, must not mark the second
one's hold as the first, and so on up.

The truth is the generator's list of holds (tests/stuck_drives.py).
"""

from pathlib import Path

import numpy as np
import pytest

from stream.car import parse_car
from stream.drive.drive import Drive
from stream.drive.guide_plan import GuidePlan
from stream.record.session import open_session
from stream.study.speed import Reference, fit_row, load_row
from stream.study.survey.survey import survey_session
from tests.drives import info
from tests.stream.study.survey.sessions import Samples
from tests.stuck_drives import RPM_AT_0V, RPM_PER_V, StuckDrive, car_text

ROW = tuple(float(rpm) for rpm in range(1500, 6001, 500))


def drive_it(plan: StuckDrive, folder: Path, targets: tuple[float, ...], text: str) -> Drive:
    """Record the drive with a guide that asks for the targets in order."""
    car = parse_car(text)
    source = Samples(plan.samples(), info(plan.rate_hz))
    drive = Drive(source, car, folder=folder, targets=GuidePlan(targets), wait_for_slowest=True)
    drive.start()
    drive.join(60.0)
    return drive


@pytest.mark.parametrize("stuck_v", [0.0, 0.03, 0.45])
@pytest.mark.parametrize(("slope_error", "pulses"), [(0.85, 12.0), (1.2, 4.0)])
def test_a_row_begun_in_the_dead_band_marks_no_wrong_speed(tmp_path, stuck_v, slope_error, pulses) -> None:
    """Marks are right or absent; a fit by them, and one by targets, has the converter's line; one count for all."""
    plan = StuckDrive(seed=21, dead_rpm=1800.0, stuck_v=stuck_v, pulses=pulses, now=1500.0).hold(*ROW)
    drive = drive_it(plan, tmp_path, ROW, car_text(slope_error, pulses=3.0))
    path = drive.recorded[0]
    with open_session(path) as session:
        marked = [(h.start_s, h.end_s, m.target_rpm) for h, m in zip(session.holds, session.hold_marks, strict=True)]
        assert not any(mark.by_hand for mark in session.hold_marks)
    truth = {
        target: [rpm for a, b, rpm in plan.holds if min(end, b) - max(start, a) > 1.0]
        for start, end, target in marked
        if target is not None
    }
    assert len(truth) >= 6
    assert truth == {target: [target] for target in truth}
    for reference in (Reference(), Reference(targets=ROW)):
        fit = fit_row(load_row([path]), reference)
        assert fit.slope_rpm_per_unit == pytest.approx(RPM_PER_V, rel=0.03)
        assert float(fit.rpm(np.array(2.0))) == pytest.approx(2.0 * RPM_PER_V + RPM_AT_0V, abs=40.0)
    assert fit.dead_below_rpm == 2000.0
    speed = survey_session(path).speed
    assert speed is not None
    assert speed.pulses_per_turn.per_turn == pulses
