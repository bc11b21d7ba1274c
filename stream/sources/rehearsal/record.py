"""A script driven and recorded: motion, signals, quantisation, losses, and the truth beside what the instruments
gave.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stream.block import Samples
from stream.errors import InputError
from stream.live.steadiness import runs_of
from stream.sources.rehearsal.car import Weather
from stream.sources.rehearsal.driver import Needle
from stream.sources.rehearsal.engine import TUNES, Tune
from stream.sources.rehearsal.motion import Motion, simulate
from stream.sources.rehearsal.script import Step
from stream.sources.rehearsal.sensors import EXTRA, Chain, converter_volts, knock_level, link_signal, true_value
from stream.sources.rehearsal.truth import ControllerClock, Truth, read_truth
from stream.units import Floats


@dataclass(frozen=True, slots=True)
class DeviceChannel:
    """A channel as the device describes it: value = scale * count + offset, in `unit`."""

    name: str
    unit: str
    scale: float
    offset: float = 0.0


@dataclass(frozen=True, slots=True)
class Recording:
    """A drive as the device sends it.

    counts    int16 (rows, channels); lost samples take no row
    gaps      (row before which samples are missing, how many), by row
    """

    rate_hz: float
    channels: tuple[DeviceChannel, ...]
    counts: npt.NDArray[np.int16]
    gaps: tuple[tuple[int, int], ...]
    tune: str
    truth: Truth
    motion: Motion

    @property
    def samples(self) -> Samples:
        """float32 (rows, channels) in the channels' units, as a decoder makes them from the counts."""
        scale = np.array([channel.scale for channel in self.channels])
        offset = np.array([channel.offset for channel in self.channels])
        values: Samples = (self.counts * scale + offset).astype(np.float32)
        return values

    @property
    def index(self) -> npt.NDArray[np.int64]:
        """int64 (rows,): each row's place on the device's own count, lost samples included."""
        index = np.arange(len(self.counts), dtype=np.int64)
        for row, lost in self.gaps:
            index[row:] += lost
        return index

    @property
    def time_s(self) -> npt.NDArray[np.float64]:
        """float64 (rows,): seconds from the first sample, lost time included."""
        return np.asarray(self.index / self.rate_hz, dtype=np.float64)

    @property
    def lost_samples(self) -> int:
        """How many samples are missing altogether."""
        return sum(lost for _, lost in self.gaps)


_PLANTED_LOSS_S = 0.4  # a shorter loss than 0.25 s is bridged and spoils nothing


def record(
    script: tuple[Step, ...], tune: str | Tune, chain: Chain, weather: Weather, needle: Needle, seed: int
) -> Recording:
    """Drive `script` on `tune` (its name, or a table of its own) and record it.

    The same arguments give the same recording to the bit.
    Raises InputError for a tune or an extra channel that does not exist.
    """
    if isinstance(tune, str):
        if tune not in TUNES:
            raise InputError(f"rehearsal car: no tune {tune!r}; use one of {', '.join(TUNES)}")
        tune = TUNES[tune]
    for name in chain.extra:
        if name not in EXTRA:
            raise InputError(f"rehearsal car: no extra channel {name!r}; use one of {', '.join(EXTRA)}")
    motion = simulate(script, tune, weather, needle, seed)
    # one stream of chance per part, so that switching one on leaves the others as they were
    parts = [np.random.default_rng(part) for part in np.random.SeedSequence([seed, 1]).spawn(5)]
    session, volts_rng, link_rng, loss_rng, extra_rng = parts
    zero = chain.link.zero_sd * float(session.standard_normal())
    clock = ControllerClock(float(session.uniform(-20.0, 20.0)), float(session.uniform(-150.0, 150.0)))
    time_s = np.arange(int(motion.duration_s * chain.rate_hz)) / chain.rate_hz
    top = chain.adc.link_range[1]
    columns = [
        _convert(
            "speed_v",
            "V",
            chain.adc.speed_range,
            chain.adc.bits,
            converter_volts(motion, chain.converter, chain.rate_hz, time_s, volts_rng),
        ),
        _convert(
            "link",
            "mV/V",
            chain.adc.link_range,
            chain.adc.bits,
            link_signal(motion, chain.link, chain.rate_hz, time_s, zero, top, link_rng),
        ),
    ]
    for name, rng in zip(chain.extra, extra_rng.spawn(len(chain.extra)), strict=True):
        extra = EXTRA[name]
        clean = knock_level(motion, time_s, rng) if name == "knock" else true_value(motion, name, time_s)
        value = clean + extra.noise * rng.standard_normal(len(time_s))
        columns.append(_convert(name, extra.unit, (extra.low, extra.high), chain.adc.bits, value))
    counts = np.column_stack([column for _, column in columns])
    lost = _losses(motion, chain, len(time_s), loss_rng)
    return Recording(
        rate_hz=chain.rate_hz,
        channels=tuple(channel for channel, _ in columns),
        counts=counts[~lost],
        gaps=_gaps(lost),
        tune=tune.name,
        truth=read_truth(motion, chain, needle, zero, clock),
        motion=motion,
    )


def _convert(
    name: str, unit: str, span: tuple[float, float], bits: int, value: Floats
) -> tuple[DeviceChannel, npt.NDArray[np.int16]]:
    """Quantise over the span; what is outside sits on the rail."""
    half = 2 ** (bits - 1)
    scale = (span[1] - span[0]) / (2 * half)
    offset = (span[1] + span[0]) / 2.0
    counts = np.clip(np.rint((value - offset) / scale), -half, half - 1).astype(np.int16)
    return DeviceChannel(name, unit, scale, offset), counts


def _losses(motion: Motion, chain: Chain, rows: int, rng: np.random.Generator) -> npt.NDArray[np.bool_]:
    """Which samples never arrive: by chance and where planted. Never the first: it starts the count."""
    lost = np.zeros(rows, dtype=np.bool_)
    number = rng.poisson(chain.adc.losses_per_minute * motion.duration_s / 60.0)
    for start in rng.integers(1, max(rows, 2), number):
        lost[start : start + int(rng.integers(1, chain.adc.longest_loss + 1))] = True
    for mark in motion.marks:
        if mark.kind == "lost":
            first = int(mark.start_s * chain.rate_hz)
            lost[first : first + max(1, int(_PLANTED_LOSS_S * chain.rate_hz))] = True
    return lost


def _gaps(lost: npt.NDArray[np.bool_]) -> tuple[tuple[int, int], ...]:
    """(row in what is kept, samples missing before it); a loss at the very end shows nowhere."""
    kept_before = np.cumsum(~lost)
    gaps = []
    for start, end in runs_of(lost):
        if end < len(lost):
            gaps.append((int(kept_before[start]), end - start))
    return tuple(gaps)
