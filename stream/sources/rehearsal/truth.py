"""What is really so: everything a calibration or a study of a rehearsal should find, as plain data."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from stream.live.records import PullFault
from stream.sources.rehearsal.car import CALM
from stream.sources.rehearsal.driver import Mark, Needle
from stream.sources.rehearsal.engine import TUNES, Engine, Tune, best_advance, knock_advance
from stream.sources.rehearsal.motion import Motion, simulate
from stream.sources.rehearsal.script import Pull as PullStep
from stream.sources.rehearsal.script import PullAway, Shift, Stand, Step, Track
from stream.sources.rehearsal.sensors import Chain, converter_line
from stream.units import Floats

_ARRIVED_RPM = 30.0
_STEP_RPM = 5.0  # bands are judged on this grid


@dataclass(frozen=True, slots=True)
class TrueHold:
    """A hold that was driven: from arrival to leaving; `mean_rpm` is the true mean between."""

    start_s: float
    end_s: float
    target_rpm: float
    mean_rpm: float
    sd_rpm: float


@dataclass(frozen=True, slots=True)
class TruePull:
    """A pull that was driven, from the throttle's opening to its lifting, with the flaw that was planted."""

    start_s: float
    end_s: float
    start_rpm: float
    end_rpm: float
    tune: str
    gear: int
    faults: tuple[PullFault, ...]


@dataclass(frozen=True, slots=True)
class ControllerClock:
    """The engine controller's own clock: session_s = log_s * (1 + rate_ppm * 1e-6) + offset_s."""

    offset_s: float
    rate_ppm: float


@dataclass(frozen=True, slots=True)
class Truth:
    """The truth of one recording; true speed against time is `Recording.motion.at("rpm", time_s)`.

    `slope_rpm_per_unit` and `intercept_rpm` are the converter's line without lag, `zero` the session's zero
    error in mV/V (heat drift comes on top), `newtons_per_unit` the driven axle's push per mV/V, signed.
    """

    tune: str
    slope_rpm_per_unit: float
    intercept_rpm: float
    lag_s: float
    zero: float
    newtons_per_unit: float
    needle_scale_error: float
    controller: ControllerClock
    holds: tuple[TrueHold, ...]
    pulls: tuple[TruePull, ...]

    def as_json(self) -> dict[str, Any]:
        """Plain dicts and lists, ready for JSON."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class BandChange:
    """Change of the driven axle's push between two tunes, %, in one band; `rpm` is its middle."""

    rpm: float
    change_pct: float


def read_truth(motion: Motion, chain: Chain, needle: Needle, zero: float, clock: ControllerClock) -> Truth:
    """Read the truth off a motion."""
    slope, at_zero = converter_line(chain.converter)
    tune = motion.engine.tune.name
    return Truth(
        tune=tune,
        slope_rpm_per_unit=slope,
        intercept_rpm=at_zero,
        lag_s=sum(chain.converter.smoothing_s),
        zero=zero,
        newtons_per_unit=chain.link.sign * chain.link.newtons_per_unit,
        needle_scale_error=needle.scale_error,
        controller=clock,
        holds=tuple(_hold(motion, mark) for mark in motion.marks if mark.kind == "hold"),
        pulls=tuple(_pull(motion, mark, tune) for mark in motion.marks if mark.kind == "pull"),
    )


def _between(motion: Motion, start_s: float, end_s: float) -> tuple[Floats, Floats]:
    keep = (motion.time_s >= start_s) & (motion.time_s < end_s)
    return motion.time_s[keep], motion["rpm"][keep]


def _hold(motion: Motion, mark: Mark) -> TrueHold:
    """The dwell from where the engine first comes near the speed that the dwell's later part averages."""
    time_s, rpm = _between(motion, mark.start_s, mark.end_s)
    settled = rpm[len(rpm) // 3 :].mean()
    first = int(np.argmax(np.abs(rpm - settled) < _ARRIVED_RPM))
    kept = rpm[first:]
    return TrueHold(float(time_s[first]), mark.end_s, mark.target_rpm, float(kept.mean()), float(kept.std()))


def _pull(motion: Motion, mark: Mark, tune: str) -> TruePull:
    _, rpm = _between(motion, mark.start_s, mark.end_s)
    faults = (mark.fault,) if mark.fault else ()
    return TruePull(mark.start_s, mark.end_s, float(rpm[0]), float(rpm[-1]), tune, mark.gear, faults)


def push_by_band(tune: str, gear: int, edges: Sequence[float]) -> Floats:
    """Newtons of the driven axle averaged over speed in each band, (n - 1,): one pull, level, still air."""
    to_gear: list[Step] = [Shift(number) for number in range(2, gear + 1)]
    start = max(edges[0] - 400.0, 1200.0)
    script: tuple[Step, ...] = (
        Stand(1.0),
        PullAway(),
        *to_gear,
        Track(start, dwell_s=1.0),
        PullStep(to_rpm=edges[-1] + 50.0),
    )
    motion = simulate(script, TUNES[tune], CALM, Needle(), seed=0)
    pull = next(mark for mark in motion.marks if mark.kind == "pull")
    # the driveline's shuffle after tip-in has died by 0.4 s
    keep = (motion.time_s > pull.start_s + 0.4) & (motion.time_s < pull.end_s)
    grid = np.arange(edges[0], edges[-1], 1.0) + 0.5
    push = np.interp(grid, np.maximum.accumulate(motion["rpm"][keep]), motion["force"][keep])
    places = np.searchsorted(edges, grid) - 1
    return np.asarray(np.bincount(places, push) / np.bincount(places), dtype=np.float64)


def change_by_band(
    base: str,
    trial: str,
    gear: int = 3,
    band_rpm: float = 250.0,
    low_rpm: float = 2500.0,
    high_rpm: float = 6750.0,
) -> tuple[BandChange, ...]:
    """How much more (in %) the trial tune pushes the car than the base, band by band.

    Found by driving both in the model without wind, grade or instruments; edges are multiples of `band_rpm`.
    """
    edges = np.arange(np.ceil(low_rpm / band_rpm), np.floor(high_rpm / band_rpm) + 1) * band_rpm
    before, after = (push_by_band(tune, gear, edges.tolist()) for tune in (base, trial))
    change = 100.0 * (after / before - 1.0)
    middles = (edges[:-1] + edges[1:]) / 2.0
    return tuple(BandChange(float(rpm), float(pct)) for rpm, pct in zip(middles, change, strict=True))


def lost_by_band(tune: Tune, edges: Floats) -> Floats:
    """Of the torque that this engine can give at full load without knock, what a tune loses, %, (n - 1,) bands."""
    grid = np.arange(edges[0], edges[-1], _STEP_RPM) + _STEP_RPM / 2
    best = np.minimum(best_advance(grid), knock_advance(grid))
    most = Engine(Tune("best", tuple(grid.tolist()), tuple(best.tolist())))
    own = Engine(tune)
    lost = np.array([100.0 * (1.0 - own.torque(rpm, 1.0) / most.torque(rpm, 1.0)) for rpm in grid.tolist()])
    places = np.searchsorted(edges, grid) - 1
    return np.asarray(np.bincount(places, lost) / np.bincount(places), dtype=np.float64)


def beyond_knock(motion: Motion, pulls: Sequence[TruePull]) -> tuple[Floats, Floats]:
    """(rpm, degrees beyond the advance at which knock begins) in these pulls of a motion, (n,) each."""
    time_s = motion.time_s
    pulling = np.zeros(len(time_s), dtype=np.bool_)
    for pull in pulls:
        pulling |= (time_s >= pull.start_s) & (time_s < pull.end_s)
    rpm = motion["rpm"][pulling]
    return rpm, motion.engine.beyond_knock(rpm, motion["pressure"][pulling])
