# NOTE TO ALL (04:55): lead rewrites stream/study/compare/{compare,coach,fair,pair}.py and their commands now.
# data, air: leave these alone. air: put `pressure_kpa` (rows,), absolute, on PullTrace; lead compares at equal boost.
"""Two sides of pulls in one band table: the tests that `compare` reports, and the errors the sides share."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from stream.study import shared, stats
from stream.study.bands import BandTable
from stream.study.pulls import PullTrace
from stream.study.stats import Part
from stream.units import Flags, Floats, Ints

LEAST_RELATIVE_SE = 1e-6  # load arrays in single precision carry no more
LEAST_SHARE = 0.10  # of the greatest load in the curve: below it a change in % says nothing
ZERO_DOUBTS = 3.0  # load must stand this many doubts of its zero away from it


@dataclass(slots=True)
class Pair:
    """Base and trial pulls with their band means.

    load       (pulls, bands) as in the band table;  side (pulls,) true on the trial side
    tested     (bands,) bands where a change in % has a meaning
    log_load   (pulls,) mean log load over the shared bands; NaN for a pull left out of the overall change
    """

    pulls: Sequence[PullTrace]
    rpm: Floats
    load: Floats
    rate: Floats
    side: Flags
    tested: Flags
    log_load: Floats
    shared_bands: Flags
    zero: shared.Sources
    sessions: Floats
    excess: shared.SessionExcess = shared.NO_EXCESS
    warnings: list[str] = field(default_factory=list)
    shared_parts: list[Part] = field(default_factory=list)

    @classmethod
    def of(cls, pulls: Sequence[PullTrace], table: BandTable, trial: str) -> "Pair":
        """Sort pulls of two tunes into sides and find what can be tested."""
        count, bands = table.load.shape
        side = np.array([pull.tune == trial for pull in pulls])
        pair = cls(
            pulls=pulls,
            rpm=table.rpm,
            load=table.load,
            rate=table.rate,
            side=side,
            tested=np.zeros(bands, dtype=bool),
            log_load=np.full(count, np.nan),
            shared_bands=np.zeros(bands, dtype=bool),
            zero=shared.zero_sources(pulls),
            sessions=shared.session_loading(pulls),
        )
        pair._find_tested()
        pair._find_overall()
        return pair

    @property
    def base_pulls(self) -> list[PullTrace]:
        """Pulls of the base tune."""
        return [pull for pull, is_trial in zip(self.pulls, self.side, strict=True) if not is_trial]

    @property
    def trial_pulls(self) -> list[PullTrace]:
        """Pulls of the trial tune."""
        return [pull for pull, is_trial in zip(self.pulls, self.side, strict=True) if is_trial]

    def side_values(self, column: int) -> tuple[Floats, Floats]:
        """(base, trial) load in one band, empty pulls left out."""
        base_rows, trial_rows = self._rows(self.load[:, column])
        return self.load[base_rows, column], self.load[trial_rows, column]

    def log_sides(self) -> tuple[Floats, Floats]:
        """(base, trial) mean log load of the pulls in the overall change."""
        base_rows, trial_rows = self._rows(self.log_load)
        return self.log_load[base_rows], self.log_load[trial_rows]

    def band_test(self, column: int) -> stats.Test | None:
        """Welch's test on the log ratio of one band, shared errors added; None where there is none."""
        base_rows, trial_rows = rows = self._rows(self.load[:, column])
        if not self.tested[column] or min(len(base_rows), len(trial_rows)) < 2:
            return None
        base, trial = self.load[base_rows, column], self.load[trial_rows, column]
        parts = stats.welch_parts(base / base.mean(), trial / trial.mean())
        per_load = np.where(self.side, trial.mean(), base.mean())
        common = self._shared(rows, self.zero.loading / per_load[:, None], np.array([column]))
        change = float(np.log(trial.mean() / base.mean()))
        return stats.judge(change, *_one_estimate(parts, common), floor=LEAST_RELATIVE_SE)

    def overall_test(self) -> stats.Test | None:
        """Welch's test on the pulls' mean log load, shared errors added; None with fewer than two a side."""
        base_rows, trial_rows = rows = self._rows(self.log_load)
        if min(len(base_rows), len(trial_rows)) < 2:
            return None
        base, trial = self.log_load[base_rows], self.log_load[trial_rows]
        self.shared_parts = self._shared(rows, self._zero_on_log(), np.flatnonzero(self.shared_bands))
        parts = stats.welch_parts(base, trial)
        change = float(trial.mean() - base.mean())
        return stats.judge(change, *_one_estimate(parts, self.shared_parts), floor=LEAST_RELATIVE_SE)

    def _rows(self, values: Floats) -> tuple[Ints, Ints]:
        good = np.isfinite(values)
        return np.flatnonzero(good & ~self.side), np.flatnonzero(good & self.side)

    def _zero_on_log(self) -> Floats:
        """(pulls, sources): what a zero error does to a pull's mean log load."""
        with np.errstate(divide="ignore", invalid="ignore"):
            inverse = (1 / self.load[:, self.shared_bands]).mean(axis=1)
        return np.asarray(self.zero.loading * np.nan_to_num(inverse)[:, None])

    def _lag_loading(self, columns: Ints) -> Floats:
        """(pulls,): relative error of load over these bands when the lag is one second longer than
        thought."""
        mean = np.array([np.nanmean(column) if np.isfinite(column).any() else np.nan for column in self.load.T])
        good = np.isfinite(mean)
        if good.sum() < 2:
            return np.zeros(len(self.pulls))
        slope = np.interp(self.rpm[columns], self.rpm[good], np.gradient(mean[good], self.rpm[good]))
        return np.asarray(np.nan_to_num(slope / mean[columns] * self.rate[:, columns]).mean(axis=1))

    def _shared(self, rows: tuple[Ints, Ints], zero: Floats, columns: Ints) -> list[Part]:
        """What the pulls in `rows` share over `columns` (bands), `zero` (pulls, sources) as relative
        loadings."""
        base_rows, trial_rows = rows
        parts = []
        if len(self.zero.variance):
            extra = shared.shared_variance(zero[base_rows], zero[trial_rows], self.zero.variance)
            parts.append(Part(extra, np.inf))
        doubt = max(pull.lag_doubt_s for pull in self.pulls)
        if doubt > 0:
            column = self._lag_loading(columns)[:, None]
            extra = shared.shared_variance(column[base_rows], column[trial_rows], np.array([doubt**2]))
            parts.append(Part(extra, np.inf))
        if self.excess.variance > 0:
            variance = np.full(self.sessions.shape[1], self.excess.variance)
            extra = shared.shared_variance(self.sessions[base_rows], self.sessions[trial_rows], variance)
            parts.append(Part(extra, self.excess.df))
        return parts

    def _find_tested(self) -> None:
        """Bands with a pull on each side, load of one sign and well away from zero on both."""
        doubt = max((pull.zero.doubt for pull in self.pulls if pull.zero is not None), default=0.0)
        means = [
            np.array([abs(v.mean()) if len(v) else np.nan for v in self.side_values(c)]) for c in range(len(self.rpm))
        ]
        greatest = max((float(np.nanmax(pair)) for pair in means if np.isfinite(pair).any()), default=0.0)
        least = max(LEAST_SHARE * greatest, ZERO_DOUBTS * doubt)
        unsafe = []
        for column, mean in enumerate(means):
            if not np.isfinite(mean).all():
                continue
            values = self.load[np.isfinite(self.load[:, column]), column]
            one_sign = bool((values > 0).all() or (values < 0).all())
            self.tested[column] = one_sign and bool((mean > least).all())
            if not self.tested[column]:
                unsafe.append(f"{self.rpm[column]:.0f}")
        if unsafe:
            self.warnings.append(
                f"load crosses zero or is too near it at {', '.join(unsafe)} rpm: no change in % there"
            )
        if self.tested.any() and (self.load[:, self.tested][np.isfinite(self.load[:, self.tested])] < 0).all():
            self.warnings.append("load is negative throughout, so the change is of its size; check its sign")

    def _find_overall(self) -> None:
        """The bands shared by the pulls of the overall change, and each such pull's mean log load."""
        have = np.isfinite(self.load) & self.tested
        rows, bands = best_block(have, self.side)
        if not bands.any():
            return
        self.shared_bands = bands
        self.log_load[rows] = np.log(np.abs(self.load[np.ix_(rows, np.flatnonzero(bands))])).mean(axis=1)
        left_out = int((~rows & have.any(axis=1)).sum())
        if left_out:
            self.warnings.append(
                f"{left_out} short pull(s) left out of the overall change, which needs bands that all share"
            )
        self.excess = shared.session_excess(
            self.log_load[rows],
            self.side[rows].astype(np.intp),
            np.argmax(self.sessions[rows], axis=1),
            self._zero_on_log()[rows],
            self.zero.variance,
        )
        if self.sessions.shape[1] > 1 and not self.zero.variance.any():
            self.warnings.append(
                "no doubt of a zero is stated: an error that all pulls of a session share is only "
                "counted as far as sessions of one tune differ"
            )
        if self.excess.variance > 0:
            self.warnings.append(
                f"sessions of one tune differ by about {100 * np.sqrt(self.excess.variance):.1f} % more than "
                "their pulls and stated zeros explain; that is in every interval"
            )


def _one_estimate(scatter: Sequence[Part], common: Sequence[Part]) -> tuple[list[Part], list[Part]]:
    """(estimated, stated) parts of a variance.

    Where sessions of one tune differ, that difference stands in the scatter of the pulls as well, so the two
    are no independent estimates, and the scatter has not the freedom of its many pulls: together they are one
    estimate with the sessions' degrees of freedom (exact where the sessions have equally many pulls).
    """
    sessions = [part for part in common if np.isfinite(part.df)]
    stated = [part for part in common if not np.isfinite(part.df)]
    if not sessions:
        return list(scatter), stated
    whole = sum(part.variance for part in (*scatter, *sessions))
    return [Part(whole, min(part.df for part in sessions))], stated


def best_block(have: Flags, side: Flags) -> tuple[Flags, Flags]:
    """Rows (pulls) and columns (bands), bool, such that every row has every column.

    Starts from all pulls and lets the one with the fewest bands go, one at a time, never the last two of a
    side. Best is the greatest pulls² × bands: a pull is worth more than a band.
    """
    rows: Flags = np.asarray(have.any(axis=1))
    size, best_rows, best_bands = 0, rows, np.zeros(have.shape[1], dtype=np.bool_)
    while rows.any():
        both = bool(side[rows].any() and (~side[rows]).any())
        bands: Flags = np.asarray(have[rows].all(axis=0)) & both
        worth = int(rows.sum()) ** 2 * int(bands.sum())
        if worth > size:
            size, best_rows, best_bands = worth, rows, bands
        spare = [row for row in np.flatnonzero(rows) if (rows & (side == side[row])).sum() > 2]
        if not spare:
            break
        rows = rows.copy()
        rows[min(spare, key=lambda row: int(have[row].sum()))] = False
    return best_rows, best_bands
