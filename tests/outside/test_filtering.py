"""Block-wise filtering and the error of a mean against scipy and an independent estimate.

The live filter is a fourth-order Butterworth low-pass: the order stands here as what is wanted of it.
"""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal, stats

from stream.calibrate.speed.line import fit_york
from stream.live.filters import LowPass
from stream.live.mean import mean_with_error, pooled_errors


@given(cuts=st.lists(st.integers(1, 1999), max_size=40), rate=st.sampled_from([50.0, 200.0, 1000.0, 10000.0]))
@settings(max_examples=60, deadline=None)
def test_block_wise_is_whole_array(cuts: list[int], rate: float) -> None:
    """However a signal is cut, the filter gives scipy's result on the whole of it, to the bit."""
    x = np.random.default_rng(1).normal(size=(2000, 2)) + 3.0
    low_pass = LowPass(rate, 10.0)
    borders = sorted({0, 2000, *cuts})

    parts = [low_pass.push(x[a:b]) for a, b in pairwise(borders)]

    sos = signal.butter(4, 10.0, fs=rate, output="sos")
    expected, _ = signal.sosfilt(sos, x, axis=0, zi=signal.sosfilt_zi(sos)[:, :, np.newaxis] * x[0])
    assert np.array_equal(np.concatenate(parts), expected)


@pytest.mark.parametrize("rate", [50.0, 100.0, 1000.0])
def test_the_delay_is_scipys_group_delay(rate: float) -> None:
    """Group delay at rest against scipy.signal.group_delay, and near the Butterworth table's 2.6131 / (2 pi fc)."""
    low_pass = LowPass(rate, 10.0)
    b, a = signal.butter(4, 10.0, fs=rate)

    _, delay = signal.group_delay((b, a), w=[1e-3 * rate], fs=rate)

    assert low_pass.delay_s * rate == pytest.approx(delay[0], rel=0.01)
    if rate >= 1000:
        assert low_pass.delay_s == pytest.approx(2.6131 / (2 * np.pi * 10.0), rel=2e-3)


@pytest.mark.parametrize("phi", [0.0, 0.8, 0.95])
def test_the_error_of_an_autocorrelated_mean(phi: float) -> None:
    """Against the scatter of the means of many series of the same AR(1) process: neither too small by more than a
    tenth, nor larger than by a half."""
    rng = np.random.default_rng(2)
    series = signal.lfilter([1.0], [1.0, -phi], rng.normal(size=(1200, 1600)), axis=1)[:, 600:]

    stated = np.array([mean_with_error(row, 100.0)[2] for row in series])

    actual = np.std(series.mean(axis=1))
    exact = np.sqrt(np.sum([(1 - abs(k) / 1000) * phi ** abs(k) for k in range(-999, 1000)]) / 1000 / (1 - phi**2))
    assert actual == pytest.approx(exact, rel=0.08)
    assert 0.9 < np.sqrt(np.mean(stated**2)) / exact < 1.5


@pytest.mark.parametrize("seconds", [5.0, 8.0, 20.0])
def test_the_interval_of_a_hold_under_slow_wander_holds(seconds: float) -> None:
    """A foot that wanders with a time constant of 1.5 s, in a hold that may last only three of them: Student's t on the
    effective count (scipy.stats) holds the mean about as often as it says; it did so in 70 % of cases before."""
    rate, tau = 100.0, 1.5
    phi = np.exp(-1 / (rate * tau))
    rng = np.random.default_rng(7)
    count = int(seconds * rate)
    wander = signal.lfilter([np.sqrt(1 - phi**2)], [1.0, -phi], rng.normal(size=(500, count + 1500)), axis=1)[:, 1500:]

    held = 0
    for row in 30 * wander + rng.normal(0, 5, wander.shape):
        mean, _, error, effective = mean_with_error(row, rate)
        held += abs(mean) < stats.t.ppf(0.975, max(effective - 1, 1)) * error

    assert 0.90 < held / len(wander) < 0.98


@pytest.mark.parametrize("unlike", [0.0, 0.5])
def test_a_row_of_holds_shares_what_it_knows_of_the_wander(unlike: float) -> None:
    """Nine short holds under slow wander, alike or of quite different size: the interval of a slope weighed with the
    pooled errors holds about as often as it says (York 2004 through the public fit's line; with each hold's own error
    it held in 77 to 79 %), and the slope scatters less than with each hold's own error."""
    rng = np.random.default_rng(3)
    rate, tau, rows = 100.0, 1.5, 150
    phi = np.exp(-1 / (rate * tau))
    target = np.linspace(1000.0, 5000.0, 9)
    held, off = 0, {"own": [], "pooled": []}
    for _ in range(rows):
        seconds = rng.uniform(4, 8, 9)
        found = []
        for length in seconds:
            noise = rng.normal(size=int(length * rate) + 1500) * np.sqrt(1 - phi**2)
            wander = signal.lfilter([1.0], [1.0, -phi], noise)[1500:]
            found.append(mean_with_error(20 * np.exp(unlike * rng.normal()) * wander, rate))
        mean, _, error, effective = np.array(found).T
        own = fit_york(target + mean, target, error, np.full(9, 1.0))
        pooled = fit_york(target + mean, target, pooled_errors(error, effective, seconds), np.full(9, 1.0))
        held += abs(pooled.slope - 1) < stats.norm.ppf(0.975) * pooled.u_slope
        off["own"].append(own.slope - 1)
        off["pooled"].append(pooled.slope - 1)

    assert 0.88 < held / rows < 0.99
    assert np.std(off["pooled"]) < np.std(off["own"])
