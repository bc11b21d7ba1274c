"""The guided hold drive: which holds are taken to which target, what is said, and when it is enough."""

import numpy as np
import pytest

from stream.car import Car, parse_car
from stream.drive.guide import Guide
from stream.drive.guide_plan import GuidePlan, road_kmh
from stream.errors import InputError
from stream.live.records import Steady
from stream.record.tables import HoldMark
from tests.drives import CAR, car
from tests.stream.calibrate.hold_drives import SLOPE, ZERO, HoldDrive
from tests.told import text_of
from ui.text.live import hint_words

TARGETS = (1500.0, 2000.0, 2500.0, 3000.0, 4000.0, 5000.0, 6000.0, 6500.0)
GEARING = "[gearing]\nfinal_drive = 4.3\nratios = [3.0, 1.95, 1.38, 1.0]\n[engine]\nredline_rpm = 7400\n"


def geared() -> Car:
    text = CAR.format(slope=SLOPE, zero=ZERO).replace('special"', 'special"\nrolling_radius_m = 0.281', 1)
    return parse_car(text + GEARING)


def follow(guide: Guide, drive: HoldDrive) -> list[str]:
    """Let the guide see the holds one by one, as they end; what it said."""
    for count in range(1, len(drive.holds) + 1):
        guide.take(drive.holds[:count])
    return [f"{said.kind}: {text_of(said.what)}" for said in guide.take_said()]


@pytest.mark.parametrize("wrong", [0.7, 0.85, 1.0, 1.15, 1.3])
def test_holds_are_taken_to_their_targets_by_a_line_that_is_wrong_by_up_to_30_percent(wrong: float) -> None:
    """Truth is the generator's own list; idle before the row is no target, whatever the line makes of it."""
    for seed in range(8):
        drive = HoldDrive(seed, provisional=wrong).idle().row(*TARGETS)
        guide = Guide(car(wrong), GuidePlan(TARGETS))
        follow(guide, drive)

        assert [mark.target_rpm for mark in guide.marks(drive.holds)] == drive.truth, (seed, wrong)
        assert (guide.taken, guide.next_rpm) == (len(TARGETS), None)


def test_a_stray_is_said_and_not_counted() -> None:
    """A steady speed far from the target is named and counts for nothing."""
    drive = HoldDrive(3).row(1500, 2000, 2500, 3000).stray(3600).row(4000)
    guide = Guide(car(), GuidePlan(TARGETS))
    said = follow(guide, drive)

    assert "note: steady at about 3600 rpm, not near 4000 rpm: not counted" in said
    assert [mark.target_rpm for mark in guide.marks(drive.holds)] == drive.truth


def test_skip_and_redo() -> None:
    """A skipped target is never waited for; a hold that was gone back on is kept but not accepted."""
    guide = Guide(car(), GuidePlan(TARGETS))
    drive = HoldDrive(5).row(1500)
    guide.take(drive.holds)
    guide.skip()
    assert guide.next_rpm == 2500
    drive.row(2500)
    guide.take(drive.holds)
    guide.redo()
    assert guide.next_rpm == 2500
    drive.row(2500, 3000)
    guide.take(drive.holds[:3])
    guide.take(drive.holds)

    assert guide.marks(drive.holds) == (
        HoldMark(accepted=True, target_rpm=1500),
        HoldMark(accepted=False, target_rpm=2500),
        HoldMark(accepted=True, target_rpm=2500),
        HoldMark(accepted=True, target_rpm=3000),
    )
    assert (guide.next_rpm, guide.taken) == (4000, 3)


def test_going_back_over_a_skipped_target_asks_for_it_again() -> None:
    """Back after skip asks for the skipped target."""
    guide = Guide(car(), GuidePlan(TARGETS))
    guide.skip()
    guide.redo()
    assert guide.next_rpm == 1500
    guide.redo()
    assert text_of(guide.take_said()[-1].what) == "there is no target before this one"


def test_doubt_shrinks_with_each_hold_and_agrees_with_the_straight_line_formula() -> None:
    """u² = s² (1/n + (x - mean)² / Sxx) with s the reading error (Draper and Smith, 1.4; from memory), at the far
    end of the row. The holds' own errors in signal add little."""
    guide = Guide(car(), GuidePlan(TARGETS, reading_error_rpm=40.0))
    drive, doubts = HoldDrive(7, reading=10.0), []
    for target in TARGETS:
        drive.row(target)
        guide.take(drive.holds)
        doubts.append(guide.uncertainty_rpm)

    assert doubts[:2] == [None, None]
    for count in range(3, len(TARGETS) + 1):
        x = np.array(TARGETS[:count])
        ends = np.array([TARGETS[0], TARGETS[-1]])
        expected = 40.0 * np.sqrt(1 / count + (ends - x.mean()) ** 2 / np.sum((x - x.mean()) ** 2))
        assert doubts[count - 1] == pytest.approx(expected.max(), rel=0.1)


def test_until_u_goes_round_again_until_the_doubt_is_small_enough() -> None:
    """The row once is not enough: it is asked for again, from the top down, and ends as soon as it suffices."""
    guide = Guide(car(), GuidePlan(TARGETS, until_u_rpm=28.0))
    drive = HoldDrive(11).row(*TARGETS)
    said = follow(guide, drive)
    assert not guide.satisfied
    assert guide.next_rpm == TARGETS[-1]
    assert said[-1].endswith("next 6500 rpm")
    for target in reversed(TARGETS):
        drive.row(target)
        guide.take(drive.holds)
        if guide.satisfied:
            break
    assert guide.satisfied
    assert guide.uncertainty_rpm is not None
    assert guide.uncertainty_rpm <= 28.0
    assert len(drive.holds) < 2 * len(TARGETS)
    assert "within the 28 rpm that were asked for" in text_of(guide.take_said()[-1].what)


def test_a_dead_converter_is_said_at_the_second_target_with_the_same_signal() -> None:
    """Two targets with one signal are a fault, said at once."""
    drive = HoldDrive(2, dead=2100.0, as_holds=True)
    guide = Guide(car(), GuidePlan(TARGETS))
    drive.row(1500)
    guide.take(drive.holds)
    other = HoldDrive(3, dead=2100.0, as_holds=True).row(2000)
    guide.take([*drive.holds, *other.holds])
    said = guide.take_said()

    assert said[-1].kind == "fault"
    assert text_of(said[-1].what).startswith(
        "the same signal, 1.47 V, as at 1500 rpm: if this was 2000 rpm, the converter does not"
    )
    assert guide.next_rpm == 2000


def test_a_hold_that_never_ends_asks_whether_the_signal_follows() -> None:
    """A hold far longer than needed asks whether the signal follows the engine."""
    guide = Guide(car(), GuidePlan(TARGETS))
    guide.take_said()
    guide.look(Steady(20.0, 60.0, 5.0, 3.0, True, 1510.0))
    assert guide.steady_s == 5.0
    assert guide.take_said() == []
    guide.look(Steady(2.0, 60.0, 13.0, 3.0, True, 1510.0))
    guide.look(Steady(2.0, 60.0, 14.0, 3.0, True, 1510.0))
    said = guide.take_said()

    assert len(said) == 1
    assert "the signal does not follow it" in text_of(said[0].what)


def test_seconds_count_only_near_the_target() -> None:
    """Steady seconds elsewhere do not count for the target."""
    guide = Guide(car(), GuidePlan(TARGETS))
    guide.look(Steady(20.0, 60.0, 2.0, 3.0, False, 4000.0))
    assert guide.steady_s == 0.0
    assert np.isnan(guide.speed_rpm)
    drive = HoldDrive(1).row(*TARGETS[:4])
    follow(guide, drive)
    guide.look(Steady(20.0, 60.0, 2.0, 3.0, False, 4010.0))

    assert guide.steady_s == 2.0
    assert guide.speed_rpm == pytest.approx(4010, abs=120)


def test_road_speed_of_a_target() -> None:
    """By hand: 3000 / 60 / (4.3 · 1.95) turns a second of a wheel of 2 π · 0.281 m are 10.53 m/s, 37.9 km/h."""
    guide = Guide(geared(), GuidePlan((3000.0, 4000.0, 5000.0), gear=2))

    assert guide.road_kmh == pytest.approx(37.9, abs=0.05)
    assert hint_words(guide.hint) == "38 km/h in gear 2, 25 in gear 1"
    assert road_kmh(geared(), 5, 3000.0) is None
    assert hint_words(Guide(geared(), GuidePlan((3000.0,), parked=True)).hint) == "parked, in neutral"
    assert hint_words(Guide(geared(), GuidePlan((3000.0,))).hint) == "25 km/h in gear 1, or parked in neutral"
    assert hint_words(Guide(car(), GuidePlan((3000.0,), gear=2)).hint) == ""


def test_above_90_percent_of_redline_only_on_demand() -> None:
    """Targets near redline are asked for in gear only where a person wants them."""
    guide = Guide(geared(), GuidePlan((3000.0, 5000.0, 6500.0, 7000.0), gear=2))
    assert guide.targets == (3000.0, 5000.0, 6500.0)
    assert "7000 rpm is above 90 % of redline (7400 rpm) and is not asked for in gear unless" in text_of(
        guide.take_said()[0].what
    )
    wanted = Guide(geared(), GuidePlan((3000.0, 5000.0, 7000.0), gear=2, near_redline=True))

    assert wanted.targets == (3000.0, 5000.0, 7000.0)
    assert "hold it no longer than it takes" in text_of(wanted.take_said()[0].what)
    with pytest.raises(InputError, match="all speeds to hold are above 90 % of redline"):
        Guide(geared(), GuidePlan((7000.0, 7100.0)))


@pytest.mark.parametrize(
    ("plan", "words"),
    [
        (GuidePlan((1500.0, -2.0)), "a number above zero"),
        (GuidePlan(tuple(float(n) for n in range(1, 62))), "61 speeds to hold are too many"),
        (GuidePlan((1500.0, 2000.0), until_u_rpm=30.0), "three or more different speeds"),
    ],
)
def test_targets_that_cannot_be_held_are_refused(plan: GuidePlan, words: str) -> None:
    """Speeds that are none, too many, or too few are one line with the cure."""
    with pytest.raises(InputError, match=words):
        Guide(car(), plan)


def test_a_person_says_here() -> None:
    """A line wrong by more than 30 % makes the first speed look like another: on the person's word it is taken to
    the one that was asked for, and marked as said by hand."""
    drive = HoldDrive(3, provisional=0.55).row(2500, 3000, 4000, 5000)
    without, guide = (Guide(car(0.55), GuidePlan((2500.0, 3000.0, 4000.0, 5000.0))) for _ in range(2))
    without.take(drive.holds[:1])
    guide.here()
    guide.take(drive.holds[:1])

    assert (without.next_rpm, without.taken) == (2500, 0)
    assert (guide.next_rpm, guide.taken) == (3000, 1)
    assert guide.marks(drive.holds[:1]) == (HoldMark(target_rpm=2500, by_hand=True),)
    assert [said.what.code for said in guide.take_said()][-2:] == ["guide-here", "guide-taken"]
