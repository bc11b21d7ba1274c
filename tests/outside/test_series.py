"""The filters and curves of `stream/series.py` against their namesakes in SciPy (reference library)."""

import numpy as np
import pytest
from scipy import interpolate, ndimage, signal

from stream import series

RNG = np.random.default_rng(5)
VALUES = RNG.normal(size=2000).cumsum()
CLOSE = {"rtol": 1e-9, "atol": 1e-11}


@pytest.mark.parametrize("rows", [64, 129, 256])
def test_welch_is_scipys(rows: int) -> None:
    """Frequencies and density are those of scipy.signal.welch with a Hann window."""
    frequency, density = series.welch(VALUES, 200.0, rows)
    expected_frequency, expected = signal.welch(VALUES, 200.0, "hann", rows)
    np.testing.assert_allclose(frequency, expected_frequency, **CLOSE)
    np.testing.assert_allclose(density, expected, **CLOSE)


@pytest.mark.parametrize("factor", [0.05, 0.2, 1.0])
def test_smoothed_is_lfilters_recursion(factor: float) -> None:
    """A first-order recursion from a start value is that of scipy.signal.lfilter."""
    expected, _ = signal.lfilter([factor], [1.0, factor - 1.0], VALUES, zi=np.array([(1.0 - factor) * 3.0]))
    np.testing.assert_allclose(series.smoothed(VALUES, factor, 3.0), expected, **CLOSE)


@pytest.mark.parametrize(("rate_hz", "cutoff_hz"), [(50.0, 10.0), (1000.0, 25.0), (10000.0, 25.0)])
def test_the_low_pass_is_butterworths(rate_hz: float, cutoff_hz: float) -> None:
    """Two sections are scipy's Butterworth of order 4, from rest."""
    values = np.column_stack((VALUES, RNG.normal(size=len(VALUES))))
    sections = signal.butter(4, cutoff_hz, fs=rate_hz, output="sos")
    expected = signal.sosfilt(sections, values, axis=0)
    np.testing.assert_allclose(series.low_pass_4(values, rate_hz, cutoff_hz), expected, rtol=1e-7, atol=1e-8)


@pytest.mark.parametrize(("rows", "order"), [(5, 2), (25, 2), (31, 3)])
def test_local_parabolas_are_savgol_filters(rows: int, order: int) -> None:
    """Values and slopes, ends too, are those of scipy.signal.savgol_filter."""
    expected = signal.savgol_filter(VALUES, rows, order)
    np.testing.assert_allclose(series.local_parabola(VALUES, rows, order), expected, **CLOSE)
    expected = signal.savgol_filter(VALUES, rows, order, deriv=1, delta=0.05)
    np.testing.assert_allclose(series.local_parabola(VALUES, rows, order, 0.05), expected, rtol=1e-8, atol=1e-9)


@pytest.mark.parametrize("rows", [3, 15, 257])
def test_running_median_and_maximum_are_ndimages(rows: int) -> None:
    """Both are those of scipy.ndimage to the bit, whatever the values; the maximum takes 0 beyond the ends."""
    values = np.abs(VALUES[:200])
    np.testing.assert_array_equal(
        series.running_median(values, rows), ndimage.median_filter(values, rows, mode="nearest")
    )
    np.testing.assert_array_equal(
        series.running_max(values, rows), ndimage.maximum_filter1d(values, rows, mode="constant")
    )


def test_the_bell_is_ndimages() -> None:
    """A Gaussian of sigma 1 and 2.5 is scipy.ndimage.gaussian_filter1d."""
    for sigma in (1.0, 2.5):
        np.testing.assert_allclose(series.gaussian(VALUES, sigma), ndimage.gaussian_filter1d(VALUES, sigma), **CLOSE)


@pytest.mark.parametrize("values", [[1, 2], [1, 2, 4], [0, 1, 1, 3, 2, 5], [3, 1, 0.5, 0.4, 0.1], [0, 0, 5, 5, -1]])
def test_the_monotone_cubic_is_scipys_pchip(values: list[float]) -> None:
    """Curve and slope are those of scipy.interpolate.PchipInterpolator between the knots, turns and flats included."""
    knots = np.array([0.0, 0.4, 1.1, 1.5, 2.7, 3.0])[: len(values)]
    x = np.linspace(knots[0], knots[-1], 101)
    ours, theirs = series.Pchip(knots, np.array(values)), interpolate.PchipInterpolator(knots, values)
    np.testing.assert_allclose(ours(x), theirs(x), **CLOSE)
    np.testing.assert_allclose(ours.slope(x), theirs.derivative()(x), **CLOSE)
