"""Cao and Rhinehart's variance ratio against its algebra and a Monte Carlo of white noise.

J. Process Control 5(6):363, 1995 (from memory). The critical values are a Monte Carlo of 2e5 white-noise series made
apart from this code; the paper's own table was not found.
"""

import numpy as np
import pytest

from stream.study.survey.steady import variance_ratio


def last_ratios(factors: tuple[float, float, float], series: int = 4000) -> np.ndarray:
    rng = np.random.default_rng(5)
    return np.array([variance_ratio(rng.normal(size=120), *factors)[-1] for _ in range(series)])


@pytest.mark.parametrize(
    ("factors", "mean", "median", "high"),
    [
        ((0.2, 0.1, 0.1), 1.038, 0.999, 1.438),
        ((0.1, 0.1, 0.1), 1.045, 0.998, 1.495),
        ((0.05, 0.05, 0.05), 1.023, 0.999, 1.325),
    ],
)
def test_white_noise_follows_the_known_distribution(factors, mean: float, median: float, high: float) -> None:
    """Mean, median and 95 % point of R for steady white noise."""
    ratios = last_ratios(factors)

    assert np.mean(ratios) == pytest.approx(mean, abs=0.02)
    assert np.median(ratios) == pytest.approx(median, abs=0.02)
    assert np.mean(ratios > high) == pytest.approx(0.05, abs=0.012)


def test_a_ramp_without_noise_gives_its_exact_value() -> None:
    """R = (2 - l1) / l1 squared on a ramp: 45 at l1 = 0.2."""
    assert variance_ratio(np.arange(400.0), 0.2, 0.1, 0.1)[-1] == pytest.approx(45.0, rel=1e-6)


def test_a_ramp_under_noise_is_seen() -> None:
    """A ramp of half the noise per sample: mean R 6.48 (simulated), far above the critical value."""
    rng = np.random.default_rng(6)
    ratios = [variance_ratio(0.5 * np.arange(200) + rng.normal(size=200))[-1] for _ in range(2000)]

    assert np.mean(ratios) == pytest.approx(6.48, rel=0.04)
    assert np.mean(np.array(ratios) > 1.438)  # the 95 % point of white noise > 0.99
