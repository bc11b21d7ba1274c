"""Rehearsal days from file to comparison: mean recovered change against the truth, and how often intervals hold it."""

import sys
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from stream.sources.rehearsal.truth import change_by_band
from stream.study.compare.answer import Comparison
from stream.study.compare.compare import compare
from stream.study.dataset import open_datasets
from stream.study.pulls import all_traces
from tests.stream.study.rehearsed import day

TURNS = ("heron", "plover", "heron", "plover")


@dataclass
class Bias:
    """Per band: rpm, truth, mean error and its standard error, all in %; shares of bands whose interval held it."""

    rpm: np.ndarray
    truth: np.ndarray
    error: np.ndarray
    se: np.ndarray
    held: np.ndarray
    width: np.ndarray
    resolved: np.ndarray

    def words(self) -> str:
        """A line for each band, and the whole."""
        rows = zip(self.rpm, self.truth, self.error, self.se, self.held, self.width, self.resolved, strict=True)
        lines = [
            f"{rpm:5.0f} rpm: truth {truth:+5.2f} %, mean error {error:+5.2f} ± {se:.2f} %, held {held:4.0%}, "
            f"half width {width:.1f} %, resolved {resolved:4.0%}"
            for rpm, truth, error, se, held, width, resolved in rows
        ]
        return "\n".join([*lines, f"all bands held {self.held.mean():.1%}"])


def one_day(seed: int, tunes: tuple[str, ...], trial: str, **more: object) -> Comparison:
    """Four sessions on disk, read back and compared; `trial` may be the base again, as A-against-A."""
    with tempfile.TemporaryDirectory() as folder:
        pulls, _ = all_traces(open_datasets(day(Path(folder), seed, tunes, **more)))
        return compare(pulls, tunes[0], trial)


def measure(days: int = 24, first_seed: int = 1, **more: object) -> Bias:
    """Drive `days` days, each with other weather, zero errors and noise."""
    truth = {band.rpm: band.change_pct for band in change_by_band("heron", "plover")}
    found: dict[float, list[tuple[float, bool, float, bool]]] = {rpm: [] for rpm in truth}
    for seed in range(first_seed, first_seed + days):
        for band in one_day(seed, TURNS, "plover", **more).bands:
            if band.rpm in truth and band.change_pct is not None and band.low_pct is not None:
                held = band.low_pct <= truth[band.rpm] <= band.high_pct
                error, half = band.change_pct - truth[band.rpm], (band.high_pct - band.low_pct) / 2
                found[band.rpm].append((error, held, half, band.resolved))
    rpm = [key for key, values in found.items() if len(values) > 1]
    rows = [np.array(found[key], dtype=float) for key in rpm]
    return Bias(
        rpm=np.array(rpm),
        truth=np.array([truth[key] for key in rpm]),
        error=np.array([row[:, 0].mean() for row in rows]),
        se=np.array([row[:, 0].std(ddof=1) / np.sqrt(len(row)) for row in rows]),
        held=np.array([row[:, 1].mean() for row in rows]),
        width=np.array([row[:, 2].mean() for row in rows]),
        resolved=np.array([row[:, 3].mean() for row in rows]),
    )


def false_claims(days: int = 24, first_seed: int = 500, **more: object) -> tuple[int, int]:
    """(days with a band resolved, days resolved overall) where the trial is the base under another name."""
    any_band = overall = 0
    for seed in range(first_seed, first_seed + days):
        with tempfile.TemporaryDirectory() as folder:
            pulls, _ = all_traces(open_datasets(day(Path(folder), seed, ("heron",) * 4, **more)))
        sessions = dict.fromkeys(pull.session for pull in pulls)
        names = {name: ("heron", "again")[place % 2] for place, name in enumerate(sessions)}
        result = compare([replace(pull, tune=names[pull.session]) for pull in pulls], "heron", "again")
        any_band += any(band.resolved for band in result.bands)
        overall += result.overall.resolved
    return any_band, overall


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 24
    for doubt in ("gap", "noise", None):
        print(f"zeros: {doubt}\n{measure(count, zeros=doubt).words()}")
        print(f"A against A, of {count} days (any band, overall): {false_claims(count, zeros=doubt)}", flush=True)
