"""Ripple: what the converter leaves of its pulses on the speed channel, and the pulses per turn that it gives away.

In every hold the pulses come at pulses × (rpm + a shared error of the provisional line's zero) / 60 Hz, folded where
the rate is too low to show them. One count must explain the lines of several holds at different speeds.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stream import series
from stream.live.records import Hold
from stream.units import Floats, Ints

SEGMENT_S = 1.0
FEWEST_SAMPLES = 128
LOWEST_HZ = 3.0  # below it is the foot
COUNTS: Floats = np.exp(np.arange(np.log(0.4), np.log(210.0), 0.004))
ZERO_ERRORS_RPM: Floats = np.arange(-600.0, 601.0, 50.0)  # of a provisional line
FEWEST_LINES = 3
OFF_THE_LINE = 0.03  # chosen: a converter that bends by 3 % is far from straight, another vibration is farther off
APART = 0.08  # two speeds that differ by this share are two
SWING = 2.5  # standard deviations of the foot's wander that a line is spread over
SPREAD = 0.004
WIDEST = 1.0 / 16.0  # of the rate: a line that may be anywhere proves nothing


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


def spectrum_of(values: Floats, rate_hz: float, hold: Hold) -> HoldSpectrum | None:
    """Welch's averaged periodogram (1967) with a Hann window, and a running median as the floor."""
    rows = min(1 << int(np.log2(max(SEGMENT_S * rate_hz, FEWEST_SAMPLES))), len(values) // 2)
    if rows < FEWEST_SAMPLES // 2 or float(np.ptp(values)) == 0.0:
        return None
    frequency, density = series.welch(values, rate_hz, rows)
    near = series.running_median(density, max(15, len(density) // 12) | 1)
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


@dataclass(frozen=True, slots=True)
class RippleLine:
    """The ripple in one hold: frequency as it is and as it shows, Hz; amplitude in the channel's unit."""

    hold: Hold
    frequency_hz: float
    shown_hz: float
    amplitude: float

    @property
    def rpm(self) -> float:
        """Speed of the hold, as it was found."""
        return self.hold.speed_rpm


@dataclass(frozen=True, slots=True)
class Ripple:
    """Lines of the holds in which it is seen; `limit`: the amplitude, channel's unit, that could not have hidden."""

    lines: tuple[RippleLine, ...]
    limit: float | None


def find_ripple(spectra: list[HoldSpectrum], rate_hz: float, *, provisional: bool) -> Ripple:
    """The ripple of a session, from the spectra of its holds. No lines where no count explains two speeds."""
    usable = [spectrum for spectrum in spectra if spectrum.hold.speed_rpm > 300.0]
    if not usable:
        return Ripple((), None)
    limit = float(np.median([_limit(spectrum) for spectrum in usable]))
    errors = ZERO_ERRORS_RPM if provisional and len(usable) >= 3 else np.zeros(1)
    best, best_score = (0.0, 0.0), 0.0
    peaks = [_Peaks(spectrum) for spectrum in usable]
    for error in errors[np.argsort(np.abs(errors), kind="stable")].tolist():
        score = np.zeros(len(COUNTS))
        for spectrum, peak in zip(usable, peaks, strict=True):
            score += _score(spectrum, peak, COUNTS * (spectrum.hold.speed_rpm + error) / 60.0, rate_hz)
        place = int(np.argmax(score))
        if score[place] > 1.02 * best_score:
            best, best_score = (float(COUNTS[place]), error), float(score[place])
    lines = [
        line
        for spectrum in usable
        if (line := _line(spectrum, best[0] * (spectrum.hold.speed_rpm + best[1]) / 60.0, rate_hz)) is not None
    ]
    return Ripple(tuple(lines) if _proved(lines, len(usable)) else (), limit)


def pulse_hz(holds: Sequence[Hold], spectra: list[HoldSpectrum], rate_hz: float) -> tuple[float | None, ...]:
    """Pulse frequency in each hold, Hz; None where no ripple is seen, or where it is not that of the other holds.

    A straight converter gives volts in proportion to the frequency and an offset, so the frequencies of a row lie on
    one line over the signal; what lies far off that line is some other vibration and no evidence. Nothing is told by
    fewer than three.
    """
    lines = find_ripple(spectra, rate_hz, provisional=True).lines
    if len(lines) < FEWEST_LINES:
        return (None,) * len(holds)
    x = np.array([line.hold.signal_mean for line in lines])
    hz = np.array([line.frequency_hz for line in lines])
    good = np.ones(len(lines), np.bool_)
    for _ in range(3):
        if np.count_nonzero(good) < FEWEST_LINES or np.ptp(x[good]) == 0.0:
            return (None,) * len(holds)
        slope, zero = np.polyfit(x[good], hz[good], 1)
        good = np.abs(hz - slope * x - zero) <= OFF_THE_LINE * hz
    if np.count_nonzero(good) < FEWEST_LINES:
        return (None,) * len(holds)
    known = {
        (line.hold.start_s, line.hold.signal_mean): float(line.frequency_hz)
        for line, use in zip(lines, good, strict=True)
        if use
    }
    return tuple(known.get((hold.start_s, hold.signal_mean)) for hold in holds)


def _half_width(spectrum: HoldSpectrum, frequency_hz: Floats) -> Floats:
    share = max(SWING * spectrum.hold.speed_sd_rpm / spectrum.hold.speed_rpm, SPREAD)
    return np.asarray(np.maximum(share * frequency_hz, 2.0 * spectrum.step_hz), np.float64)


class _Peaks:
    """The greatest ratio within 1, 2, 4 … bins of every bin."""

    def __init__(self, spectrum: HoldSpectrum) -> None:
        above = spectrum.above
        self.levels = np.array([series.running_max(above, 2 * (1 << level) + 1) for level in range(8)])

    def at(self, bins: Ints, reach: Floats) -> Floats:
        level = np.clip(np.ceil(np.log2(np.maximum(reach, 1.0))), 0, 7).astype(np.int64)
        return np.asarray(self.levels[level, bins], np.float64)


def _score(spectrum: HoldSpectrum, peaks: _Peaks, frequency_hz: Floats, rate_hz: float) -> Floats:
    """Evidence of one hold for each frequency: log of how far its line stands out, less the price of a wide look."""
    width = _half_width(spectrum, frequency_hz)
    bins = np.rint(folded(frequency_hz, rate_hz) / spectrum.step_hz).astype(np.int64)
    height = peaks.at(np.minimum(bins, len(spectrum.density) - 1), width / spectrum.step_hz)
    evidence = np.where(height > spectrum.seen, np.log(np.maximum(height, 1.0)), 0.0)
    evidence = np.maximum(evidence - 0.3 * np.log(width / (2.0 * spectrum.step_hz)), 0.0)
    return np.asarray(np.where(width < WIDEST * rate_hz, evidence, 0.0), np.float64)


def _line(spectrum: HoldSpectrum, frequency_hz: float, rate_hz: float) -> RippleLine | None:
    width = float(_half_width(spectrum, np.array([frequency_hz]))[0])
    if frequency_hz <= 0 or width >= WIDEST * rate_hz:
        return None
    shown = float(folded(np.array([frequency_hz]), rate_hz)[0])
    first = max(0, int((shown - width) / spectrum.step_hz))
    part = slice(first, int((shown + width) / spectrum.step_hz) + 2)
    above = spectrum.above[part]
    if not len(above) or float(np.max(above)) < spectrum.seen:
        return None
    excess = np.maximum(spectrum.density[part] - spectrum.floor[part], 0.0)
    centre = float(np.average((first + np.arange(len(excess))) * spectrum.step_hz, weights=excess))
    side = 1.0 if np.mod(frequency_hz, rate_hz) <= rate_hz / 2.0 else -1.0
    power = band_power(spectrum, centre - width - 2 * spectrum.step_hz, centre + width + 2 * spectrum.step_hz)
    return RippleLine(spectrum.hold, frequency_hz + side * (centre - shown), centre, (2.0 * power) ** 0.5)


def _limit(spectrum: HoldSpectrum) -> float:
    power = spectrum.seen * float(np.median(spectrum.floor)) * 1.5 * spectrum.step_hz
    return float(np.sqrt(2.0 * power))


def _proved(lines: list[RippleLine], holds: int) -> bool:
    """Two speeds or more show it, and a good part of the holds."""
    if len(lines) < 2 or len(lines) < 0.35 * holds:
        return False
    speeds = [line.rpm for line in lines]
    return max(speeds) > (1.0 + APART) * min(speeds)
