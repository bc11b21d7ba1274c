"""The words and figures of the Road screen."""

import math

import pytest

from stream.block import ChannelInfo, StreamInfo
from stream.live.records import PullFault
from stream.live.view import DriveStatus, Health
from tests.ui.window.fake_feed import pull, steady
from ui.window import words


@pytest.mark.parametrize(
    ("value", "text"),
    [(2013.7, "2010"), (7400, "7400"), (0.2, "0"), (-430, "-430"), (math.nan, "–––"), (math.inf, "–––")],
)
def test_rpm_is_worth_tens(value: float, text: str) -> None:
    assert words.rpm(value) == text


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (0.4239, "mV/V", "0.42"), (-0.001, "mV/V", "0.00"), (-1.256, "V", "-1.26"), (1234.4, "N", "1230"),
        (-3.6, "microstrain", "-4"), (math.nan, "N", "–––"),
    ],
)  # fmt: skip
def test_load_is_rounded_by_its_unit(value: float, unit: str, text: str) -> None:
    assert words.load(value, unit) == text


@pytest.mark.parametrize(
    ("count", "text"),
    [
        (41_300_000_000, "41 GB"),
        (1_500_000_000, "1.5 GB"),
        (430_000_000, "430 MB"),
        (2.5e12, "2.5 TB"),
        (10, "under 1 MB"),
    ],
)
def test_disk_room(count: float, text: str) -> None:
    assert words.size(count) == text


@pytest.mark.parametrize(
    ("value", "text"), [(2.134, "2.1"), (0.00042, "0.00042"), (41.7, "42"), (1234.0, "1234"), (0.0, "0")]
)
def test_two_figures(value: float, text: str) -> None:
    assert words.two_figures(value) == text


@pytest.mark.parametrize(("value", "text"), [(0, "00:00"), (133.9, "02:13"), (3725, "1:02:05"), (-1, "00:00")])
def test_clock(value: float, text: str) -> None:
    assert words.clock(value) == text


def test_every_fault_of_a_pull_has_words() -> None:
    assert set(words.FAULT_WORDS) == set(PullFault.__args__)


def test_pull_verdict_names_each_reason() -> None:
    verdict, detail = words.pull_lines(pull(13.0, 21.0, ("part-throttle", "clipped")), 7)

    assert verdict == "flawed: not full throttle, clipped"
    assert detail == "no. 7 · 2310 to 6890 rpm · 8.0 s · gear 3 · heron"


def test_steadiness_before_there_is_enough() -> None:
    assert words.steadiness(None) == "no verdict yet"
    assert words.steadiness(steady(900, math.nan)) == "no verdict yet"


@pytest.mark.parametrize(
    ("speed", "text"),
    [(2950, "on target"), (3200, "200 above target"), (2700, "300 below target"), (math.nan, "")],
)
def test_against_target(speed: float, text: str) -> None:
    assert words.against_target(speed, 3000, 60) == text


def test_noise_in_readable_units() -> None:
    info = StreamInfo(50.0, (ChannelInfo("volts", "V"), ChannelInfo("force", "N"), ChannelInfo("third")))
    health = Health(2.0, 5, 0, {}, {"volts": 0.0021, "force": 3.3, "third": 9.0}, ("force",))
    cells = {
        what: (figure, bad) for what, figure, bad in words.health_cells(DriveStatus("running", health=health), info)
    }

    assert cells["Noise"] == ("volts 2.1 mV, force 3.3 N", False)
    assert cells["Rate"] == ("2.0 Hz", False)
    assert cells["Flat"] == ("force", True)
    assert cells["Disk"] == ("–––", False)
