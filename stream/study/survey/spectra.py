"""Spectra of a channel over the session's holds, and how far each frequency stands above its neighbourhood."""

from dataclasses import dataclass

import numpy as np

from stream.live.records import Hold
from stream.study.survey.stretch import Stretches
from stream.units import Floats

MOST_HOLDS = 14
SEGMENT_S = 1.0
FEWEST_SAMPLES = 128
LOWEST_HZ = 3.0  # below it is the foot
MOST_S = 15.0


@dataclass(frozen=True, slots=True)
class HoldSpectrum:
    """One hold's power density (unit²/Hz) on frequencies of equal step; floor: what stands around each of them.

    seen: power over floor that noise alone does not reach in a whole survey.
    """

    hold: Hold
    step_hz: float
    density: Floats
    floor: Floats
    seen: float

    @property
    def above(self) -> Floats:
        """Density over its floor; 0 where the foot's own movement would be taken for a line."""
        ratio = self.density / self.floor
        ratio[: int(np.ceil(LOWEST_HZ / self.step_hz)) + 1] = 0.0
        return ratio


def hold_spectra(stretches: Stretches, column: int, holds: tuple[Hold, ...]) -> list[HoldSpectrum]:
    """Spectra of the longest holds, in order of time; holds that are too short for one are left out."""
    longest = sorted(holds, key=lambda hold: hold.start_s - hold.end_s)[:MOST_HOLDS]
    spectra = []
    for hold in sorted(longest, key=lambda hold: hold.start_s):
        values = stretches.read([column], hold.start_s, hold.end_s, MOST_S)[:, 0]
        spectrum = spectrum_of(values, stretches.session.rate_hz, hold)
        if spectrum is not None:
            spectra.append(spectrum)
    return spectra


def spectrum_of(values: Floats, rate_hz: float, hold: Hold) -> HoldSpectrum | None:
    """Welch's averaged periodogram (1967) with a Hann window, and a running median as the floor."""
    from scipy.ndimage import median_filter
    from scipy.signal import welch

    rows = min(1 << int(np.log2(max(SEGMENT_S * rate_hz, FEWEST_SAMPLES))), len(values) // 2)
    if rows < FEWEST_SAMPLES // 2 or float(np.ptp(values)) == 0.0:
        return None
    frequency, density = welch(values, rate_hz, "hann", rows)
    near = median_filter(density, max(15, len(density) // 12) | 1, mode="nearest")
    floor = np.maximum(near, 1e-3 * float(np.median(density)) + np.finfo(np.float64).tiny)
    averages = max(1.0, 0.9 * (2.0 * len(values) / rows - 1.0))
    return HoldSpectrum(hold, float(frequency[1]), density, floor, 1.0 + 9.0 / averages**0.5 + 9.0 / averages)


def folded(frequency_hz: Floats, rate_hz: float) -> Floats:
    """Where a frequency shows after sampling: between 0 and half the rate."""
    rest = np.mod(frequency_hz, rate_hz)
    return np.minimum(rest, rate_hz - rest)


def band_power(spectrum: HoldSpectrum, low_hz: float, high_hz: float) -> float:
    """Power above the floor between two frequencies, unit²; never below zero."""
    step = spectrum.step_hz
    first = max(0, int(np.floor(low_hz / step)))
    part = slice(first, int(np.ceil(high_hz / step)) + 1)
    return max(0.0, float(np.sum(spectrum.density[part] - spectrum.floor[part])) * step)
