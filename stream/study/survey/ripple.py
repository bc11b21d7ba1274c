"""Ripple: what the converter leaves of its pulses on the speed channel, and the pulses per turn that it gives away.

In every hold the pulses come at pulses × (rpm + a shared error of the provisional line's zero) / 60 Hz, folded where
the rate is too low to show them. One count must explain the lines of several holds at different speeds.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stream.study.survey.spectra import HoldSpectrum, band_power, folded
from stream.units import Floats

COUNTS: Floats = np.exp(np.arange(np.log(0.4), np.log(210.0), 0.004))
ZERO_ERRORS_RPM: Floats = np.arange(-300.0, 301.0, 50.0)  # of a provisional line
APART = 0.08  # two speeds that differ by this share are two
SWING = 2.5  # standard deviations of the foot's wander that a line is spread over
SPREAD = 0.004
WIDEST = 1.0 / 16.0  # of the rate: a line that may be anywhere proves nothing


@dataclass(frozen=True, slots=True)
class RippleLine:
    """The ripple in one hold: frequency as it is and as it shows, Hz; amplitude in the channel's unit."""

    rpm: float
    frequency_hz: float
    shown_hz: float
    amplitude: float


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


def _half_width(spectrum: HoldSpectrum, frequency_hz: Floats) -> Floats:
    share = max(SWING * spectrum.hold.speed_sd_rpm / spectrum.hold.speed_rpm, SPREAD)
    return np.asarray(np.maximum(share * frequency_hz, 2.0 * spectrum.step_hz), np.float64)


class _Peaks:
    """The greatest ratio within 1, 2, 4 … bins of every bin."""

    def __init__(self, spectrum: HoldSpectrum) -> None:
        from scipy.ndimage import maximum_filter1d

        above = spectrum.above
        self.levels = np.array([maximum_filter1d(above, 2 * (1 << level) + 1, mode="constant") for level in range(8)])

    def at(self, bins: npt.NDArray[np.int64], reach: Floats) -> Floats:
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
    return RippleLine(spectrum.hold.speed_rpm, frequency_hz + side * (centre - shown), centre, (2.0 * power) ** 0.5)


def _limit(spectrum: HoldSpectrum) -> float:
    power = spectrum.seen * float(np.median(spectrum.floor)) * 1.5 * spectrum.step_hz
    return float(np.sqrt(2.0 * power))


def _proved(lines: list[RippleLine], holds: int) -> bool:
    """Two speeds or more show it, and a good part of the holds."""
    if len(lines) < 2 or len(lines) < 0.35 * holds:
        return False
    speeds = [line.rpm for line in lines]
    return max(speeds) > (1.0 + APART) * min(speeds)
