"""From a curve of load over advance in one cell to where load would be better, and why.

The aim is the least advance within 1 % of best load: beyond it advance gains nothing a road can show and brings knock
nearer. Whether it may be tried is not decided here but by the gate.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from stream.findings import Finding, note
from stream.study.tables.gate import LEAST_STEP_DEG, AdvanceCell, Evidence, Place, gate
from stream.study.tables.ignition_pool import NEAR_BEST, BestCurve
from stream.study.tables.parabola import Limits, Parabola, fit_parabola
from stream.units import Floats

SHARE = 0.01  # of best load that the least advance may lose
SAME_SETTING_DEG = 0.5  # settings nearer than this are one: a logged advance scatters by about as much
# chosen: what one session may be off by (zero, heat, wind), before its settings speak against those of all bands, or
# two tunes for a direction where order does not tell advance from a drift
SESSION_SD = 0.01
LEAST_GAIN = SHARE + 2 * math.sqrt(2) * SESSION_SD  # 1 %, and what two sessions are apart
MOST_WRONG = 0.025  # of wanting more advance where the best is not above: one side of a 95 % interval
# chosen: how likely it has to be that more than 1 % is lost at what is in the car, before more advance is tried: each
# step that gains nothing a road can show brings knock nearer. Measured by tests/bench/tuning_day.py: at 0.80 one day of
# seeds 21 to 40 kept 1.7 % lost in a band; at 0.65 one of 41 to 56 went to 0.1 degree of knock where nothing was lost;
# at 0.72 those of 41 to 80 ended with 1.36 % at most, never nearer to knock than 1.1 degrees
MORE_SHOWN = 0.72
LESS_WRONG = 0.20  # chosen: that less advance loses more than 1 %; heat, not knock, is what it costs


@dataclass(frozen=True, slots=True)
class Settings:
    """What was tried in one cell.

    advance, load   (settings,) means;  covariance (settings, settings) of load;  count (settings,) pulls or stretches
    t               quantile for 95 %; NaN where nothing repeats, so that no uncertainty is known
    now             index of the tune that is in the car now
    drifting        the order of the sessions lets a drift through the day pass for advance
    """

    tunes: Sequence[str]
    advance: Floats
    load: Floats
    covariance: Floats
    count: Sequence[int]
    t: float
    now: int
    drifting: bool = False

    @property
    def different(self) -> int:
        """How many settings are really different."""
        return 1 + int((np.diff(np.sort(self.advance)) >= SAME_SETTING_DEG).sum())

    def finding(self) -> Finding:
        """What was tried here, from the least advance to the greatest."""
        order = np.argsort(self.advance)
        return note(
            "advance-settings",
            tunes=tuple(self.tunes[i] for i in order),
            advance_deg=tuple(float(self.advance[i]) for i in order),
            count=tuple(float(self.count[i]) for i in order),
        )


@dataclass(frozen=True, slots=True)
class Pooled:
    """The curve through all bands, this cell's band in it, and how many bands taught it."""

    curve: BestCurve
    band: int
    bands: int


@dataclass(frozen=True, slots=True)
class Aim:
    """Where load would be better (None: not known), what was found, and the best advance with its 95 % interval."""

    at: float | None
    found: tuple[Finding, ...]
    best: float | None = None
    limits: Limits = (None, None)


def propose(
    settings: Settings, place: Place, evidence: Evidence, rpm: float, second: float | None, pooled: Pooled | None = None
) -> AdvanceCell:
    """The next step in one cell: the aim of the curve, passed through the gate; `pooled`: what all bands say of it."""
    aim = aim_of(settings) if pooled is None else pooled_aim(settings, pooled)
    now = float(settings.advance[settings.now])
    near = aim.at is None or abs(aim.at - now) < LEAST_STEP_DEG
    proposal = gate(None if near else aim.at, place, evidence)
    best = () if aim.best is None else (note("advance-best", best_deg=aim.best, low=aim.limits[0], high=aim.limits[1]),)
    return AdvanceCell(
        rpm=rpm,
        second_axis=second,
        proposal=proposal,
        low=aim.limits[0],
        high=aim.limits[1],
        evidence=(*proposal.reasons, settings.finding(), *best, *aim.found),
        n=int(sum(settings.count)),
        estimate=aim.best,
        tries=tuple(gate(wanted, place, evidence) for wanted in (now - place.step_deg, now, math.inf)),
    )


def pooled_aim(settings: Settings, pooled: Pooled) -> Aim:
    """Where load would be better, by the curve through all bands; the band's own settings may hold it back.

    Two settings show a direction, three a best. More advance is wanted where the best is above what is in the car
    now but for MOST_WRONG, and more than 1 % is lost there at least as likely as MORE_SHOWN; less of it where a loss of
    more than 1 % is no likelier than LESS_WRONG.
    """
    if settings.different == 1:
        return Aim(None, (note("advance-one-setting"),))
    if not (settings.load > 0).all():
        return Aim(None, (note("advance-load-not-positive"),))
    near, left = _near_best(settings)
    curve, band, now = pooled.curve, pooled.band, float(settings.advance[settings.now])
    own = _own(near)
    if own == "wrong-way":
        return Aim(None, (note("advance-convex"), *left))
    reach = curve.within(SHARE)
    aim, best = (curve.quantile(band, 0.5, below) for below in (reach, 0.0))
    limits = curve.quantile(band, 0.025), curve.quantile(band, 0.975)
    found: tuple[Finding, ...] = (note("advance-least", aim_deg=aim), note("advance-pooled", bands=pooled.bands))
    if settings.different == 2:
        least, most = float(settings.advance.min()), float(settings.advance.max())
        change, low, high = (100 * value for value in curve.change(band, least, most))
        found = (note("advance-direction", change_pct=change, low_pct=low, high_pct=high),)
    flat = curve.loss(band, now, 0.95)
    at: float | None = None
    if aim > now + LEAST_STEP_DEG:
        shown = not (settings.drifting and settings.different == 2) or _beyond_sessions(settings)
        shown &= curve.above(band, now, reach) >= MORE_SHOWN
        if shown and own != "best-below" and curve.above(band, now) >= 1 - MOST_WRONG:
            at = aim
        else:
            found = (*found, note("advance-more-not-resolved"))
    elif aim < now - LEAST_STEP_DEG:
        # no further than a loss of more than 1 % stays as unlikely: at the aim itself it would be as likely as not
        safe = curve.quantile(band, 1 - LESS_WRONG, reach)
        if safe < now - LEAST_STEP_DEG:
            at = safe
        else:
            found = (*found, note("advance-less-not-shown"))
    if flat < SHARE:
        found = (note("advance-flat", within_pct=100 * flat), *found)
    if settings.different == 2:
        if at is None and math.isfinite(settings.t):
            alone = _direction(settings)
            if _beyond_sessions(settings) and alone.at is not None and alone.at > now:
                return alone
        return Aim(at, (*found, *left))
    return Aim(at, (*found, *left), best, limits)


def _beyond_sessions(settings: Settings) -> bool:
    """Whether the greatest advance gives more than the least by 1 % and what two sessions are apart."""
    order = np.argsort(settings.advance)
    gain = float(settings.load[order[-1]] / settings.load[order[0]]) - 1
    return gain > LEAST_GAIN


def _own(near: Settings) -> str:
    """What the band's own settings say against a curve through all: 'best-below', 'wrong-way', or '' for nothing."""
    if near.different < 3 or not math.isfinite(near.t):
        return ""
    apart = np.diag((SESSION_SD * near.load) ** 2)
    curve = fit_parabola(near.advance, near.load, near.covariance + apart, near.t)
    if not curve.concave:
        bend, uncertainty = float(curve.coefficients[2]), math.sqrt(max(float(curve.covariance[2, 2]), 0.0))
        return "wrong-way" if bend > near.t * uncertainty else ""
    high = curve.vertex_limits()[1]
    return "best-below" if high is not None and high < float(near.advance[near.now]) else ""


def aim_of(settings: Settings) -> Aim:
    """Where load would be better with these settings."""
    if settings.different == 1:
        return Aim(None, (note("advance-one-setting"),))
    if not math.isfinite(settings.t):
        return Aim(None, (note("advance-not-repeated"),))
    if settings.different == 2:
        return _direction(settings)
    near, left = _near_best(settings)
    curve = fit_parabola(near.advance, near.load, near.covariance, near.t)
    if not curve.concave:
        return Aim(None, (note("advance-convex"),))
    limits = curve.vertex_limits()
    distance = curve.within(SHARE)
    if math.isnan(distance):
        return Aim(None, (note("advance-load-not-positive"),), limits=limits)
    aim = curve.vertex - distance
    now = float(settings.advance[settings.now])
    found = _certain(curve, aim, now, limits)
    return replace(found, found=(*found.found, *left), best=curve.vertex, limits=limits)


def _certain(curve: Parabola, aim: float, now: float, limits: Limits) -> Aim:
    """The aim, or none where its direction is not shown."""
    least = note("advance-least", aim_deg=aim)
    slope, uncertainty = curve.slope(now)
    if aim > now and slope <= curve.t * uncertainty:
        return Aim(None, (least, note("advance-more-not-resolved")))
    if aim < now and limits[1] is None:
        return Aim(None, (least, note("advance-less-not-shown")))
    return Aim(aim, (least,))


def _near_best(settings: Settings) -> tuple[Settings, tuple[Finding, ...]]:
    """The settings within reach of a parabola, and what was left out."""
    if not np.isfinite(settings.load).all():
        return settings, ()
    keep = settings.load >= NEAR_BEST * settings.load.max()
    if keep.all() or settings.load.max() <= 0:
        return settings, ()
    rows = [index for index, near in enumerate(keep) if near]
    kept = replace(
        settings,
        tunes=[settings.tunes[i] for i in rows],
        advance=settings.advance[rows],
        load=settings.load[rows],
        covariance=settings.covariance[np.ix_(rows, rows)],
        count=[settings.count[i] for i in rows],
        now=rows.index(settings.now) if settings.now in rows else 0,
    )
    if kept.different < 3:
        return settings, ()
    out = tuple(settings.tunes[i] for i, near in enumerate(keep) if not near)
    return kept, (note("advance-far-below", tunes=out, below_pct=100 * (1 - NEAR_BEST)),)


def _direction(settings: Settings) -> Aim:
    """Two settings have no vertex: only which way load rises, and whether 1 % is lost at the lesser advance."""
    middle = (settings.advance.min() + settings.advance.max()) / 2
    above = settings.advance > middle
    weights = np.where(above, 1 / above.sum(), -1 / (~above).sum())
    gain, uncertainty = float(weights @ settings.load), math.sqrt(float(weights @ settings.covariance @ weights))
    low, high = gain - settings.t * uncertainty, gain + settings.t * uncertainty
    base = float(settings.load[~above].mean())
    if base <= 0:
        return Aim(None, (note("advance-load-not-positive"),))
    change, least, most = (100 * value / base for value in (gain, low, high))
    shown = note("advance-direction", change_pct=change, low_pct=least, high_pct=most)
    if low > SHARE * base and (_beyond_sessions(settings) or not settings.drifting):
        return Aim(math.inf, (shown,))
    if high < SHARE * base and above[settings.now]:  # at most 1 % is gained by the greater: the lesser is enough
        return Aim(float(settings.advance[~above].mean()), (shown,))
    return Aim(
        None, (shown, note("advance-no-reason") if high < SHARE * base else note("advance-direction-not-resolved"))
    )
