"""A guided drive through a real serial line: the rehearsal car is the driver, the session keeps what was taken."""

from pathlib import Path

import pytest

from stream.car import parse_car
from stream.drive.drive import Drive
from stream.drive.guide_plan import GuidePlan
from stream.record.session import open_session
from stream.sources.rehearsal.player import RehearsalPort
from stream.sources.rehearsal.record import Recording
from stream.sources.rehearsal.scenario import TARGETS, demo_car_text, hold_drive
from stream.sources.rehearsal.sensors import Chain, Converter
from stream.sources.serialport import SerialSource
from ui.text.findings import say

PATIENCE_S = 60.0


@pytest.fixture(scope="module")
def recording() -> Recording:
    return hold_drive(4)


def drive_it(recording: Recording, folder: Path, plan: GuidePlan, car_text: str | None = None) -> Drive:
    """Run the recording through a serial line until it is over, or until the drive ends by itself."""
    car = parse_car(car_text or demo_car_text())
    folder.mkdir(exist_ok=True)
    with RehearsalPort(recording, quick=True) as port:
        drive = Drive(
            SerialSource(port.port_url, car), car, folder=folder, gear=2, targets=plan, wait_for_slowest=True, say=say
        )
        drive.start()
        while not drive.done.wait(0.05):
            if port.done.is_set() and drive.quiet_s() > 0.5:
                drive.stop()
        drive.join(PATIENCE_S)
    return drive


def matched(path: Path) -> list[tuple[float, float]]:
    """(middle of the hold, target) of every hold that has a target."""
    with open_session(path) as session:
        assert session.finished
        return [
            ((hold.start_s + hold.end_s) / 2, mark.target_rpm)
            for hold, mark in zip(session.holds, session.hold_marks, strict=True)
            if mark.target_rpm is not None
        ]


@pytest.mark.parametrize("wrong", [0.75, 1.25])
def test_targets_go_into_the_session(recording: Recording, tmp_path: Path, wrong: float) -> None:
    """The rehearsal car knows when it held what: that is the truth, whatever the provisional line says."""
    text = demo_car_text().replace("rpm_per_unit = 1720.0", f"rpm_per_unit = {1720.0 * wrong}")
    drive = drive_it(recording, tmp_path, GuidePlan(TARGETS, gear=2), text)
    found = matched(drive.recorded[0])
    truth = [(hold.start_s, hold.end_s, hold.target_rpm) for hold in recording.truth.holds]

    assert [target for _, target in found] == list(TARGETS)
    for (middle, target), (start, end, asked) in zip(found, truth, strict=True):
        assert start < middle < end
        assert target == asked
    status = drive.status()
    assert (status.targets_taken, status.next_target_rpm) == (7, None)
    taken = [event for event in drive.events.since(0)[0] if event.kind == "target"]
    assert [event.value for event in taken] == list(TARGETS)


def test_ends_by_itself_when_the_doubt_is_small_enough(recording: Recording, tmp_path: Path) -> None:
    """The recording is finished properly, before the row is through."""
    drive = drive_it(recording, tmp_path, GuidePlan(TARGETS, until_u_rpm=70.0, gear=2))
    status = drive.status()

    assert status.state == "finished"
    assert status.uncertainty_rpm is not None
    assert status.uncertainty_rpm <= 70.0
    assert 3 <= status.targets_taken < len(TARGETS)
    assert len(matched(drive.recorded[0])) == status.targets_taken
    assert status.time_s < recording.index[-1] / recording.rate_hz


def test_a_row_driven_past_the_guide_marks_no_wrong_target(tmp_path: Path) -> None:
    """Dead below 2300 rpm, and a driver who goes through his own list: the ripple tells the guide where he is."""
    chain = Chain(converter=Converter(dead_below_rpm=2300.0, ceiling_rpm=5600.0))
    targets = (1500.0, 2000.0, 2500.0, 3000.0, 3500.0, 4000.0, 4500.0, 5000.0, 6000.0, 6500.0)
    recording = hold_drive(8, chain=chain, targets=targets)
    drive = drive_it(recording, tmp_path, GuidePlan(targets, gear=2))
    said = [event.text for event in drive.events.since(0)[0]]
    held = [(hold.start_s, hold.end_s, hold.target_rpm) for hold in recording.truth.holds]

    found = matched(drive.recorded[0])
    assert len(found) >= 5
    for middle, target in found:
        assert [rpm for start, end, rpm in held if start < middle < end] == [target]
    assert any("seen together" in text for text in said)
    assert any("the signal does not follow it" in text for text in said)


def test_the_guide_changes_no_hold(recording: Recording, tmp_path: Path) -> None:
    """Holds are the same with and without a guide."""
    with_guide = drive_it(recording, tmp_path / "a", GuidePlan(TARGETS, gear=2))
    without = drive_it(recording, tmp_path / "b", GuidePlan())
    assert with_guide.stage is not None
    assert without.stage is not None

    assert with_guide.stage.holds == without.stage.holds
    assert without.status().targets == ()


def test_commands_reach_the_guide(recording: Recording, tmp_path: Path) -> None:
    """Skip, asked for before the first sample, leaves the first target out."""
    car = parse_car(demo_car_text())
    with RehearsalPort(recording, quick=True) as port:
        drive = Drive(
            SerialSource(port.port_url, car),
            car,
            record=False,
            targets=TARGETS,
            gear=2,
            wait_for_slowest=True,
            say=say,
        )
        assert drive.status().next_target_rpm == TARGETS[0]
        drive.skip_target()
        drive.start()
        while not drive.done.wait(0.05):
            if port.done.is_set() and drive.quiet_s() > 0.5:
                drive.stop()
        drive.join(PATIENCE_S)

    assert TARGETS[0] not in [event.value for event in drive.events.since(0)[0] if event.kind == "target"]
    assert any(event.text.startswith("1500 rpm left out") for event in drive.events.since(0)[0])
