"""Load against engine speed, per tune: mean over pulls in each rev band, with a 95 % t-interval across
pulls."""

import csv
import io
from collections.abc import Mapping, Sequence
from typing import Any

import msgspec
import numpy as np

from stream.errors import InputError
from stream.findings import Finding, note, unique, warning
from stream.frames import to_pandas
from stream.study import stats
from stream.study.bands import DEFAULT_WIDTH_RPM, BandTable, band_means, band_table
from stream.study.choose import in_one_gear, one_zero, usable_pulls
from stream.study.compare.compare import table_findings, with_air
from stream.study.pulls import PullTrace
from stream.units import Floats


class CurveBand(msgspec.Struct, frozen=True, kw_only=True):
    """One rev band: mean load, 95 % interval (None below two pulls), pulls; relative power where zero is
    known.

    `relative_power_pct` is load times speed, in % of the greatest among all curves shown; `pressure_kpa` the mean
    manifold pressure.
    """

    rpm: float
    mean: float
    low: float | None
    high: float | None
    n: int
    relative_power_pct: float | None = None
    pressure_kpa: float | None = None


class TuneCurve(msgspec.Struct, frozen=True, kw_only=True):
    """One tune's curve; `pulls` were used."""

    tune: str
    pulls: int
    bands: tuple[CurveBand, ...]


class Curves(msgspec.Struct, frozen=True, kw_only=True):
    """The answer of `curve`; its fields are the keys of its JSON."""

    unit: str
    tunes: tuple[TuneCurve, ...]
    findings: tuple[Finding, ...]

    def to_pandas(self) -> Any:
        """A pandas DataFrame with a row for each band of each tune."""
        frame = to_pandas(band for tune in self.tunes for band in tune.bands)
        frame.insert(0, "tune", [tune.tune for tune in self.tunes for _ in tune.bands])
        return frame


def curves(
    pulls: Sequence[PullTrace], width: float = DEFAULT_WIDTH_RPM, air: Mapping[str, float] | None = None
) -> Curves:
    """One curve per tune, in the order the tunes first appear; pulls of one gear only.

    The interval is the pulls' own scatter and the stated uncertainty of the lag; that of a zero moves a whole curve
    and is said in a warning. Raises InputError as `compare` does, but tunes without a clean pull are only
    warned of.
    """
    used, words = usable_pulls(pulls)
    tunes = list(dict.fromkeys(pull.tune for pull in used))
    used, findings = _shown_gear(used, tunes, width)
    used, zero_words = one_zero(used)
    findings = [*words, *findings, *zero_words]
    if air is not None:
        used = with_air(used, air)
        findings.append(note("air-corrected"))
    table = band_table(used, width)
    pressure = band_means(used, [pull.pressure_kpa for pull in used], table)
    findings += table_findings(table)
    zeroed = all(pull.zero is not None for pull in used)
    if zeroed:
        uncertainty = max(pull.zero.doubt for pull in used if pull.zero is not None)
        if uncertainty:
            findings.append(note("zero-moves-curve", uncertainty=uncertainty, unit=used[0].unit))
    else:
        findings.append(note("no-relative-power"))
    rows = [_tune(tune, used, table, pressure) for tune in tunes]
    return Curves(unit=used[0].unit, tunes=tuple(_with_power(rows) if zeroed else rows), findings=unique(findings))


def curves_csv(result: Curves) -> str:
    """The curves as CSV text: tune,rpm,mean,low,high,n,relative_power_pct; an unknown cell is empty."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["tune", "rpm", "mean", "low", "high", "n", "relative_power_pct"])
    for tune in result.tunes:
        for band in tune.bands:
            cells = (band.rpm, band.mean, band.low, band.high, band.n, band.relative_power_pct)
            writer.writerow([tune.tune, *("" if cell is None else f"{cell:.9g}" for cell in cells)])
    return text.getvalue()


def _shown_gear(used: list[PullTrace], tunes: Sequence[str], width: float) -> tuple[list[PullTrace], list[Finding]]:
    """The pulls in the gear common to all tunes; where there is none, each tune in the gear it has most of."""
    try:
        kept, _, words = in_one_gear(used, tunes, width)
    except InputError:
        kept, findings = [], [warning("curves-in-different-gears")]
        for tune in tunes:
            own, gear, own_words = in_one_gear([pull for pull in used if pull.tune == tune], [tune], width)
            kept += own
            findings += [
                note("tune-shown-in-gear", tune=tune, gear=gear.number, gain_rpm_s=gear.gain_rpm_s),
                *own_words,
            ]
        return kept, findings
    return kept, words


def _tune(tune: str, used: Sequence[PullTrace], table: BandTable, pressure: Floats) -> TuneCurve:
    rows = [index for index, pull in enumerate(used) if pull.tune == tune]
    load = table.load[rows]
    filled = np.flatnonzero(np.isfinite(load).any(axis=0))
    lag = _lag_uncertainty(load, table, rows, used)
    bands = []
    for column in filled:
        values = load[np.isfinite(load[:, column]), column]
        mean = float(values.mean())
        interval = stats.mean_interval(values)
        low = high = None
        if interval is not None:
            half = float(np.hypot(interval[1] - mean, stats.t_quantile(np.inf) * lag[column]))
            low, high = mean - half, mean + half
        own = pressure[rows, column]
        kpa = float(own[np.isfinite(own)].mean()) if np.isfinite(own).any() else None
        bands.append(
            CurveBand(rpm=float(table.rpm[column]), mean=mean, low=low, high=high, n=len(values), pressure_kpa=kpa)
        )
    return TuneCurve(tune=tune, pulls=len(rows), bands=tuple(bands))


def _lag_uncertainty(load: Floats, table: BandTable, rows: Sequence[int], used: Sequence[PullTrace]) -> Floats:
    """(bands,) standard uncertainty of load from the lag's: its slope over speed, times rate of gain, times
    uncertainty."""
    uncertainty = max((used[row].u_lag_s for row in rows), default=0.0)
    result = np.zeros(load.shape[1])
    filled = np.flatnonzero(np.isfinite(load).any(axis=0))
    if uncertainty == 0 or len(filled) < 2:
        return result
    slope = np.gradient(np.nanmean(load[:, filled], axis=0), table.rpm[filled])
    result[filled] = np.abs(slope * np.nanmean(table.rate[rows][:, filled], axis=0)) * uncertainty
    return result


def _with_power(rows: Sequence[TuneCurve]) -> list[TuneCurve]:
    greatest = max((abs(band.mean * band.rpm) for row in rows for band in row.bands), default=0.0)
    if greatest == 0:
        return list(rows)
    return [
        msgspec.structs.replace(
            row,
            bands=tuple(
                msgspec.structs.replace(band, relative_power_pct=100 * band.mean * band.rpm / greatest)
                for band in row.bands
            ),
        )
        for row in rows
    ]
