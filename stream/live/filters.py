"""The causal low-pass that engine speed and load both pass, with its state carried over block edges."""

import numpy as np

from stream.units import Floats

ORDER = 4


def cutoff_for(rate_hz: float, wanted_hz: float) -> float:
    """The corner that a stream of `rate_hz` can carry: the wanted one, or a fifth of a rate under four corners."""
    return wanted_hz if rate_hz >= 4.0 * wanted_hz else rate_hz / 5.0


class LowPass:
    """Butterworth low-pass of order 4 in second-order sections, float64.

    The recursion runs sample by sample, so any split of the same samples gives the same result to the bit.
    """

    def __init__(self, rate_hz: float, cutoff_hz: float) -> None:
        from scipy import signal  # half a second to load: only where something is filtered

        self.rate_hz = rate_hz
        self.cutoff_hz = cutoff_hz
        self._sos: Floats = signal.butter(ORDER, cutoff_hz, fs=rate_hz, output="sos")
        self._rest: Floats = signal.sosfilt_zi(self._sos)
        self._filter = signal.sosfilt
        self._state: Floats | None = None
        # Group delay at rest, seconds: what a slow change is late by.
        self.delay_s = self._delay_samples() / rate_hz
        # Samples after a gap before anything is judged: three times the group delay.
        self.settle_samples = int(np.ceil(3.0 * self.delay_s * rate_hz))

    def _delay_samples(self) -> float:
        """For H(z) = B(z)/A(z): sum(k b_k)/sum(b_k) - sum(k a_k)/sum(a_k) at z = 1, section by section."""
        k = np.arange(3)
        return float(sum(k @ row[:3] / row[:3].sum() - k @ row[3:] / row[3:].sum() for row in self._sos))

    def reset(self) -> None:
        """Forget the past: the next sample is taken as if it had stood for ever."""
        self._state = None

    def push(self, samples: Floats) -> Floats:
        """Filter rows (n, channels), all finite; the state stays for the next call."""
        if self._state is None:
            self._state = self._rest[:, :, np.newaxis] * samples[0]
        filtered, self._state = self._filter(self._sos, samples, axis=0, zi=self._state)
        return filtered
