"""The causal low-pass that engine speed and load both pass, with its state carried over block edges.

Here too: how the live stage treats a stream, that is its rates, corner, delay, and which columns it looks at.
"""

from dataclasses import dataclass

import numpy as np

from stream.block import StreamInfo
from stream.car import Car
from stream.errors import InputError
from stream.findings import Finding, note, warning
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


SLOWEST_PULLS_HZ = 5.0  # under it there is no verdict on pulls and pinned stretches
SLOWEST_HOLDS_HZ = 1.0  # chosen: recorders of a car's diagnosis port write one to three rows a second
EVIDENCE_ROLES = ("road_speed", "throttle", "manifold_pressure")  # other channels that show the engine alive


@dataclass(frozen=True, slots=True)
class StageSettings:
    """How the stage treats a stream: what is written beside /live."""

    live_rate_hz: float
    decimation: int
    cutoff_hz: float
    delay_s: float
    filter: str
    verdicts: bool
    pull_verdicts: bool
    remarks: tuple[Finding, ...]


def stage_settings(car: Car, info: StreamInfo, low_pass: LowPass, every: int) -> StageSettings:
    """The settings for a stream of this rate, and what must be said of them."""
    remarks = []
    if low_pass.cutoff_hz != car.live.cutoff_hz:
        wanted, corner = car.live.cutoff_hz, low_pass.cutoff_hz
        remarks.append(note("slow-for-low-pass", rate_hz=info.rate_hz, wanted_hz=wanted, corner_hz=corner))
    verdicts, pull_verdicts = info.rate_hz >= SLOWEST_HOLDS_HZ, info.rate_hz >= SLOWEST_PULLS_HZ
    if not pull_verdicts:
        remarks.append(warning("slow-for-verdicts", rate_hz=info.rate_hz, holds=verdicts))
    return StageSettings(
        live_rate_hz=info.rate_hz / every,
        decimation=every,
        cutoff_hz=low_pass.cutoff_hz,
        delay_s=low_pass.delay_s,
        filter=f"Butterworth low-pass, order 4, {low_pass.cutoff_hz:g} Hz, causal",
        verdicts=verdicts,
        pull_verdicts=pull_verdicts,
        remarks=tuple(remarks),
    )


def stage_columns(car: Car, info: StreamInfo) -> list[int]:
    """Columns of the stream that the stage filters: engine speed first, load next where there is one, then others.

    Raises InputError where the stream does not carry the car's engine speed.
    """
    names = info.names
    speed = car.need("engine_speed", "the live stage")
    if speed.name not in names:
        raise InputError(
            f"{car.where}: engine speed is channel {speed.name!r}, but the stream carries {', '.join(names[:12])}; "
            "make the names match"
        )
    wanted = [speed]
    wanted += [channel for role in ("load", *EVIDENCE_ROLES) if (channel := car.by_role(role)) is not None]  # type: ignore[arg-type]
    return [names.index(channel.name) for channel in wanted if channel.name in names]


def throttle_place(car: Car, info: StreamInfo, columns: list[int]) -> int | None:
    """Which of the other filtered columns tells full throttle: throttle itself, else manifold pressure."""
    for channel in (car.by_role("throttle"), car.by_role("manifold_pressure")):
        if channel is not None and channel.name in info.names:
            return columns.index(info.names.index(channel.name)) - 1
    return None
