"""From a curve of load over advance to the next cautious step in one cell, and why in words.

The aim is the least advance within 1 % of best load: beyond it advance gains nothing a road can show and brings knock
nearer. The step is bounded, never beyond the tested range plus a step, and more advance needs leave: a quiet knock
channel, or a note of a person who listened.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from stream.study.tables.advice import Cell
from stream.study.tables.parabola import Limits, Parabola, fit_parabola
from stream.units import Floats as Array

SHARE = 0.01  # of best load that the least advance may lose
SAME_SETTING_DEG = 0.5  # settings nearer than this are one: a logged advance scatters by about as much
LEAST_STEP_DEG = 0.25  # tables seldom resolve less
NEAR_BEST = 0.90  # settings below this share of the best load are too far away for a parabola


@dataclass(frozen=True, slots=True)
class Settings:
    """What was tried in one cell.

    advance, load   (settings,) means;  covariance (settings, settings) of load;  count (settings,) pulls or stretches
    t               quantile for 95 %; NaN where nothing repeats, so that no doubt is known
    now             index of the tune that is in the car now
    """

    tunes: Sequence[str]
    advance: Array
    load: Array
    covariance: Array
    count: Sequence[int]
    t: float
    now: int

    @property
    def different(self) -> int:
        """How many settings are really different."""
        return 1 + int((np.diff(np.sort(self.advance)) >= SAME_SETTING_DEG).sum())

    def words(self) -> str:
        """'heron 21.0° (4), plover 26.5° (4)'."""
        order = np.argsort(self.advance)
        return ", ".join(f"{self.tunes[i] or 'no tune named'} {self.advance[i]:.1f}° ({self.count[i]})" for i in order)


@dataclass(frozen=True, slots=True)
class Leave:
    """Whether more advance may be proposed in this cell.

    may_advance   a quiet knock channel or a note
    knocked_at    least advance at which knock was logged; None where none was
    words         what it rests on
    """

    may_advance: bool
    words: str
    knocked_at: float | None = None


@dataclass(frozen=True, slots=True)
class _Aim:
    """Where the curve points: degrees to aim at (None: stay), the vertex and its limits, and why."""

    at: float | None
    words: str
    best: float | None = None
    limits: Limits = (None, None)


def propose(settings: Settings, leave: Leave, step: float, rpm: float, second: float | None, noun: str) -> Cell:
    """The next step in one cell. `noun` is what counts: 'pulls', 'stretches'."""
    now = float(settings.advance[settings.now])
    aim = _aim(settings)
    tested = float(settings.advance.min()), float(settings.advance.max())
    at, words = _bounded(now, aim.at, step, tested, leave)
    best = "" if aim.best is None else f"best {aim.best:.1f}° ({_limits(aim.limits)})"
    parts = [f"{settings.words()} {noun}", best, aim.words, words]
    return Cell(
        rpm=rpm, second_axis=second, now=now, proposed=at, low=aim.limits[0], high=aim.limits[1],
        evidence="; ".join(part for part in parts if part), n=int(sum(settings.count)), estimate=aim.best,
    )  # fmt: skip


def _bounded(
    now: float, aim: float | None, step: float, tested: tuple[float, float], leave: Leave
) -> tuple[float, str]:
    """(proposed, why): a bounded step from `now` towards `aim`, with leave or not at all."""
    if leave.knocked_at is not None and leave.knocked_at <= now + SAME_SETTING_DEG:
        return now - step, f"knock was logged at {leave.knocked_at:.1f}°: less advance by one step; {leave.words}"
    if aim is None or abs(aim - now) < LEAST_STEP_DEG:
        return now, "hold"
    if aim < now:
        at = max(aim, now - step, tested[0] - step)
        return min(at, now), "less advance: watch exhaust heat" if at < now else "hold"
    if not leave.may_advance:
        return now, f"hold: more advance needs a logged knock channel or a listening note ({leave.words})"
    at = min(aim, now + step, tested[1] + step)
    if leave.knocked_at is not None:
        at = min(at, leave.knocked_at - step)
    return (at, f"more advance: {leave.words}") if at > now + 1e-9 else (now, f"hold: {leave.words}")


def _aim(settings: Settings) -> _Aim:
    if settings.different == 1:
        return _Aim(None, "one setting tried: nothing to compare")
    if not math.isfinite(settings.t):
        return _Aim(None, "nothing was repeated, so scatter is not known: make more pulls")
    if settings.different == 2:
        return _direction(settings)
    near, left = _near_best(settings)
    curve = fit_parabola(near.advance, near.load, near.covariance, near.t)
    if not curve.concave:
        return _Aim(None, "the curve bends the wrong way: refused; try settings further apart")
    limits = curve.vertex_limits()
    distance = curve.within(SHARE)
    if math.isnan(distance):
        return _Aim(None, "load is not above zero: take a zero", limits=limits)
    aim = curve.vertex - distance
    now = float(settings.advance[settings.now])
    found = _certain(curve, aim, now, limits)
    words = "; ".join(part for part in (found.words, left) if part)
    return replace(found, words=words, best=curve.vertex, limits=limits)


def _certain(curve: Parabola, aim: float, now: float, limits: Limits) -> _Aim:
    """The aim, or none where its direction is not shown."""
    words = f"least advance within 1 % is {aim:.1f}°"
    slope, doubt = curve.slope(now)
    if aim > now and slope <= curve.t * doubt:
        return _Aim(None, f"{words}; that more advance gives more load is not resolved")
    if aim < now and limits[1] is None:
        return _Aim(None, f"{words}; the best is not bounded above, so less advance is not shown to be enough")
    return _Aim(aim, words)


def _near_best(settings: Settings) -> tuple[Settings, str]:
    """The settings within reach of a parabola, and what was left out."""
    keep = settings.load >= NEAR_BEST * settings.load.max()
    if keep.all() or settings.load.max() <= 0:
        return settings, ""
    rows = [index for index, near in enumerate(keep) if near]
    kept = replace(
        settings, tunes=[settings.tunes[i] for i in rows], advance=settings.advance[rows], load=settings.load[rows],
        covariance=settings.covariance[np.ix_(rows, rows)], count=[settings.count[i] for i in rows], now=0,
    )  # fmt: skip
    if kept.different < 3:
        return settings, ""
    out = ", ".join(settings.tunes[i] for i, near in enumerate(keep) if not near)
    return kept, f"{out} left out of the curve: more than {100 * (1 - NEAR_BEST):.0f} % below the best"


def _direction(settings: Settings) -> _Aim:
    """Two settings have no vertex: only which way load rises, and whether 1 % is lost at the lesser advance."""
    middle = (settings.advance.min() + settings.advance.max()) / 2
    above = settings.advance > middle
    weights = np.where(above, 1 / above.sum(), -1 / (~above).sum())
    gain, doubt = float(weights @ settings.load), math.sqrt(float(weights @ settings.covariance @ weights))
    low, high = gain - settings.t * doubt, gain + settings.t * doubt
    base = float(settings.load[~above].mean())
    words = "two settings show a direction and no best"
    if base <= 0:
        return _Aim(None, f"{words}; load is not above zero: take a zero")
    change, least, most = (f"{100 * value / base:+.1f}" for value in (gain, low, high))
    told = f"{words}; load changes by {change} % ({least} to {most} %) with the greater advance"
    if low > SHARE * base:
        return _Aim(math.inf, told)
    if high < SHARE * base and above[settings.now]:  # at most 1 % is gained by the greater: the lesser is enough
        return _Aim(float(settings.advance[~above].mean()), told)
    return _Aim(None, f"{told}: no reason to change" if high < SHARE * base else f"{told}: not resolved against 1 %")


def _limits(limits: Limits) -> str:
    low, high = limits
    if low is None and high is None:
        return "its interval is unbounded"
    if low is None:
        return f"95 %: below {high:.1f}°"
    return f"95 %: above {low:.1f}°" if high is None else f"95 %: {low:.1f} to {high:.1f}°"
