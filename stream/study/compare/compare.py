"""Is tune B better than tune A, at which speeds, and how sure is that?

Turns are the replicates (`evidence.py`), verdicts fall at set numbers of pulls (`looks.py`), rev bands and the level of
the whole curve are one family, and what this car is known to scatter counts beside today's (`scatter.py`). Apart from
that stands the *shape*: each band less the mean over the bands. What shifts a whole curve (air, a zero in proportion,
the session, a drift through the day) cannot make it, so it may be resolved in any order.

Three tunes and more are each held against the base, and put in an order only where pairs are told apart; all pairs are
one family: with k tunes each of the k (k - 1) / 2 comparisons is as many times stricter (Bonferroni).
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import combinations

import msgspec
import numpy as np

from stream.errors import InputError
from stream.findings import Finding, note, unique, warning
from stream.study import stats
from stream.study.bands import DEFAULT_WIDTH_RPM, BandTable, band_means, band_table
from stream.study.choose import side_by_side
from stream.study.compare import looks, sides
from stream.study.compare.answer import (
    BandChange,
    Comparison,
    LeftOut,
    Overall,
    PullCount,
    ScatterKnown,
    Shape,
    ShapeBand,
)
from stream.study.compare.evidence import Evidence, weigh
from stream.study.compare.scatter import PRIOR, Scatter
from stream.study.compare.sides import Prepared, prepare
from stream.study.pulls import PullTrace, in_time_order
from stream.units import Flags, Floats

WANTED_PCT = 2.0
# chosen: a boost controller holds its pressure within some 5 %, and load goes about with pressure
BOOST_PCT = 3.0  # standard uncertainty of a change on a boosted engine whose pressure was not logged on both sides
DRIFT_PCT = 2.0  # chosen: standard uncertainty of a drift through a day, where the order would not show it


class _Asked(msgspec.Struct, frozen=True):
    """How a comparison was asked for: (base, trial), width of a band in rpm, and as in `compare`."""

    tunes: tuple[str, str]
    width: float
    scatter: Scatter
    drift_pct: float
    family: int


class _Look(msgspec.Struct, frozen=True):
    """Adjusted p at a look, by band's middle in whole rpm; of the level; of the shape."""

    pulls: int
    bands: dict[int, float]
    overall: float | None
    shape: dict[int, float]


def compare(
    pulls: Sequence[PullTrace],
    base: str,
    trial: str,
    width: float = DEFAULT_WIDTH_RPM,
    air: Mapping[str, float] | None = None,
    scatter: Scatter = PRIOR,
    drift_pct: float = DRIFT_PCT,
    family: int = 1,
) -> Comparison:
    """Compare two tunes band by band and overall.

    pulls       of any tunes and sessions; only usable pulls of these two tunes, in one gear, count
    width       of a rev band, rpm
    air         correction factor by session; both sides are corrected, and it is said where that changes the verdict
    scatter     what is known of this car's scatter before today
    drift_pct   standard uncertainty of a drift, used where the order of the turns would not show one
    family      how many comparisons are made together; each is as much stricter (Bonferroni)

    Raises InputError where a tune, a clean pull or a common gear is missing, where cars or units differ, and
    where air correction is asked for without a zero or for some sessions only.
    """
    if base == trial:
        raise InputError(f"base and trial are both {base!r}; give two tunes", code="same-tune-twice", tune=base)
    used, findings = side_by_side(pulls, (base, trial), width)
    made = _made(pulls, used, (base, trial))
    if any(pull.keep is False and pull.verdict == "clean" for pull in pulls if pull.tune in (base, trial)):
        findings.append(note("looks-replayed"))
    asked = _Asked((base, trial), width, scatter, drift_pct, family)
    plain = _compare(used, made, asked, findings)
    if air is None:
        return plain
    corrected = _compare(with_air(used, air), made, asked, findings)
    return msgspec.structs.replace(corrected, findings=corrected.findings + _air_findings(plain, corrected))


def with_air(pulls: Sequence[PullTrace], air: Mapping[str, float]) -> list[PullTrace]:
    """The pulls with load times their session's correction factor. Raises InputError as `compare` says."""
    for pull in pulls:
        if pull.zero is None:
            raise InputError(
                f"{pull.session}: air correction needs a zero; take one first", code="air-needs-zero", path=pull.session
            )
        if pull.session not in air:
            raise InputError(f"{pull.session}: no air reading for it; correct all sessions or none")
    return [replace(pull, load=pull.load * air[pull.session]) for pull in pulls]


def _made(pulls: Sequence[PullTrace], used: Sequence[PullTrace], tunes: tuple[str, str]) -> list[int]:
    """For each used pull, how many pulls had been made up to and with it: those that count as evidence or would, had a
    person not dropped them. So a later drop moves no look."""
    counted = [
        pull
        for pull in in_time_order(pulls)
        if pull.tune in tunes and (pull.verdict == "clean" or pull.keep is not None)
    ]
    number = {(pull.session, pull.start_s, pull.order): place for place, pull in enumerate(counted, 1)}
    return [number[(pull.session, pull.start_s, pull.order)] for pull in used]


def _air_findings(plain: Comparison, corrected: Comparison) -> tuple[Finding, ...]:
    changed = tuple(
        after.rpm
        for before, after in zip(plain.bands, corrected.bands, strict=True)
        if before.resolved != after.resolved
    )
    overall = plain.overall.resolved != corrected.overall.resolved
    found = [note("air-corrected")]
    if changed or overall:
        found.append(warning("air-changes-verdict", rpm=changed, overall=overall))
    return tuple(found)


def _compare(
    used: Sequence[PullTrace],
    made: Sequence[int],
    asked: _Asked,
    said: Sequence[Finding],
) -> Comparison:
    (base, trial), scatter, drift_pct = asked.tunes, asked.scatter, asked.drift_pct
    table = band_table(used, asked.width)
    pressure = band_means(used, [pull.pressure_kpa for pull in used], table)
    number = np.array(made)
    total = int(number.max())
    look: _Look | None = None
    for at in looks.looks_up_to(total):
        look = _look(used, table, pressure, number <= at, asked, at) or look
    ready = prepare(used, table, pressure, trial, scatter)
    why = sides.order(used, base, trial)
    evidence, shape = _weigh(ready, scatter, drift_pct if why else 0.0)
    findings = [*said, *table_findings(table), *ready.findings]
    findings += _said_of(ready, evidence, scatter, why, drift_pct)
    bands, overall = _bands(ready, evidence, look), _overall(ready, evidence, look)
    smallest, wanted, words = _fineness(ready, evidence)
    findings += words
    return Comparison(
        unit=used[0].unit,
        base=base,
        trial=trial,
        pulls=PullCount(int((~ready.trial).sum()), int(ready.trial.sum())),
        order_only=bool(why),
        bands=bands,
        overall=overall,
        smallest_resolvable_pct=smallest,
        pulls_for_2_pct=wanted,
        shape=_shape(ready, shape, look),
        scatter=ScatterKnown(
            pull_pct=100 * scatter.level.pull,
            turn_pct=100 * scatter.level.turn,
            days=scatter.days,
            sessions=scatter.sessions,
        ),
        look=0 if look is None else look.pulls,
        next_look=looks.next_look(total),
        left_out=tuple(_left_out(used[row]) for row in ready.unlike),
        findings=unique(findings),
    )


def _weigh(ready: Prepared, scatter: Scatter, drift_pct: float) -> tuple[Evidence, Evidence | None]:
    """The evidence for the changes, and for the shape; None where too few bands are shared."""
    bands = len(ready.rpm)
    boost = BOOST_PCT / 100 if ready.boost_unknown else 0.0
    shape = ready.shape
    return (
        weigh(ready.level, scatter.spread(bands), math.hypot(drift_pct / 100, boost)),
        None if shape is None else weigh(shape, scatter.shape_spread(shape.values.shape[1]), boost),
    )


def _look(
    used: Sequence[PullTrace], table: BandTable, pressure: Floats, rows: Flags, asked: _Asked, at: int
) -> _Look | None:
    """What the pulls made up to a look say there, spending and family in p; None where a tune is missing."""
    place = np.flatnonzero(rows)
    early = [used[int(row)] for row in place]
    tunes, scatter = asked.tunes, asked.scatter
    if {pull.tune for pull in early} != set(tunes):
        return None
    part = replace(table, load=table.load[place], rate=table.rate[place])
    ready = prepare(early, part, pressure[place], tunes[1], scatter)
    evidence, shape = _weigh(ready, scatter, asked.drift_pct if sides.order(early, *tunes) else 0.0)
    strict = asked.family * stats.ALPHA / looks.level(at)

    def spent(p: Floats, rpm: Floats) -> dict[int, float]:
        return {round(r): min(1.0, strict * float(one)) for r, one in zip(rpm, p, strict=True) if np.isfinite(one)}

    bands = spent(evidence.p_family[:-1], ready.rpm)
    overall = min(1.0, strict * float(evidence.p_family[-1])) if np.isfinite(evidence.p_family[-1]) else None
    return _Look(at, bands, overall, {} if shape is None else spent(shape.p_family, ready.rpm[ready.shared]))


def _pct(log_ratio: float) -> float | None:
    return 100 * float(np.expm1(log_ratio)) if np.isfinite(log_ratio) else None


def _bands(ready: Prepared, evidence: Evidence, look: _Look | None) -> tuple[BandChange, ...]:
    low, high = evidence.interval()
    there = np.isfinite(ready.load)
    counts = [(there[ready.trial == side]).sum(axis=0) for side in (False, True)]
    means = [_means(ready, side, evidence) for side in (False, True)]
    enough = np.minimum(*counts) >= 1
    rows = []
    for column, rpm in enumerate(ready.rpm):
        known = ready.tested[column] and enough[column]
        verdict = known and min(counts[0][column], counts[1][column]) >= 2
        p = look.bands.get(round(rpm)) if look is not None and known else None
        rows.append(
            BandChange(
                rpm=float(rpm),
                base_mean=means[0][column],
                base_n=int(counts[0][column]),
                trial_mean=means[1][column],
                trial_n=int(counts[1][column]),
                change_pct=_pct(evidence.change[column]) if known else None,
                low_pct=_pct(low[column]) if verdict else None,
                high_pct=_pct(high[column]) if verdict else None,
                p_adjusted=p,
                resolved=p is not None and p < stats.ALPHA,
                pressure_kpa=(_finite(ready.pressure[0, column]), _finite(ready.pressure[1, column])),
            )
        )
    return tuple(rows)


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _means(ready: Prepared, side: bool, evidence: Evidence) -> list[float | None]:
    """Per band: the mean that the change is a ratio of; the plain one where no change has a meaning."""
    own = ready.load[ready.trial == side]
    logs = evidence.trial if side else evidence.base
    result: list[float | None] = []
    for column in range(len(ready.rpm)):
        values = own[np.isfinite(own[:, column]), column]
        if not len(values):
            result.append(None)
        elif ready.tested[column]:
            result.append(float(np.sign(values[0]) * np.exp(logs[column])))
        else:
            result.append(float(values.mean()))
    return result


def _overall(ready: Prepared, evidence: Evidence, look: _Look | None) -> Overall:
    low, high = (_pct(limit[-1]) for limit in evidence.interval())
    if min(int((~ready.trial).sum()), int(ready.trial.sum())) < 2:
        low = high = None
    p = None if look is None else look.overall
    return Overall(
        change_pct=_pct(evidence.change[-1]), low_pct=low, high_pct=high, resolved=p is not None and p < stats.ALPHA
    )


def _shape(ready: Prepared, evidence: Evidence | None, look: _Look | None) -> Shape:
    if evidence is None or min(int((~ready.trial).sum()), int(ready.trial.sum())) < 2:
        return Shape(False, ())
    low, high = evidence.interval()
    rows = []
    for column, rpm in enumerate(ready.rpm[ready.shared]):
        change, least, most = _pct(evidence.change[column]), _pct(low[column]), _pct(high[column])
        if change is None or least is None or most is None:
            continue
        p = None if look is None else look.shape.get(round(rpm))
        resolved = p is not None and p < stats.ALPHA
        rows.append(ShapeBand(rpm=float(rpm), change_pct=change, low_pct=least, high_pct=most, resolved=resolved))
    return Shape(any(row.resolved for row in rows), tuple(rows))


def _said_of(ready: Prepared, evidence: Evidence, scatter: Scatter, why: str, drift_pct: float) -> list[Finding]:
    findings: list[Finding] = []
    of_each = ([p for p, t in zip(ready.pulls, ready.trial, strict=True) if t == side] for side in (False, True))
    base, trial = of_each
    if not ready.tested.any():
        findings.append(warning("no-shared-band"))
    if min(len(base), len(trial)) < 2:
        findings.append(warning("one-pull-a-side"))
    if ready.boost_unknown:
        findings.append(warning("boost-not-compared", boost_pct=BOOST_PCT))
    if why:
        findings.append(warning("in-this-order-only", why=why, drift_pct=drift_pct))
    findings += sides.differences(base, trial) + sides.drift(ready.level.values[:, -1], ready.trial)
    if evidence.wild:
        findings.append(warning("wilder-than-known", factor=float(np.sqrt(evidence.factor[-1]))))
    if not scatter.days:
        findings.append(
            note("scatter-is-a-prior", pull_pct=100 * scatter.level.pull, turn_pct=100 * scatter.level.turn)
        )
    if len(ready.unlike):
        findings.append(warning("unlike-others-left-out", pulls=len(ready.unlike)))
    return findings


def _left_out(pull: PullTrace) -> LeftOut:
    return LeftOut(session=pull.session, pull=pull.number, why="unlike-others")


def table_findings(table: BandTable) -> list[Finding]:
    """Bands narrower than the steps of the data, pulls that fill no band."""
    findings = []
    if table.coarse:
        findings.append(warning("bands-too-narrow", width_rpm=table.width, pulls=len(table.coarse)))
    empty = int((~np.isfinite(table.load).any(axis=1)).sum())
    if empty:
        findings.append(warning("pull-crosses-no-band", width_rpm=table.width, pulls=empty))
    return findings


def _fineness(ready: Prepared, evidence: Evidence) -> tuple[float | None, tuple[int, int] | None, list[Finding]]:
    """(smallest change, %, that a single test of as many pulls finds with 80 % power; the range of pulls a side that
    would settle 2 %; findings)."""
    se, df = float(evidence.se[-1]), float(evidence.df[-1])
    if not np.isfinite(se) or min(int((~ready.trial).sum()), int(ready.trial.sum())) < 2:
        return None, None, []
    smallest = 100 * float(np.expm1(stats.detectable(se, df)))
    pulls = 2 / (1 / max(int((~ready.trial).sum()), 1) + 1 / int(ready.trial.sum()))
    sd = float(np.sqrt(max(evidence.scatter[-1], 0.0) * pulls / 2))
    kept = float(evidence.se[-1] ** 2 - evidence.scatter[-1])
    low, high = (
        stats.pulls_needed(np.log1p(WANTED_PCT / 100), limit, max(kept, 0.0)) for limit in stats.sd_interval(sd, df)
    )
    if low is None or high is None:
        return smallest, None, [warning("two-pct-out-of-reach", shared=kept > 0)]
    return smallest, (low, high), []


class Pair(msgspec.Struct, frozen=True):
    """Two tunes of which one gives more load, resolved overall and in any order."""

    more: str
    less: str


class Several(msgspec.Struct, frozen=True, kw_only=True):
    """Every trial against the base, in the order given; `family` comparisons were made; `ranked` are the pairs told
    apart, a pair that is not there has no order; `not_compared` trials with the reason, one plain line each."""

    base: str
    family: int
    comparisons: tuple[Comparison, ...]
    ranked: tuple[Pair, ...]
    not_compared: dict[str, str]


def compare_several(
    pulls: Sequence[PullTrace],
    base: str,
    trials: Sequence[str],
    width: float = DEFAULT_WIDTH_RPM,
    air: Mapping[str, float] | None = None,
    scatter: Scatter = PRIOR,
    drift_pct: float = DRIFT_PCT,
) -> Several:
    """Compare trials with one base, as `compare` does. Raises InputError as it does where not one can be compared."""
    tunes = list(dict.fromkeys([base, *trials]))
    if len(tunes) < 2:
        raise InputError(f"base and trial are both {base!r}; give two tunes", code="same-tune-twice", tune=base)
    family = len(tunes) * (len(tunes) - 1) // 2
    found: dict[tuple[str, str], Comparison] = {}
    refused: dict[str, str] = {}
    last: InputError | None = None
    for first, second in combinations(tunes, 2):
        try:
            found[first, second] = compare(pulls, first, second, width, air, scatter, drift_pct, family)
        except InputError as error:
            last = error
            if first == base:
                refused[second] = str(error)
    against_base = tuple(result for (first, _), result in found.items() if first == base)
    if not against_base and last is not None:
        raise last
    told = [result for result in found.values() if result.overall.resolved and not result.order_only]
    ranked = tuple(
        Pair(result.trial, result.base) if (result.overall.change_pct or 0.0) > 0 else Pair(result.base, result.trial)
        for result in told
    )
    return Several(base=base, family=family, comparisons=against_base, ranked=ranked, not_compared=refused)
