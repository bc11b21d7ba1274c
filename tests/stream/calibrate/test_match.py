"""Targets to holds: a wrong match is the worst defect, so the truth of many drives is demanded hold by hold."""

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stream.calibrate.speed.match import match_at, match_targets, parse_at, parse_targets
from stream.errors import InputError
from tests.stream.calibrate.hold_drives import HoldDrive
from ui.text.findings import say

ROW = tuple(float(rpm) for rpm in range(1500, 6501, 500))
LONG_ROW = (1000.0, *ROW)


def found(drive: HoldDrive, targets=ROW, pinned=True):
    """The match, with the stuck holds given as no target."""
    return match_targets(drive.holds, drive.pinned if pinned else (), targets)


@pytest.mark.parametrize("provisional", [0.7, 0.85, 1.0, 1.15, 1.3])
@pytest.mark.parametrize("zero", [-430.0, -430.0 * 1.3, -430.0 * 0.7])
def test_a_row_is_matched_whatever_the_provisional_line(provisional: float, zero: float) -> None:
    """Eleven evenly spaced speeds and an idle hold, the provisional slope off by up to 30 %."""
    drive = HoldDrive(1, provisional, zero).idle().row(*ROW)
    match = found(drive)

    assert match.target_rpm == tuple(drive.truth)
    assert not match.ambiguous


@pytest.mark.parametrize("provisional", [0.7, 1.3])
@pytest.mark.parametrize(
    ("name", "build"),
    [
        ("down", lambda d: d.idle().row(*ROW[::-1])),
        ("up and down", lambda d: d.idle().row(*ROW).row(*ROW[::-1])),
        ("again", lambda d: d.row(*ROW).idle().row(*ROW)),
        ("idle on the grid", lambda d: d.idle(1000.0).row(*ROW)),
        ("idle at both ends", lambda d: d.idle().row(*ROW).idle()),
        ("no idle", lambda d: d.row(*ROW)),
        ("one skipped", lambda d: d.idle().row(*ROW, skip=(3500.0,))),
        ("a stray between", lambda d: d.idle().row(1500, 2000, 2500, 3000).stray(3250).row(*ROW[4:])),
        ("one held twice", lambda d: d.idle().row(1500, 2000, 2500, 2500, 3000).row(*ROW[4:])),
    ],
)
def test_drives_of_many_shapes(name: str, build, provisional: float) -> None:
    """Up, down, repeated, idle, skipped, stray."""
    for seed in range(3):
        drive = build(HoldDrive(seed, provisional))

        assert found(drive).target_rpm == tuple(drive.truth), name


@pytest.mark.parametrize("provisional", [0.7, 1.3])
@pytest.mark.parametrize(("dead", "ceiling"), [(1900.0, None), (None, 5700.0), (1900.0, 5700.0)])
@pytest.mark.parametrize("as_holds", [False, True])
def test_a_dead_band_and_a_ceiling_take_the_targets_beyond(provisional, dead, ceiling, as_holds: bool) -> None:
    """Stuck stretches, recorded as pinned or as long flat holds, explain the targets without a hold."""
    for seed in range(3):
        drive = HoldDrive(seed, provisional, dead=dead, ceiling=ceiling, as_holds=as_holds)
        drive.idle().row(*LONG_ROW)
        match = found(drive, LONG_ROW)

        assert match.target_rpm == tuple(drive.truth)
        assert match.missing_below == ((1000.0, 1500.0) if dead else ())
        assert match.missing_above == ((6000.0, 6500.0) if ceiling else ())
        assert match.missing_inside == ()


@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    provisional=st.floats(0.7, 1.3),
    targets=st.lists(st.integers(14, 66), min_size=5, max_size=12, unique=True).map(
        lambda hundreds: tuple(sorted(100.0 * h for h in hundreds))
    ),
)
def test_uneven_rows_are_right_or_said_to_be_in_doubt(seed: int, provisional: float, targets) -> None:
    """Spacing decides; where speeds lie too close for the reading error nothing false is claimed."""
    gaps = [b - a for a, b in pairwise(targets)]
    if min(gaps) < 250 or targets[-1] < 1.6 * targets[0]:
        return
    drive = HoldDrive(seed, provisional, reading=20.0).idle().row(*targets)
    match = found(drive, targets)

    assert match.target_rpm == tuple(drive.truth) or match.ambiguous


@pytest.mark.parametrize("bend", [-0.1, 0.1])
def test_a_bent_converter_is_matched_too(bend: float) -> None:
    """A converter that departs by 0.1 V in the middle of its range."""
    drive = HoldDrive(4, 1.3, bend=bend).idle().row(*ROW)

    assert found(drive).target_rpm == tuple(drive.truth)


def test_two_readings_nearly_as_good_are_said_with_the_holds() -> None:
    """Stuck at both ends and the provisional speed at 0 V wrong by 430 rpm: the row can be shifted by one target."""
    drive = HoldDrive(2, 1.3, 0.0, dead=1900.0, ceiling=5700.0).idle().row(*LONG_ROW)
    match = found(drive, LONG_ROW)

    assert match.ambiguous
    told = match.findings[0]
    assert told.code == "row-ambiguous"
    assert drive.holds[0].start_s in told.values["start_s"]
    assert "--at" in say(told)


@pytest.mark.parametrize(
    ("targets", "word"),
    [
        ((3000.0, 1500.0, 2000.0, 2500.0, *ROW[4:]), "out of order"),
        (ROW[::-1], "out of order"),
        ((1500.0, 2000.0), "too few"),
        ((1500.0, 2000.0, 2500.0), "too few"),
        (tuple(float(rpm) for rpm in range(250, 13_001, 250)), "too many"),
        ((1500.0, 2500.0, -1.0), "1 to 100000 rpm"),
        ((1500.0, 2500.0, float("nan")), "1 to 100000 rpm"),
    ],
)
def test_targets_that_do_not_belong_to_the_holds(targets, word: str) -> None:
    """One line with a clear word."""
    drive = HoldDrive(5, 1.1).idle().row(*ROW)

    with pytest.raises(InputError, match=word) as caught:
        found(drive, targets)
    assert "\n" not in str(caught.value)


def test_a_list_in_the_order_driven_is_taken() -> None:
    """Up and then down, given as driven; and downwards."""
    both = (*ROW, *ROW[::-1])
    drive = HoldDrive(6, 0.8).idle().row(*both)
    assert found(drive, both).target_rpm == tuple(drive.truth)

    drive = HoldDrive(6, 0.8).idle().row(*ROW[::-1])
    assert found(drive, ROW[::-1]).target_rpm == tuple(drive.truth)


def test_too_few_holds_and_one_speed() -> None:
    """Two holds; all holds at one speed."""
    with pytest.raises(InputError, match="2 holds found"):
        found(HoldDrive(0).row(2000.0, 3000.0))
    with pytest.raises(InputError, match="one speed"):
        found(HoldDrive(0, reading=1.0).row(3000.0, 3000.0, 3000.0, 3000.0))


def test_words_that_are_no_speeds() -> None:
    """--targets and --at name the word."""
    assert parse_targets("1500, 2000,2500,") == (1500.0, 2000.0, 2500.0)
    assert parse_at(["12.5=3000"]) == ((12.5, 3000.0),)
    with pytest.raises(InputError, match="'abc'"):
        parse_targets("1500,abc,2500")
    with pytest.raises(InputError, match="'3000'"):
        parse_at(["3000"])
    with pytest.raises(InputError, match="1 to 100000 rpm"):
        parse_at(["1=-5"])
    with pytest.raises(InputError, match="1 to 100000 rpm"):
        parse_targets("1500,1e308,3000")


def test_holds_named_by_their_start() -> None:
    """--at takes the hold that contains the start or begins within two seconds of it."""
    drive = HoldDrive(7).idle().row(1500.0, 3000.0, 4500.0)
    a, b, c = drive.holds[1:]
    match = match_at(drive.holds, [(a.start_s + 1.0, 1500.0), (b.start_s - 1.0, 3000.0), (c.start_s, 4500.0)])

    assert match.target_rpm == (None, 1500.0, 3000.0, 4500.0)
    with pytest.raises(InputError, match=r"no hold there; the nearest begins at"):
        match_at(drive.holds, [(c.end_s + 60.0, 1500.0), (b.start_s, 3000.0), (c.start_s, 4500.0)])
    with pytest.raises(InputError, match="named twice"):
        match_at(drive.holds, [(a.start_s, 1500.0), (a.start_s, 3000.0), (c.start_s, 4500.0)])
