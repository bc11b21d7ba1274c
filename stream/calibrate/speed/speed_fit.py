"""Holds to a speed calibration: matched, fitted, judged.

The reference's reading error is independent from hold to hold and is each point's error in rpm; the hold mean's
standard error, pooled over the row, is its error in signal. The scale error is shared by all points: no fit can show
it, so it is left out of the fit and added to the uncertainty of a predicted speed (`SpeedFit.u_rpm`). All are standard
errors (k = 1).
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

import msgspec
import numpy as np

from stream.calibrate.speed.choose import Choice, Points, choose
from stream.calibrate.speed.ends import ONE_SPEED, end_of, inside_holds
from stream.calibrate.speed.judge import drive_findings, fit_findings, left_out, suspect, uneven_pulses, widening
from stream.calibrate.speed.line import fit_york, largest_departure_pct
from stream.calibrate.speed.match import Match, match_at, match_targets, need_three
from stream.calibrate.speed.speed_model import Curve, ModelName, SpeedFit, SpeedPoint
from stream.errors import InputError
from stream.findings import Finding, note, warning
from stream.live.mean import pooled_errors
from stream.live.records import Hold, Pinned
from stream.units import Floats

MODELS = ("auto", "line", "through-zero", "piecewise")


def fit_speed(
    holds: Sequence[Hold],
    pinned: Sequence[Pinned] = (),
    *,
    targets: Sequence[float] | None = None,
    at: Sequence[tuple[float, float]] | None = None,
    assigned: Sequence[float | None] | None = None,
    fixed: Mapping[int, float] | None = None,
    dropped: Collection[int] = (),
    unsteady: Mapping[int, Finding] | None = None,
    pulse_hz: Sequence[float | None] | None = None,
    reading_error_rpm: float = 50.0,
    scale_error_pct: float = 1.0,
    model: str = "auto",
) -> SpeedFit:
    """Fit signal to rpm. holds in time order; exactly one of targets (rpm), at ((start_s, rpm) pairs) and
    assigned (rpm of each hold, None where it has none).

    fixed     index of a hold -> rpm, said by hand: it stands whatever the match says
    dropped   indices of holds left out by hand
    unsteady  index of a hold -> why it is no hold by the fitted line, left out for that
    pulse_hz  pulse frequency of each hold, Hz, as its ripple shows it; None where it is not known

    Raises InputError: too few holds or speeds, targets that do not belong to the holds, errors that are no
    numbers.
    """
    _check_settings(reading_error_rpm, scale_error_pct, model)
    need_three(len(holds))
    match = _match(holds, pinned, targets, at, assigned, dropped, reading_error_rpm, pulse_hz, fixed or {})
    match, said = _with_fixed(holds, match, fixed or {}, targets)
    pinned = [stretch for stretch in pinned if stretch not in match.set_aside]
    out = dict(unsteady or {}) | dict.fromkeys(dropped, note("dropped-by-hand"))
    candidates = [i for i, rpm in enumerate(match.target_rpm) if rpm is not None and i not in out]
    points = _points(holds, match, candidates, reading_error_rpm)
    choice = choose(points, model)
    factor = widening(choice)
    fit = _assembled(points, choice, factor, scale_error_pct)
    fit = _with_ends(fit, holds, pinned, match, reading_error_rpm)
    rows = _hold_points(fit, holds, match, candidates, choice, out) + _stuck_points(fit, holds, pinned, match)
    fit = msgspec.structs.replace(fit, points=tuple(rows))
    findings = [*match.findings, *said, *choice.findings, *fit_findings(points, choice, factor, reading_error_rpm)]
    findings += drive_findings(fit, holds, match, candidates, choice, dropped) + left_out(unsteady or {})
    if pulse_hz is not None:
        used = [index for place, index in enumerate(candidates) if choice.used[place]]
        speeds = [match.target_rpm[index] for index in used]
        if (turns := uneven_pulses([pulse_hz[index] for index in used], speeds, reading_error_rpm)) is not None:
            findings.append(warning("pulses-not-constant", slowest=turns[0], fastest=turns[1]))
    return msgspec.structs.replace(fit, findings=tuple(findings))


def _check_settings(reading_error: float, scale_error: float, model: str) -> None:
    if not (np.isfinite(reading_error) and reading_error > 0):
        raise InputError(
            f"reading error: {reading_error:g} cannot be used; give rpm above zero (a needle: 50)",
            "reading-error",
            value=reading_error,
        )
    if not 0 <= scale_error < 100:
        raise InputError(
            f"scale error: {scale_error:g} cannot be used; give percent from 0 (a dashboard: 1)",
            "scale-error",
            value=scale_error,
        )
    if model not in MODELS:
        raise InputError(f"model {model!r} is not known; use one of {', '.join(MODELS)}")


def _match(
    holds: Sequence[Hold],
    pinned: Sequence[Pinned],
    targets: Sequence[float] | None,
    at: Sequence[tuple[float, float]] | None,
    assigned: Sequence[float | None] | None,
    dropped: Collection[int],
    reading_error: float,
    pulse_hz: Sequence[float | None] | None,
    said: Mapping[int, float],
) -> Match:
    if sum(item is not None for item in (targets, at, assigned)) != 1:
        raise InputError("give either targets or holds named by their start, one of the two", "two-references")
    if targets is not None:
        kept = [index for index in range(len(holds)) if index not in dropped]
        hz = None if pulse_hz is None else [pulse_hz[index] for index in kept]
        by_hand = {number: said[index] for number, index in enumerate(kept) if index in said}
        found = match_targets([holds[index] for index in kept], pinned, targets, reading_error, hz, by_hand)
        return _spread(found, kept, len(holds))
    if at is not None:
        return match_at(holds, at, pinned)
    rpm = tuple(assigned or ())
    if len(rpm) != len(holds):
        raise InputError(f"{len(rpm)} speeds for {len(holds)} holds; give one for each")
    return Match(rpm, (None,) * len(holds), set_aside=inside_holds(pinned, holds))


def _spread(match: Match, kept: Sequence[int], count: int) -> Match:
    """A match of the kept holds as one of all holds: those left out by hand have no target."""
    place = {index: number for number, index in enumerate(kept)}
    targets = tuple(match.target_rpm[place[index]] if index in place else None for index in range(count))
    stuck = tuple(match.stuck_at[place[index]] if index in place else None for index in range(count))
    return replace(match, target_rpm=targets, stuck_at=stuck)


def _with_fixed(
    holds: Sequence[Hold], match: Match, fixed: Mapping[int, float], targets: Sequence[float] | None
) -> tuple[Match, tuple[Finding, ...]]:
    """The match with the speeds that were said by hand, and where the two differ. A hold named by its start was named
    last, so an earlier mark gives way to that."""
    if not fixed:
        return match, ()
    if targets is None:
        fixed = {index: rpm for index, rpm in fixed.items() if match.target_rpm[index] is None}
    speeds = tuple(fixed.get(index, rpm) for index, rpm in enumerate(match.target_rpm))
    stuck = tuple(None if index in fixed else end for index, end in enumerate(match.stuck_at))
    differ = tuple(
        warning("mark-against-row", start_s=holds[index].start_s, marked_rpm=rpm, row_rpm=found)
        for index, rpm in sorted(fixed.items())
        if (found := match.target_rpm[index]) is not None and found != rpm
    )
    return replace(match, target_rpm=speeds, stuck_at=stuck), differ


def _points(holds: Sequence[Hold], match: Match, candidates: Sequence[int], reading_error: float) -> Points:
    x = np.array([holds[index].signal_mean for index in candidates], np.float64)
    y = np.array([match.target_rpm[index] for index in candidates], np.float64)
    sem = _pooled([holds[index] for index in candidates])
    if len(x) < 3:
        raise InputError(f"{len(x)} holds have a target; a calibration needs three or more: hold more speeds")
    if len(np.unique(y)) < 2 or np.ptp(x) == 0.0:
        raise InputError(ONE_SPEED)
    return Points(x, y, np.where(np.isfinite(sem), sem, 0.0), np.full(len(x), reading_error))


def _pooled(holds: Sequence[Hold]) -> Floats:
    errors, counts, seconds = (
        np.array([(hold.signal_sem, hold.n_effective, hold.end_s - hold.start_s) for hold in holds], np.float64)
        .reshape(-1, 3)
        .T
    )
    return pooled_errors(errors, counts, seconds)


def _assembled(points: Points, choice: Choice, factor: float, scale_error: float) -> SpeedFit:
    used = points.only(choice.used)
    fitted = choice.model
    line = fit_york(used.x, used.y, used.u_x, used.u_y) if isinstance(fitted, Curve) else fitted
    line = line.scaled(factor)
    name: ModelName = "line" if line.dof == len(used.x) - 2 else "through-zero"
    knots: tuple[tuple[float, float], ...] = ()
    covariance: tuple[tuple[float, ...], ...] = ()
    if isinstance(fitted, Curve):
        name = "piecewise"
        knots = tuple(zip(fitted.knots.tolist(), fitted.values.tolist(), strict=True))
        covariance = tuple(tuple(row) for row in fitted.scaled(factor).covariance.tolist())
    return SpeedFit(
        model=name,
        slope_rpm_per_unit=line.slope,
        intercept_rpm=line.intercept,
        u_slope=line.u_slope,
        u_intercept=line.u_intercept,
        covariance=line.covariance,
        scale_error_pct=float(scale_error),
        residual_sd_rpm=float(np.sqrt(np.sum(fitted.residuals**2) / max(fitted.dof, 1))),
        largest_departure_pct_span=largest_departure_pct(fitted.residuals, used.y),
        valid_from=float(used.y.min()),
        valid_to=float(used.y.max()),
        knots=knots,
        knot_covariance=covariance,
        scatter_dof=fitted.dof if factor > 1.0 else None,
    )


def stuck_signal(holds: Sequence[Hold], pinned: Sequence[Pinned], match: Match, end: str) -> float | None:
    """The signal that is stuck at this end of speed ('bottom', 'top'), from the longest stretch; None where
    none is.
    """
    slope = float(np.polyfit([h.signal_mean for h in holds], [h.speed_rpm for h in holds], 1)[0])
    stretches = [(p.end_s - p.start_s, p.signal) for p in pinned if end_of(p, slope) == end]
    stretches += [
        (h.end_s - h.start_s, h.signal_mean) for h, at in zip(holds, match.stuck_at, strict=True) if at == end
    ]
    return max(stretches)[1] if stretches else None


def _with_ends(
    fit: SpeedFit, holds: Sequence[Hold], pinned: Sequence[Pinned], match: Match, reading_error: float
) -> SpeedFit:
    """Dead band and ceiling, from what was stuck.

    Where the stuck signal is itself a speed of the line, a target well above it cannot have been stuck: its hold was
    missed, and it counts as one that responded.
    """
    bottom, top = (stuck_signal(holds, pinned, match, end) for end in ("bottom", "top"))
    responded = [rpm for rpm in match.target_rpm if rpm is not None]
    if bottom is not None and match.missing_below:
        edge = float(fit.rpm(bottom)) + reading_error
        if match.missing_below[0] <= edge:
            responded += [rpm for rpm in match.missing_below if rpm > edge]
    return msgspec.structs.replace(
        fit,
        dead_below_rpm=min(responded) if bottom is not None and match.missing_below else None,
        ceiling_above_rpm=float(fit.rpm(top)) if top is not None else None,
    )


def _hold_points(
    fit: SpeedFit,
    holds: Sequence[Hold],
    match: Match,
    candidates: Sequence[int],
    choice: Choice,
    out: Mapping[int, Finding],
) -> list[SpeedPoint]:
    """One row a hold, in time order; a hold that is really a stuck signal has its rows with the stuck
    targets.
    """
    place = {index: number for number, index in enumerate(candidates)}
    rows = []
    for index, (hold, rpm) in enumerate(zip(holds, match.target_rpm, strict=True)):
        if match.stuck_at[index] is not None:
            continue
        why = out.get(index)
        if why is None and rpm is None:
            why = note("no-target", start_s=hold.start_s, rpm=float(fit.rpm(hold.signal_mean)))
        elif why is None and rpm is not None and place[index] in choice.odd:
            why = suspect(fit, hold, rpm, choice.odd[place[index]])
        residual = None if rpm is None else rpm - float(fit.rpm(hold.signal_mean))
        rows.append(
            SpeedPoint(signal=hold.signal_mean, target_rpm=rpm, residual_rpm=residual, used=why is None, why=why)
        )
    return rows


def _stuck_points(fit: SpeedFit, holds: Sequence[Hold], pinned: Sequence[Pinned], match: Match) -> list[SpeedPoint]:
    """Every target between the matched holds and an end where the signal is stuck: shown, never used."""
    rows = []
    for end, missing in (("bottom", match.missing_below), ("top", match.missing_above)):
        signal = stuck_signal(holds, pinned, match, end)
        if signal is None:
            continue
        why = warning("stuck-bottom", signal=signal) if end == "bottom" else warning("stuck-top", signal=signal)
        rows += [
            SpeedPoint(
                signal=signal,
                target_rpm=rpm,
                residual_rpm=rpm - float(fit.rpm(signal)),
                used=False,
                why=why,
            )
            for rpm in missing
        ]
    return rows
