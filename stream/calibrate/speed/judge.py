"""What there is to say of a speed calibration: stated errors against scatter, odd points, ends, what was left over;
and whether each hold, found by a provisional line with wider floors, is steady by the fitted one.
"""

from collections.abc import Collection, Mapping, Sequence

import numpy as np

from stream.calibrate.speed.choose import Choice, Points
from stream.calibrate.speed.line import lack_of_fit
from stream.calibrate.speed.match import Match
from stream.calibrate.speed.speed_model import Curve, SpeedFit
from stream.car import HoldRule
from stream.findings import Finding, note, warning
from stream.live.records import Hold
from stream.live.steadiness import Steadiness, slope_of
from stream.units import Floats

_RISK = 0.05  # chosen: of widening where the stated errors are right
_LACK = 0.01  # chosen: of calling a right model the wrong shape
_FEWEST_PULSES = 3
_PULSE_RISK = 0.001  # chosen: of calling a right row wrong; a row shifted by one target fails by far more
_WEAK_SPAN = 0.3  # chosen: of the highest speed; a shorter row tells little of the slope


def widening(choice: Choice) -> float:
    """What the stated uncertainties are multiplied by: sqrt(S / dof) where S is too large for chance, else 1.

    They are never made smaller: a few points that happen to lie well do not prove a better reference.
    """
    from scipy import special

    model = choice.model
    if model.dof < 1 or special.chdtrc(model.dof, model.chi_square) > _RISK:
        return 1.0
    return float(np.sqrt(model.chi_square / model.dof))


def uneven_pulses(
    hz: Sequence[float | None], rpm: Sequence[float | None], reading_error_rpm: float
) -> tuple[float, float] | None:
    """(pulses a turn at the slowest hold, at the fastest) where 60 · frequency / speed is not one number over the holds
    whose frequency (Hz) and speed are known; None where it is, or where fewer than three speeds can tell.

    The test is of chi-square: a speed may be off by the reading error and 1 %.
    """
    from scipy import special

    pairs = sorted((n, f) for f, n in zip(hz, rpm, strict=True) if f is not None and n is not None)
    if len({n for n, _ in pairs}) < _FEWEST_PULSES:
        return None
    speed, frequency = np.array(pairs).T
    sigma = np.hypot(max(reading_error_rpm, 30.0), 0.01 * speed)
    per_hz = float(np.sum(speed * frequency / sigma**2) / np.sum((frequency / sigma) ** 2))
    misfit = float(np.sum(((speed - per_hz * frequency) / sigma) ** 2))
    if special.chdtrc(len(speed) - 1, misfit) > _PULSE_RISK:
        return None
    first, *_, last = (60.0 * frequency / speed).tolist()
    return first, last


def suspect(fit: SpeedFit, hold: Hold, rpm: float, t: float) -> Finding:
    """Why a point was left out: how far the other points say the hold lies from its target, rpm."""
    off = float(fit.rpm(hold.signal_mean)) - rpm
    return warning("suspect-hold", start_s=hold.start_s, target_rpm=rpm, off_rpm=off, studentised=t)


def fit_findings(points: Points, choice: Choice, factor: float, reading_error: float) -> list[Finding]:
    """What the points say of the model and of the stated errors."""
    from scipy import special

    model, used = choice.model, points.only(choice.used)
    found = []
    scatter = float(np.sqrt(np.sum(model.residuals**2) / max(model.dof, 1)))
    if factor > 1.0:
        found.append(
            warning("scatter-above-stated", scatter_rpm=scatter, reading_error_rpm=reading_error, factor=factor)
        )
    elif model.dof >= 3 and special.chdtr(model.dof, model.chi_square) < _RISK / 2:
        found.append(note("scatter-below-stated", scatter_rpm=scatter, reading_error_rpm=reading_error))
    lack = lack_of_fit(model.residuals, used.y.tolist(), len(used.x) - model.dof)
    if lack is not None and lack.p < _LACK:
        found.append(warning("wrong-shape", f=lack.f, p=lack.p))
    if model.dof < 3:
        found.append(warning("few-points", points=len(used.x)))
    span = float(np.ptp(used.y))
    if span < _WEAK_SPAN * float(used.y.max()):
        found.append(warning("short-row", span_rpm=span))
    if len(np.unique(used.y)) == 2:
        found.append(warning("two-speeds"))
    return found


def drive_findings(
    fit: SpeedFit,
    holds: Sequence[Hold],
    match: Match,
    candidates: Sequence[int],
    choice: Choice,
    dropped: Collection[int] = (),
) -> list[Finding]:
    """Dead band, ceiling, suspects, strays and skipped targets."""
    found = []
    if fit.dead_below_rpm is not None:
        found.append(warning("dead-band", rpm=_dead_edge(fit, match)))
    if fit.ceiling_above_rpm is not None:
        found.append(warning("ceiling", rpm=fit.ceiling_above_rpm))
    found += [
        suspect(fit, holds[candidates[place]], float(match.target_rpm[candidates[place]] or 0.0), t)
        for place, t in sorted(choice.odd.items())
    ]
    found += [
        note("stray-hold", start_s=hold.start_s, rpm=float(fit.rpm(hold.signal_mean)))
        for index, (hold, rpm, stuck) in enumerate(zip(holds, match.target_rpm, match.stuck_at, strict=True))
        if rpm is None and stuck is None and index not in dropped
    ]
    skipped = list(match.missing_inside)
    skipped += match.missing_below if fit.dead_below_rpm is None else ()
    skipped += match.missing_above if fit.ceiling_above_rpm is None else ()
    if skipped:
        found.append(note("targets-without-hold", targets_rpm=tuple(sorted(skipped))))
    if isinstance(choice.model, Curve):
        found.append(note("curve-in-use"))
    return found


def left_out(unsteady: Mapping[int, Finding]) -> list[Finding]:
    """The holds that are none by the fitted line."""
    return [why for _, why in sorted(unsteady.items())]


def _dead_edge(fit: SpeedFit, match: Match) -> float:
    """Where the signal begins to move: the model at the stuck signal where that is possible, else half way between the
    last dead and the first living target.
    """
    high = fit.dead_below_rpm or match.missing_below[-1]
    low = max((rpm for rpm in match.missing_below if rpm < high), default=high)
    stuck = [point.signal for point in fit.points if point.reason == "stuck-bottom"]
    edge = float(fit.rpm(stuck[0])) if stuck else (low + high) / 2.0
    return edge if low <= edge <= high else (low + high) / 2.0


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
