"""The best advance of all rev bands at once: neighbouring bands teach each other what one alone cannot tell.

In band b the log of load is taken as a_b - k (x - m_b)², x the advance that was really there. The levels a_b are free,
the curvature k is shared, and the best advance m_b is a straight line over engine speed plus a smooth curve whose size
tau says how stiff it is. For a given k, tau and session scatter all of it is linear and Gaussian, so each triple has a
marginal likelihood of the runs; the answer is the mixture over the triples, weighed by that evidence and by what is
known beforehand. Nothing is chosen once and then taken for sure.

What is in the covariance: the scatter of pulls (of this day and the car's known scatter together), what a whole turn
or session is off by, level and shape, the zeros; and what the model itself gets wrong: a curve that falls faster on one
side (a cubic term), and bands whose curvature differs from the shared one.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy  # its parts load when first used

from stream.study import shared
from stream.study.compare.scatter import PRIOR, Scatter
from stream.study.pulls import PullTrace
from stream.units import Flags, Floats, Ints

NEAR_BEST = 0.90  # settings below this share of a band's best load are too far away for a parabola
# Of torque lost at a squared degree: 1 % at 4 to 5 degrees, 4 to 7 % at 10; common practice, no source
CURVATURE, CURVATURE_SD = 5.5e-4, 0.45  # median; standard deviation of its log
_CURVATURES = CURVATURE * np.exp(np.linspace(-3.0, 3.0, 9) * CURVATURE_SD)
_STIFF_DEG = np.array([0.3, 1.2, 4.0, 10.0])  # tau; beforehand all alike
_STIFF_RPM = 1000.0  # chosen: over which a best-advance curve may bend; broader than a tuned intake's bump
_SHORT_SHARE, _SHORT_RPM = 0.4, 350.0  # of its variance, in what bends within a bump
_SESSION_TIMES = np.array([0.5, 1.0, 2.0, 4.0])  # how far a day's session scatter may be from the known one
_SESSION_WEIGHT = np.array([0.3, 0.4, 0.22, 0.08])  # chosen by measurement (tests/bench/study_sweeps.py)
LINE_DEG, LINE_DEG_PER_1000 = 12.0, 4.0  # the straight line's own standard deviation about the settings tried
SKEW_PER_10 = 0.20  # chosen: how much steeper a curve may be 10 degrees to one side; standard deviation
BAND_CURVATURE = 0.12  # chosen: how far a band's curvature is from the shared one; standard deviation
BAND_CURVATURE_RPM = 1500.0
SHAPE_RPM = 600.0  # over which a turn's departure in shape keeps its sign
_LEVEL_VAR = 1.0  # of log load: a band's level is free


@dataclass(frozen=True, slots=True)
class Runs:
    """Means over the pulls of one tune in one recording, run by run.

    load      (runs, bands) mean log load;  advance (runs, bands);  NaN: none
    count     (runs, bands) pulls
    session   (runs,) number of the recording
    zero      (runs, bands, sources) relative error of load for a zero's unit error;  zero_var (sources,)
    pull      (standard deviation of a pull in level, in shape), relative, blended with the known scatter
    tunes     of each run
    """

    tunes: Sequence[str]
    load: Floats
    advance: Floats
    count: Floats
    session: Ints
    zero: Floats
    zero_var: Floats
    pull: tuple[float, float]
    scatter: Scatter


@dataclass(frozen=True, slots=True)
class BestCurve:
    """The mixture: for each component its weight and curvature; mean and standard deviation of the best advance.

    weight, curvature (components,);  mean, sd (components, bands)
    """

    weight: Floats
    curvature: Floats
    mean: Floats
    sd: Floats

    def quantile(self, band: int, probability: float, below: Floats | float = 0.0) -> float:
        """Of the best advance in a band less `below`, (components,) degrees."""
        mean, sd = self.mean[:, band] - below, self.sd[:, band]
        low, high = float((mean - 8 * sd).min()), float((mean + 8 * sd).max())
        for _ in range(50):
            middle = (low + high) / 2
            if float(self.weight @ scipy.special.ndtr((middle - mean) / sd)) < probability:
                low = middle
            else:
                high = middle
        return (low + high) / 2

    def above(self, band: int, degrees: float, below: Floats | float = 0.0) -> float:
        """Probability that the best advance in a band, less `below`, lies above some degrees."""
        mean, sd = self.mean[:, band] - below, self.sd[:, band]
        return float(self.weight @ scipy.special.ndtr((mean - degrees) / sd))

    def within(self, share: float) -> Floats:
        """(components,) degrees from the best at which this share of load is lost."""
        return np.sqrt(share / self.curvature)

    def loss(self, band: int, degrees: float, probability: float) -> float:
        """Quantile of the share of load that is lost at some degrees."""
        mean, sd = self.mean[:, band], self.sd[:, band]
        low, high = 0.0, 1.0
        for _ in range(40):
            middle = (low + high) / 2
            reach = np.sqrt(middle / self.curvature)
            held = scipy.special.ndtr((degrees + reach - mean) / sd) - scipy.special.ndtr((degrees - reach - mean) / sd)
            if float(self.weight @ held) < probability:
                low = middle
            else:
                high = middle
        return (low + high) / 2

    def change(self, band: int, least: float, most: float) -> tuple[float, float, float]:
        """(mean, 2.5 %, 97.5 %) of the share of load gained from the lesser to the greater of two advances."""
        slope = self.curvature * (most - least)
        mean, sd = slope * (2 * self.mean[:, band] - least - most), 2 * np.abs(slope) * self.sd[:, band]
        one = BestCurve(self.weight, self.curvature, mean[:, None], np.maximum(sd, 1e-12)[:, None])
        return float(self.weight @ mean), one.quantile(0, 0.025), one.quantile(0, 0.975)


def runs_of(pulls: Sequence[PullTrace], load: Floats, advance: Floats, scatter: Scatter = PRIOR) -> Runs | None:
    """The runs of these pulls, in the order they were made; load, advance (pulls, bands). None without any."""
    usable = np.isfinite(load) & np.isfinite(advance) & (load > 0)
    if not usable.any():
        return None
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.where(usable, np.log(np.where(usable, load, 1.0)), np.nan)
    names = list(dict.fromkeys(pull.session for pull in pulls))
    sources = shared.zero_sources(pulls)
    keys = list(dict.fromkeys((pull.session, pull.tune) for pull in pulls))
    # turns of one tune in one recording are one run: what differs between them shows in the scatter of its pulls
    group = np.array([keys.index((pull.session, pull.tune)) for pull in pulls], np.intp)
    count = np.array([usable[group == one].sum(axis=0) for one in range(len(keys))], np.float64)
    filled = np.maximum(count, 1)

    def mean(values: Floats) -> Floats:
        total = np.array(
            [np.where(usable[group == one], values[group == one], 0.0).sum(axis=0) for one in range(len(keys))]
        )
        return np.where(count > 0, total / filled, np.nan)

    level = mean(logs)
    loading = (
        np.stack(
            [
                mean(np.where(usable, column[:, None] / np.where(usable, load, 1.0), np.nan))
                for column in sources.loading.T
            ],
            axis=-1,
        )
        if sources.loading.shape[1]
        else np.zeros((*level.shape, 0))
    )
    return Runs(
        tunes=[tune for _, tune in keys],
        load=level,
        advance=mean(advance),
        count=count,
        session=np.array([names.index(session) for session, _ in keys], np.intp),
        zero=np.nan_to_num(loading),
        zero_var=sources.variance,
        pull=_pull_scatter(logs - level[group], group, scatter),
        scatter=scatter,
    )


def _pull_scatter(residual: Floats, group: Ints, scatter: Scatter) -> tuple[float, float]:
    """(level, shape): standard deviations of a pull about its run, blended with the known scatter by their worth."""
    whole = np.isfinite(residual).mean(axis=1) > 0.5
    size = np.bincount(group[whole], minlength=int(group.max()) + 1)
    free = float(np.maximum(size - 1, 0).sum())
    if free == 0:
        return scatter.level.pull, scatter.shape.pull
    rows = residual[whole]
    level = np.nanmean(rows, axis=1)
    shape = rows - level[:, None]
    seen = np.isfinite(shape).sum(axis=1)
    share = free / len(rows)  # a run's own mean took one of its pulls
    level_var = float((level**2).mean()) / share
    shape_var = float(np.nansum(shape**2) / max(float((seen - 1).sum()), 1.0)) / share
    df = scatter.pull_df

    def blended(known: float, found: float) -> float:
        return float(np.sqrt((df * known**2 + free * found) / (df + free)))

    return blended(scatter.level.pull, level_var), blended(scatter.shape.pull, shape_var)


def best_curve(runs: Runs, rpm: Floats) -> BestCurve | None:
    """The best advance over `rpm`, (bands,); None where no band has two settings of use."""
    used = _near_best(runs)
    run, band = np.nonzero(used)
    x, y = runs.advance[run, band], runs.load[run, band]
    if len(x) < 2 or not _any_two(used, runs.advance):
        return None
    y = y - y.mean()
    centre = _middle(rpm, band, x)
    first = _mixture(runs, rpm, run, band, x, y, centre, centre)
    return _mixture(runs, rpm, run, band, x, y, centre, first.weight @ first.mean)


def _middle(rpm: Floats, band: Ints, x: Floats) -> Floats:
    """(bands,) a smooth curve through the middle of the settings tried: where the best is looked for."""
    bands = np.unique(band)
    middle = np.array([(x[band == one].min() + x[band == one].max()) / 2 for one in bands])
    at = (rpm - rpm.mean()) / 1000.0
    degree = min(2, len(bands) - 1)
    return np.asarray(
        np.polynomial.polynomial.polyval(at, np.polynomial.polynomial.polyfit(at[bands], middle, degree)), np.float64
    )


def _near_best(runs: Runs) -> Flags:
    """(runs, bands) what is within reach of a parabola."""
    there = np.isfinite(runs.load)
    best = np.where(there, runs.load, -np.inf).max(axis=0)
    return np.asarray(there & (runs.load >= best + np.log(NEAR_BEST)))


def _any_two(used: Flags, advance: Floats) -> bool:
    spans = [np.ptp(advance[used[:, band], band]) for band in range(used.shape[1]) if used[:, band].sum() > 1]
    return bool(spans) and max(spans) >= 0.5


def _near(a: Floats, b: Floats, length: float) -> Floats:
    """Correlation that dies away over a length, (a, b)."""
    return np.exp(-0.5 * ((a[:, None] - b[None, :]) / length) ** 2)


def _mixture(
    runs: Runs, rpm: Floats, run: Ints, band: Ints, x: Floats, y: Floats, centre: Floats, about: Floats
) -> BestCurve:
    """The mixture over curvature, stiffness and session scatter; `about` (bands,) is where misfit is reckoned from."""
    speed = rpm[band]
    from_line = (rpm - rpm.mean()) / 1000.0
    fixed, session = _errors(runs, rpm, run, band)
    fixed = fixed + _LEVEL_VAR * (band[:, None] == band[None, :])
    off = np.clip(x - about[band], -15.0, 15.0)
    skew = np.outer(off**3, off**3) * (SKEW_PER_10 / 10.0) ** 2
    bent = np.outer(off**2, off**2) * BAND_CURVATURE**2 * _near(speed, speed, BAND_CURVATURE_RPM)
    line = LINE_DEG**2 + LINE_DEG_PER_1000**2 * np.outer(from_line, from_line)
    bend = (1 - _SHORT_SHARE) * _near(rpm, rpm, _STIFF_RPM) + _SHORT_SHARE * _near(rpm, rpm, _SHORT_RPM)
    found = []
    for curvature in _CURVATURES:
        known = -0.5 * (np.log(curvature / CURVATURE) / CURVATURE_SD) ** 2
        target = y + curvature * (x - centre[band]) ** 2
        slope = 2 * curvature * (x - centre[band])
        misfit = fixed + CURVATURE**2 * (skew + bent)
        for tau in _STIFF_DEG:
            prior = line + tau**2 * bend
            crossed = slope[:, None] * prior[band]  # covariance of the runs with the best advance, (n, bands)
            signal = crossed[:, band] * slope[None, :]
            for times, weight in zip(_SESSION_TIMES, _SESSION_WEIGHT, strict=True):
                one = _component(misfit + times**2 * session + signal, target, crossed, prior, centre)
                found.append((*one, curvature, known + np.log(weight)))
    evidence = np.array([one[2] + one[4] for one in found])
    weight = np.exp(evidence - evidence.max())
    return BestCurve(
        weight / weight.sum(),
        np.array([one[3] for one in found]),
        np.array([one[0] for one in found]),
        np.array([one[1] for one in found]),
    )


def _component(
    covariance: Floats, target: Floats, crossed: Floats, prior: Floats, centre: Floats
) -> tuple[Floats, Floats, float]:
    """(mean, standard deviation of the best advance, (bands,); log marginal likelihood)."""
    from scipy import linalg

    factor = linalg.cholesky(covariance, lower=True, check_finite=False)
    both = linalg.solve_triangular(factor, np.column_stack([target, crossed]), lower=True, check_finite=False)
    white, gain = both[:, 0], both[:, 1:]
    likelihood = -0.5 * float(white @ white) - float(np.log(np.diag(factor)).sum())
    variance = np.diag(prior) - (gain**2).sum(axis=0)
    return centre + gain.T @ white, np.sqrt(np.maximum(variance, 1e-8)), likelihood


def _errors(runs: Runs, rpm: Floats, run: Ints, band: Ints) -> tuple[Floats, Floats]:
    """Covariances of the runs' means, (n, n): (pulls and zeros, and a turn's own; what a session is off by)."""
    same_run = run[:, None] == run[None, :]
    same = same_run & (band[:, None] == band[None, :])
    number = runs.count[run, band]
    fewer = np.minimum(number[:, None], number[None, :])
    level, shape = runs.pull
    fixed = same_run * level**2 / fewer + same * shape**2 / number[:, None]
    load = runs.zero[run, band]
    fixed = fixed + (load * runs.zero_var) @ load.T
    turn, turn_shape = runs.scatter.level.turn, runs.scatter.shape.turn
    own = runs.session[run]
    same_session = own[:, None] == own[None, :]
    together = _near(rpm[band], rpm[band], SHAPE_RPM)
    fixed = fixed + same_run * (0.5 * turn) ** 2 + 1e-10 * np.eye(len(run))
    return fixed, same_session * turn**2 + same_run * turn_shape**2 * together
