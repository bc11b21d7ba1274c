"""The same tune over the dates: does the engine, or the link, drift away?

Sessions are the replicates of the slope; the pulls of one session give its own interval.
"""

from collections.abc import Mapping, Sequence

import msgspec
import numpy as np

from stream.findings import Finding, note, warning
from stream.study import stats
from stream.study.bands import DEFAULT_WIDTH_RPM, band_table
from stream.study.choose import side_by_side
from stream.study.compare.sides import best_block, drift_test
from stream.study.pulls import PullTrace
from stream.units import Floats

DAY_S = 86_400.0


class TrendPoint(msgspec.Struct, frozen=True, kw_only=True):
    """One session: change of its mean log load from the first session's, %, with a 95 % t-interval of its
    pulls."""

    session: str
    started: float
    pulls: int
    change_pct: float
    low_pct: float | None
    high_pct: float | None


class Trend(msgspec.Struct, frozen=True, kw_only=True):
    """A tune's sessions in time order. The slope is % per day with its interval; None below three
    sessions."""

    tune: str
    points: tuple[TrendPoint, ...]
    slope_pct_per_day: float | None
    low_pct_per_day: float | None
    high_pct_per_day: float | None
    p: float | None
    findings: tuple[Finding, ...]


def trend(
    pulls: Sequence[PullTrace],
    tune: str,
    width: float = DEFAULT_WIDTH_RPM,
    air: Mapping[str, float] | None = None,
) -> Trend:
    """How one tune's load went over sessions; `started` of the pulls gives the dates (POSIX seconds).

    air   correction factor by session: what is left is the engine's and the link's, what it took off the days'.
          None: the two cannot be told apart, which is said

    Raises InputError where the tune has no clean pull, or cars or units differ.
    """
    used, findings = side_by_side(pulls, (tune,), width)
    load = band_table(used, width).load
    whole = np.isfinite(load) & (np.sign(load) == np.sign(np.nanmedian(load)) if load.size else False)
    doubled = np.vstack([whole, whole])
    rows, bands = best_block(doubled, np.repeat([False, True], len(used)))
    rows = rows[: len(used)]
    if not bands.any():
        return _no_trend(tune, [*findings, warning("no-shared-band")])
    if not rows.all():
        findings.append(note("short-pulls-not-in-level", pulls=int((~rows).sum())))
    logs = np.log(np.abs(load[rows][:, bands])).mean(axis=1)
    kept = [pull for pull, row in zip(used, rows, strict=True) if row]
    of_the_day = np.zeros(len(kept)) if air is None else np.log([air[pull.session] for pull in kept])
    recorded, logs = logs, logs + of_the_day
    names = list(dict.fromkeys(pull.session for pull in kept))
    groups = [np.array([pull.session == name for pull in kept]) for name in names]
    starts = np.array([min(p.started for p in kept if p.session == name) for name in names])
    means = np.array([logs[group].mean() for group in groups])
    points = []
    for name, start, group in zip(names, starts, groups, strict=True):
        interval = stats.mean_interval(logs[group])
        low, high = (None, None) if interval is None else (_pct(limit - means[0]) for limit in interval)
        change = _pct(logs[group].mean() - means[0])
        points.append(
            TrendPoint(
                session=name,
                started=float(start),
                pulls=int(group.sum()),
                change_pct=change,
                low_pct=low,
                high_pct=high,
            )
        )
    dated = bool(np.isfinite(starts).all())
    slope = _slope(starts, means) if dated else None
    plain = _slope(starts, np.array([recorded[group].mean() for group in groups])) if dated else None
    if air is None:
        findings.append(warning("trend-without-air"))
    elif slope is not None and plain is not None:
        whole_pct, day_pct = 100 * plain.difference, 100 * (plain.difference - slope.difference)
        findings.append(note("trend-of-the-air", recorded_pct_per_day=whole_pct, air_pct_per_day=day_pct))
    if slope is None:
        findings.append(warning("no-slope"))
    return Trend(
        tune=tune,
        points=tuple(points),
        slope_pct_per_day=None if slope is None else 100 * slope.difference,
        low_pct_per_day=None if slope is None else 100 * slope.low,
        high_pct_per_day=None if slope is None else 100 * slope.high,
        p=None if slope is None else slope.p,
        findings=tuple(findings),
    )


def _slope(starts: Floats, means: Floats) -> stats.Test | None:
    """Slope of log load per day, sessions the replicates; None below three at different times."""
    return drift_test(starts / DAY_S, means, np.zeros(len(means), dtype=np.bool_))


def _pct(log_change: float) -> float:
    return 100 * float(np.expm1(log_change))


def _no_trend(tune: str, findings: Sequence[Finding]) -> Trend:
    return Trend(
        tune=tune,
        points=(),
        slope_pct_per_day=None,
        low_pct_per_day=None,
        high_pct_per_day=None,
        p=None,
        findings=tuple(findings),
    )
