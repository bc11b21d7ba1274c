"""Holds confirmed after the fit: found by a provisional line with wider floors, is each steady by the fitted one?"""

from collections.abc import Sequence

import numpy as np

from stream.calibrate.speed.speed_model import SpeedFit
from stream.car import HoldRule
from stream.findings import Finding, warning
from stream.live.records import Hold
from stream.live.steadiness import Steadiness, slope_of
from stream.units import Floats

MOST_SHARE = 1 / 3  # a row that loses more than this to the check is kept whole: its foot is that restless
CLEARLY = 1.15  # half way to the floors of a provisional line: a foot that is barely too restless is told, not dropped
_STEP_S = 0.1


def unsteady_reason(
    fit: SpeedFit, hold: Hold, time_s: Floats, signal: Floats, rule: HoldRule, room: float = 1.0
) -> Finding | None:
    """Why a hold is none by the fitted line, or None. time_s, signal: the session's live ticks, (n,), in the signal's
    own unit; room: what the floors are multiplied by.

    The floors are no longer those of a provisional line. A hold that has within it `min_s` in the band, no drift in
    it, is one.
    """
    inside = (time_s >= hold.start_s) & (time_s < hold.end_s) & np.isfinite(signal)
    ticks = np.flatnonzero(inside)
    if len(ticks) < 4:
        return None
    rpm = np.asarray(fit.rpm(signal[ticks]), np.float64)
    rate = 1.0 / float(np.median(np.diff(time_s[ticks])))
    steady = Steadiness(rule, rate, room)
    if _steady(rpm, steady):
        return None
    size, step = min(steady.min_ticks, len(rpm)), max(1, round(_STEP_S * rate))
    starts = range(0, len(rpm) - size + 1, step)
    if any(_steady(rpm[start : start + size], steady) for start in starts):
        return None
    mean = float(np.mean(rpm))
    drift = slope_of(rpm, rate)
    if drift.beyond(steady.drift_limit(mean)):
        return warning(
            "unsteady-hold", start_s=hold.start_s, drift_rpm_per_s=drift.rpm_per_s, swing_rpm=None, band_rpm=None
        )
    swing, band = float(np.quantile(np.abs(rpm - mean), 0.97)), Steadiness(rule, rate, 1.0).band(mean)
    return warning("unsteady-hold", start_s=hold.start_s, drift_rpm_per_s=None, swing_rpm=swing, band_rpm=band)


def worth_leaving_out(unsteady: Sequence[int], used: Sequence[int], signal: Floats) -> bool:
    """Whether the row can do without these holds: most of it stays, with three points and more than one signal."""
    rest = [index for index in used if index not in unsteady]
    return len(unsteady) <= MOST_SHARE * len(used) and len(rest) >= 3 and float(np.ptp(signal[rest])) > 0.0


def _steady(rpm: Floats, steady: Steadiness) -> bool:
    mean = float(np.mean(rpm))
    return steady.in_band(rpm) and not slope_of(rpm, steady.rate_hz).beyond(steady.drift_limit(mean))
