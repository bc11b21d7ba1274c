"""What a speed calibration says in words: stated errors against scatter, odd points, ends, what was left
over.
"""

from collections.abc import Collection, Mapping, Sequence

import numpy as np

from stream.calibrate.speed.choose import Choice, Points
from stream.calibrate.speed.curve import Curve
from stream.calibrate.speed.line import lack_of_fit
from stream.calibrate.speed.match import Match
from stream.calibrate.speed.speed_model import SpeedFit
from stream.live.records import Hold

_RISK = 0.05
_WEAK_SPAN = 0.3


def widening(choice: Choice) -> float:
    """What the stated uncertainties are multiplied by: sqrt(S / dof) where S is too large for chance, else 1.

    They are never made smaller: a few points that happen to lie well do not prove a better reference.
    """
    from scipy import stats

    model = choice.model
    if model.dof < 1 or stats.chi2.sf(model.chi_square, model.dof) > _RISK:
        return 1.0
    return float(np.sqrt(model.chi_square / model.dof))


def reason_odd(fit: SpeedFit, hold: Hold, rpm: float, t: float) -> str:
    """Why a point was left out, in words."""
    off = rpm - float(fit.rpm(hold.signal_mean))
    return (
        f"suspect: the hold at {hold.start_s:.1f} s lies {abs(off):.0f} rpm "
        f"{'below' if off > 0 else 'above'} its target "
        f"by the other points (studentised residual {t:+.1f}); was another speed held or read?"
    )


def fit_words(points: Points, choice: Choice, factor: float, reading_error: float) -> tuple[str, ...]:
    """What the points say of the model and of the stated errors."""
    from scipy import stats

    model, used = choice.model, points.only(choice.used)
    words = []
    scatter = float(np.sqrt(np.sum(model.residuals**2) / max(model.dof, 1)))
    if factor > 1.0:
        words.append(
            f"the points scatter by {scatter:.0f} rpm, more than the stated reading error of "
            f"{reading_error:g} rpm "
            f"explains; the doubt is widened by {factor:.2f}"
        )
    elif model.dof >= 3 and stats.chi2.cdf(model.chi_square, model.dof) < _RISK / 2:
        words.append(
            f"the points scatter by only {scatter:.0f} rpm: the stated reading error of {reading_error:g} "
            "rpm is "
            "larger than they show; the doubt stays as stated"
        )
    parameters = len(used.x) - model.dof
    lack = lack_of_fit(model.residuals, used.y.tolist(), parameters)
    if lack is not None and lack.p < 0.01:
        words.append(
            f"repeated holds agree better with each other than with the model (lack of fit F = {lack.f:.1f}, "
            f"p = {lack.p:.2g}): its shape is not that of the converter"
        )
    if model.dof < 3:
        words.append(f"{len(used.x)} points leave little to judge by; hold more speeds")
    span = float(np.ptp(used.y))
    if span < _WEAK_SPAN * float(used.y.max()):
        words.append(
            f"the points span only {span:.0f} rpm; outside them the line is a guess: hold speeds farther apart"
        )
    if len(np.unique(used.y)) == 2:
        words.append("two speeds cannot show whether the converter is straight; hold a third")
    return tuple(words)


def drive_words(
    fit: SpeedFit,
    holds: Sequence[Hold],
    match: Match,
    candidates: Sequence[int],
    choice: Choice,
    dropped: Collection[int] = (),
) -> tuple[str, ...]:
    """Dead band, ceiling, suspects, strays and skipped targets."""
    words = []
    if fit.dead_below_rpm is not None:
        edge = _dead_edge(fit, match)
        words.append(f"the signal does not move below about {_thousands(edge)} rpm: no speed under it can be measured")
    if fit.ceiling_above_rpm is not None:
        words.append(
            f"the signal stops rising at about {_thousands(fit.ceiling_above_rpm)} rpm: no speed above it "
            "can be measured"
        )
    words += [
        reason_odd(fit, holds[candidates[place]], float(match.target_rpm[candidates[place]] or 0.0), t)
        for place, t in sorted(choice.odd.items())
    ]
    words += [
        f"the hold at {hold.start_s:.1f} s (about {float(fit.rpm(hold.signal_mean)):.0f} rpm) has no target "
        "and is not used"
        for index, (hold, rpm, stuck) in enumerate(zip(holds, match.target_rpm, match.stuck_at, strict=True))
        if rpm is None and stuck is None and index not in dropped
    ]
    skipped = list(match.missing_inside)
    skipped += match.missing_below if fit.dead_below_rpm is None else ()
    skipped += match.missing_above if fit.ceiling_above_rpm is None else ()
    if skipped:
        words.append(f"no hold was found for {', '.join(f'{rpm:g}' for rpm in sorted(skipped))} rpm")
    if isinstance(choice.model, Curve):
        words.append("slope and intercept are those of the best straight line; speeds come from the curve's knots")
    return tuple(words)


def left_out_words(holds: Sequence[Hold], unsteady: Mapping[int, str]) -> tuple[str, ...]:
    """The holds that are none by the fitted line."""
    return tuple(
        f"the hold at {holds[index].start_s:.1f} s is not used: {why}" for index, why in sorted(unsteady.items())
    )


def _dead_edge(fit: SpeedFit, match: Match) -> float:
    """Where the signal begins to move: the model at the stuck signal where that is possible, else half way
    between the last dead and the first living target.
    """
    high = fit.dead_below_rpm or match.missing_below[-1]
    low = max((rpm for rpm in match.missing_below if rpm < high), default=high)
    stuck = [point.signal for point in fit.points if "stuck at the bottom" in point.why_not]
    edge = float(fit.rpm(stuck[0])) if stuck else (low + high) / 2.0
    return edge if low <= edge <= high else (low + high) / 2.0


def _thousands(rpm: float) -> str:
    return f"{round(rpm, -1 if rpm < 10_000 else -2):,.0f}".replace(",", " ")
