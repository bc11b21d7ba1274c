"""What a survey finds, as plain records; the fields are those of its JSON. None is 'cannot be known from this drive'.

`u_*` are standard uncertainties (k = 1).
"""

import msgspec

from stream.findings import Finding


class ChannelSurvey(msgspec.Struct, frozen=True, kw_only=True):
    """One channel, in its own unit; `*_rpm` for engine speed, `*_microstrain` for a load whose bridge is known.

    noise           standard deviation of the broad-band noise in the stillest stretches, lines such as ripple left out
    scatter         standard deviation of everything in the stillest stretches
    resolution      the converter's step; None where the values are finer than their differences can show
    missing_cells   values that are not there although their row is
    spikes          excursions of up to 10 ms that come back
    railed_samples  samples in runs at the session's very top or bottom, where no range is stated and it can be told
    """

    name: str
    role: str
    unit: str
    noise: float | None
    u_noise: float | None
    noise_rpm: float | None
    noise_microstrain: float | None
    scatter: float | None
    resolution: float | None
    resolution_rpm: float | None
    resolution_microstrain: float | None
    missing_cells: int
    spikes: int
    spikes_per_minute: float
    clipped_samples: int
    railed_samples: int | None
    lowest: float | None
    highest: float | None
    flat: bool


class Dropouts(msgspec.Struct, frozen=True, kw_only=True):
    """Samples that never came."""

    lost_samples: int
    gaps: int
    gaps_per_minute: float
    longest_gap_s: float
    restarts: int


class PulsesSurvey(msgspec.Struct, frozen=True, kw_only=True):
    """Pulses a turn from the frequency of the ripple; `stated` is the car file's. said: what is
    known of the count, and what volts alone can say."""

    measured: float | None = None
    u_measured: float | None = None
    per_turn: float | None = None
    name: str | None = None
    runner_up: str | None = None
    probability: float | None = None
    stated: float | None = None
    agrees: bool | None = None
    said: Finding


class SpeedSurvey(msgspec.Struct, frozen=True, kw_only=True):
    """The speed channel. `calibrated`: rpm by a fit; otherwise by the car file's provisional line.

    ripple_rpm         largest amplitude (half of peak to peak) at the pulse frequency in a hold, at `ripple_at_rpm`
    ripple_hz          frequency at which it shows (folded where the rate is too low for it)
    ripple_left_rpm    the largest amplitude that the live low-pass lets through in any hold
    ripple_limit_rpm   amplitude below which ripple could not be seen
    lag_s              how much later speed shows than the channel `lag_from`, over `lag_places` changes of speed
    """

    name: str
    calibrated: bool
    dead_below_rpm: float | None
    u_dead_below_rpm: float | None
    ceiling_above_rpm: float | None
    u_ceiling_above_rpm: float | None
    ripple_rpm: float | None
    ripple_at_rpm: float | None
    ripple_hz: float | None
    ripple_left_rpm: float | None
    ripple_limit_rpm: float | None
    lag_s: float | None
    u_lag_s: float | None
    lag_from: str | None
    lag_in_car_file_s: float | None
    lag_places: int | None
    pulses_per_turn: PulsesSurvey


class CrossTalk(msgspec.Struct, frozen=True, kw_only=True):
    """What each does to the link, % of a strong pull, signed; the most of it that was seen."""

    bounce: float | None = None
    brake: float | None = None
    turn: float | None = None


class LoadSurvey(msgspec.Struct, frozen=True, kw_only=True):
    """The link.

    strong_pull        height of a strong pull above cruise, in the link's unit
    cross_talk_from    'marks', 'pulls' or None
    hop_rms, hop_pct   scatter that wheel hop puts on the link, in its unit and in % of a strong pull
    hop_left_pct       what of it the live low-pass lets through
    firing_amplitude   amplitude at `firing_order` times the engine's turns
    cutoff_hz          the live low-pass as it is; `cutoff_advice_hz` what would keep hop out
    """

    name: str
    unit: str
    strong_pull: float | None
    cross_talk_pct: CrossTalk
    cross_talk_from: str | None
    hop_hz: float | None
    u_hop_hz: float | None
    hop_rms: float | None
    hop_pct: float | None
    hop_left_pct: float | None
    firing_order: float | None
    firing_amplitude: float | None
    firing_pct: float | None
    cutoff_hz: float
    cutoff_advice_hz: float | None


class HoldSteadiness(msgspec.Struct, frozen=True, kw_only=True):
    """The share of one hold that the second criterion calls steady, % of `values`."""

    start_s: float
    end_s: float
    speed_rpm: float
    values: int
    agrees_pct: float


class SteadinessSurvey(msgspec.Struct, frozen=True, kw_only=True):
    """The ratio of variances on every hold, on means over `step_s`; it assumes white noise: see `lag1` and `white`."""

    critical: float
    step_s: float | None
    lag1: float | None
    white: bool | None
    agrees_pct: float | None
    holds: tuple[HoldSteadiness, ...]


class SessionPart(msgspec.Struct, frozen=True, kw_only=True):
    """Which session was surveyed."""

    path: str
    rate_hz: float
    duration_s: float
    finished: bool
    holds: int
    pulls: int


class Survey(msgspec.Struct, frozen=True, kw_only=True):
    """A whole survey.

    findings  what to change, warnings first
    remarks   what it could not see
    speed, load and steadiness are None where the car file names no such channel in the session
    """

    session: SessionPart
    channels: tuple[ChannelSurvey, ...]
    dropouts: Dropouts
    speed: SpeedSurvey | None
    load: LoadSurvey | None
    steadiness: SteadinessSurvey | None
    findings: tuple[Finding, ...]
    remarks: tuple[Finding, ...]
