"""Figures, faults, and the words of a running drive."""

import dataclasses
import math

import msgspec
import pytest

from stream.block import ChannelInfo, StreamInfo
from stream.drive.status import DriveStatus
from stream.live.records import Health, PullFault
from stream.study.force.power import PowerBand, TunePower
from tests.ui.window.fake_feed import pull, steady
from ui.text import faults, figures, road
from ui.text.tables import most_power


@pytest.mark.parametrize(
    ("value", "text"),
    [(2013.7, "2010"), (7400, "7400"), (0.2, "0"), (-430, "-430"), (math.nan, "–––"), (math.inf, "–––")],
)
def test_rpm_is_worth_tens(value: float, text: str) -> None:
    """Live speed is shown in tens: a foot wanders by more."""
    assert figures.live_rpm(value) == text


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (0.4239, "mV/V", "0.42"),
        (-0.001, "mV/V", "0.00"),
        (-1.256, "V", "-1.26"),
        (1234.4, "N", "1230"),
        (-3.6, "microstrain", "-4"),
        (math.nan, "N", "–––"),
    ],
)
def test_load_is_rounded_by_its_unit(value: float, unit: str, text: str) -> None:
    """Live load is shown in the figures that its unit is worth; no minus before a zero."""
    assert figures.live_load(value, unit) == text


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
    """Decimal units, as disks are sold."""
    assert figures.size(count) == text


@pytest.mark.parametrize(
    ("value", "text"), [(2.134, "2.1"), (0.00042, "0.00042"), (41.7, "42"), (1234.0, "1234"), (0.0, "0")]
)
def test_two_figures(value: float, text: str) -> None:
    """Two significant figures, never an exponent."""
    assert figures.two_figures(value) == text


@pytest.mark.parametrize(("value", "text"), [(0, "00:00"), (133.9, "02:13"), (3725, "1:02:05"), (-1, "00:00")])
def test_clock(value: float, text: str) -> None:
    """Minutes and seconds, hours where there are any."""
    assert figures.clock(value) == text


def test_every_fault_of_a_pull_has_words() -> None:
    """The faults that sessions and JSON may hold, as the file format lists them, are all worded, and no others."""
    kinds = "wheelspin lift gear-change part-throttle brake cornering bump clipped lost-samples too-short too-quick"
    assert set(faults.FAULTS) == {*kinds.split(), "zero-drifted", "over-limit"}
    assert set(PullFault.__args__) <= set(faults.FAULTS)
    assert faults.fault("of-a-newer-version") == "of a newer version"


def test_pull_verdict_names_each_reason() -> None:
    """A flawed pull names all of its faults."""
    verdict, detail = road.pull_lines(pull(13.0, 21.0, ("part-throttle", "clipped")), 7)

    assert verdict == "flawed: not full throttle, clipped"
    assert detail == "2310 to 6890 rpm · 8.0 s · gear 3 · heron · no. 7"


def test_steadiness_before_there_is_enough() -> None:
    """Before there is a verdict, that is said."""
    assert road.steadiness(None) == "no verdict yet"
    assert road.steadiness(steady(900, math.nan)) == "no verdict yet"


def test_steady_long_enough_and_not_held_is_drift() -> None:
    """No line says '3.5 of 3.0 s' while nothing is held: a slow sweep stays in the band and drifts."""
    creeping = dataclasses.replace(steady(3920, 30.0), steady_s=3.5, needed_s=3.0, holding=False)
    assert road.steadiness(creeping) == "not steady enough yet"


@pytest.mark.parametrize(
    ("speed", "text"),
    [(2950, "on target"), (3200, "200 above target"), (2700, "300 below target"), (math.nan, "")],
)
def test_against_target(speed: float, text: str) -> None:
    """Speed against the target in words."""
    assert road.against_target(speed, 3000, 60) == text


def test_noise_in_readable_units() -> None:
    """Noise stands in a unit that shows figures."""
    info = StreamInfo(50.0, (ChannelInfo("volts", "V"), ChannelInfo("force", "N"), ChannelInfo("third")))
    health = Health(2.0, 5, 0, {}, {"volts": 0.0021, "force": 3.3, "third": 9.0}, ("force",))
    cells = {
        what: (figure, bad) for what, figure, bad in road.health_cells(DriveStatus("running", health=health), info)
    }

    assert cells["Noise"] == ("volts 2.1 mV, force 3.3 N", False)
    assert cells["Rate"] == ("2.0 Hz", False)
    assert cells["Flat"] == ("force", True)
    assert cells["Disk"] == ("–––", False)


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [
        (1720.347, 0.52, "1720.35"),
        (1720.347, 5.2, "1720.3"),
        (1720.347, 52.0, "1720"),
        (12345.6, 520.0, "12350"),
        (-0.0004, 0.05, "0.000"),
        (2.34567, None, "2.346"),
        (None, 0.1, ""),
    ],
)
def test_figures_follow_the_uncertainty(value: float | None, u: float | None, text: str) -> None:
    """A value is rounded to the second figure of its uncertainty (GUM 7.2.6: two figures are enough)."""
    assert figures.figures(value, u) == text


@pytest.mark.parametrize(
    ("value", "u", "text"), [(0.12345, 0.01, "0.123 ± 0.020"), (98765.0, 1000.0, "98800 ± 2000"), (1.5, 0.0, "1.5")]
)
def test_a_value_and_its_interval_end_at_the_same_figure(value: float, u: float, text: str) -> None:
    """Half a 95 % interval is 1.96 standard uncertainties, shown to two figures, and the value no further."""
    assert figures.plus_minus(value, u) == text


@pytest.mark.parametrize(
    ("value", "text"), [(0.04, "0.0"), (-0.04, "0.0"), (1.25, "+1.2"), (-12.4, "-12"), (None, "?")]
)
def test_a_change_has_a_sign_only_where_it_is_one(value: float | None, text: str) -> None:
    """Per cent to one decimal; what rounds to zero is neither gain nor loss."""
    assert figures.pct(value, sign=True) == text


@pytest.mark.parametrize(
    ("kilowatts", "told"),
    [
        ((40.0, 52.0, 50.0), "most at 4500 rpm"),
        ((40.0, 50.0, 52.0), "at the end of the curve (5000 rpm): still rising"),
    ],
)
def test_the_end_of_a_curve_is_no_peak(kilowatts: tuple[float, ...], told: str) -> None:
    """Where the last band has the most power, it is said to be still rising: what follows was not driven."""
    bands = tuple(
        msgspec.convert(
            dict.fromkeys(PowerBand.__struct_fields__, 1.0) | {"n": 3, "rpm": rpm, "wheel_power_kw": power},
            PowerBand,
        )
        for rpm, power in zip((4000.0, 4500.0, 5000.0), kilowatts, strict=True)
    )

    assert most_power(TunePower(tune="heron", gear=3, pulls=3, bands=bands)).endswith(told)
