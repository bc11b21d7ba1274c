from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from stream.errors import InputError
from stream.study.bands import band_table
from tests.stream.study.made import pull


def bump(rpm: np.ndarray) -> np.ndarray:
    return 0.5 + 0.3 * np.sin(rpm / 900)


def test_a_band_is_the_integral_of_load_over_speed_by_its_width() -> None:
    """A band's mean is the integral of load over rpm by its width."""
    table = band_table([pull(shape=bump)], 250)

    assert len(table.rpm) >= 8
    for rpm, load in zip(table.rpm, table.load[0], strict=True):
        expected = quad(lambda r: 0.5 + 0.3 * np.sin(r / 900), rpm - 125, rpm + 125)[0] / 250
        assert load == pytest.approx(expected, rel=1e-5)


def test_edges_are_multiples_of_the_width_and_half_crossed_bands_are_left_out() -> None:
    """A band counts only where a pull crosses both of its edges."""
    made = pull(start_rpm=2090, end_rpm=3990, rate=500)  # tip-in ends at 2290 rpm

    table = band_table([made], 250)

    assert list(table.rpm) == [2625.0, 2875.0, 3125.0, 3375.0, 3625.0]


def test_a_band_another_pull_did_not_cross_is_empty_not_zero() -> None:
    """What was not driven is empty, never zero."""
    table = band_table([pull(), pull(start_rpm=3600)], 250)

    assert np.isnan(table.load[1][table.rpm < 3800]).all()
    assert table.load[1][table.rpm > 4000] == pytest.approx(1.0)


def test_the_first_moments_of_a_pull_are_not_used() -> None:
    """The first 0.4 s of a pull are left out."""
    made = pull(rate=1000)
    spoiled = replace(made, load=np.where(made.time_s < 0.399, 99.0, made.load))

    assert np.nanmax(band_table([spoiled], 100).load) == pytest.approx(1.0)


def test_samples_kept_before_and_after_the_pull_are_not_used() -> None:
    """The second kept beside a pull counts for nothing."""
    made = pull()
    inner = replace(made, start_s=2.0, end_s=6.0, load=np.where((made.time_s < 2) | (made.time_s > 6), 7.0, 1.0))

    table = band_table([inner], 100)

    assert np.nanmax(table.load) == pytest.approx(1.0)
    assert (table.rpm[0], table.rpm[-1]) == (2000 + 500 * 2.4 + 50, 2000 + 500 * 6 - 50)


def test_a_converters_lag_is_taken_off_again() -> None:
    """Speed through a first-order converter of 0.1 s, integrated here; load is not delayed."""
    true = pull(shape=bump, rate=900)
    lag, seen = 0.1, np.empty_like(true.speed_rpm)
    seen[0] = true.speed_rpm[0] - 0.1 * 900  # settled
    for index in range(1, len(seen)):
        seen[index] = seen[index - 1] + 0.01 / lag * (true.speed_rpm[index - 1] - seen[index - 1])
    delayed = replace(true, speed_rpm=seen)

    wanted = band_table([true], 250)
    plain = band_table([delayed], 250)
    mended = band_table([replace(delayed, lag_s=lag)], 250)

    shared = np.intersect1d(np.intersect1d(wanted.rpm, plain.rpm), mended.rpm)
    pick = [table.load[0][np.isin(table.rpm, shared)] for table in (wanted, plain, mended)]
    assert np.abs(pick[1] - pick[0]).max() > 0.02
    assert np.abs(pick[2] - pick[0]).max() < 0.001


def test_a_dip_of_speed_is_passed_over() -> None:
    """A short dip of speed does not tear a band."""
    rise, dip = np.linspace(2000, 4000, 401), np.linspace(4000, 3500, 51)
    speed = np.concatenate([rise, dip, np.linspace(3500, 6000, 501)])
    load = np.concatenate([np.ones(401), np.full(51, -5.0), np.full(101, -5.0), np.ones(400)])
    made = replace(pull(), time_s=np.arange(len(speed)) * 0.01, speed_rpm=speed, load=load)

    table = band_table([made], 250)

    assert table.load[0][np.abs(table.rpm - 4000) > 130] == pytest.approx(1.0)


def test_missing_samples_empty_only_the_bands_they_touch() -> None:
    """A gap costs the bands that it lies in and no others."""
    made = pull()
    load = made.load.copy()
    load[(made.speed_rpm > 3300) & (made.speed_rpm < 3400)] = np.nan

    table = band_table([replace(made, load=load)], 250)

    assert list(table.rpm[np.isnan(table.load[0])]) == [3375.0]


def test_bands_narrower_than_the_data_are_named() -> None:
    """Bands with less than a few samples are named."""
    table = band_table([pull(rate=2000, step_s=0.1)], 50)

    assert table.coarse == (0,)
    assert np.isnan(table.load).any()


@pytest.mark.parametrize("width", [0, -250, float("nan"), float("inf"), 0.001])
def test_a_width_that_cannot_be_is_refused(width: float) -> None:
    """A width that is none, or makes too many bands, is refused."""
    with pytest.raises(InputError, match="band width"):
        band_table([pull()], width)


def test_pulls_with_nothing_in_them_give_no_bands() -> None:
    """Empty pulls give an empty table."""
    nothing = replace(pull(), speed_rpm=np.full(801, np.nan))

    assert band_table([nothing]).load.shape == (1, 0)


@given(st.floats(0.1, 50), st.floats(-5, 5), st.integers(50, 600))
def test_bands_follow_the_scale_and_offset_of_load(scale: float, offset: float, width: int) -> None:
    """Scale and offset of the load go straight into the bands."""
    made = pull(shape=bump, step_s=0.05)
    plain = band_table([made], width).load

    moved = band_table([replace(made, load=scale * made.load + offset)], width).load

    np.testing.assert_allclose(moved, scale * plain + offset, rtol=1e-9, atol=1e-9)


def test_speed_missing_where_the_lag_looks_empties_the_band() -> None:
    """Speed that is missing where the lag shifts it empties the band."""
    made = pull(lag_s=0.1)
    hole = (made.speed_rpm > 3260) & (made.speed_rpm < 3290)

    table = band_table([replace(made, speed_rpm=np.where(hole, np.nan, made.speed_rpm))], 250)

    assert list(table.rpm[np.isnan(table.load[0])]) == [3375.0]
