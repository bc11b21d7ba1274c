"""Which pulls may stand beside each other: usable ones, of one car and unit, in one gear."""

import itertools
import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stream.errors import InputError
from stream.findings import Finding, note, warning
from stream.study.bands import DEFAULT_WIDTH_RPM, band_table
from stream.study.pulls import PullTrace, gear_findings, in_time_order

# Rates of gain of two neighbouring gears differ by about the square of their ratios (1.4 and more); two tunes
# in one gear, wind and a slight grade by far less than this.
GEAR_GAP = 1.3


@dataclass(frozen=True, slots=True)
class Gear:
    """A gear: its number, or where none is declared what its pulls usually gain, rpm/s; neither: it is not known."""

    number: int | None = None
    gain_rpm_s: float | None = None


def usable_pulls(pulls: Sequence[PullTrace], tunes: Sequence[str] = ()) -> tuple[list[PullTrace], list[Finding]]:
    """The pulls of these tunes (all where none is named) that may be used, as they were made, and what must be said of
    the rest and of their gears.

    Raises InputError where a tune is not there or has no usable pull, or where cars or units differ.
    """
    known = list(dict.fromkeys(pull.tune for pull in pulls))
    for tune in tunes:
        if tune not in known:
            there = ", ".join(repr(name) for name in known) or "no pull at all"
            raise InputError(f"tune {tune!r}: no pull of it in these sessions; they hold {there}")
    wanted = [pull for pull in pulls if not tunes or pull.tune in tunes]
    _same_kind(wanted)
    used = [pull for pull in wanted if pull.usable]
    if not pulls:
        raise InputError("no pulls in these sessions; drive one, or look at what a replay finds", code="no-pulls")
    findings: list[Finding] = []
    for tune in tunes or known:
        if not any(pull.tune == tune for pull in used):
            why = Counter(fault for pull in wanted if pull.tune == tune for fault in pull.faults)
            faults = tuple(f"{fault} ×{count}" for fault, count in why.most_common())
            if tunes or not used:
                reason = ", ".join(faults) or "dropped by hand"
                message = f"tune {tune!r}: no clean pull ({reason}); make another, or keep a flawed one"
                raise InputError(message, code="no-clean-pull", tune=tune, why=reason)
            findings.append(warning("tune-without-clean-pull", tune=tune, faults=faults))
    kept_flawed = sum(1 for pull in used if pull.verdict == "flawed")
    if kept_flawed:
        findings.append(warning("flawed-pulls-kept", pulls=kept_flawed))
    if len({pull.calibration for pull in used}) > 1:
        findings.append(warning("calibrations-differ"))
    return in_time_order(used), [*findings, *gear_findings(used)]


def side_by_side(
    pulls: Sequence[PullTrace], tunes: Sequence[str], width: float = DEFAULT_WIDTH_RPM
) -> tuple[list[PullTrace], list[Finding]]:
    """The usable pulls of these tunes as they were made, in one gear, with their zero off or all without; what must be
    said. Raises InputError as `usable_pulls` and `in_one_gear`."""
    used, findings = usable_pulls(pulls, tunes)
    used, _, of_gears = in_one_gear(used, tunes, width)
    used, of_zeros = one_zero(used)
    return used, [*findings, *of_gears, *of_zeros]


def _same_kind(pulls: Sequence[PullTrace]) -> None:
    for what, values in (
        ("cars", {pull.car for pull in pulls if pull.car}),
        ("load units", {pull.unit for pull in pulls}),
    ):
        if len(values) > 1:
            names = " and ".join(repr(value) for value in sorted(values))
            raise InputError(f"sessions of different {what} ({names}) cannot stand side by side; leave one kind out")


def one_zero(pulls: Sequence[PullTrace]) -> tuple[list[PullTrace], list[Finding]]:
    """All pulls with their zero off, or, where any lacks one, all as recorded, with a warning."""
    if all(pull.zero is not None for pull in pulls):
        return list(pulls), []
    some = any(pull.zero is not None for pull in pulls)
    return [pull.without_zero() for pull in pulls], [warning("zero-missing", some=some)]


def gear_of_each(pulls: Sequence[PullTrace], width: float = DEFAULT_WIDTH_RPM) -> tuple[list[Gear], list[Finding]]:
    """Each pull's gear, and warnings. Where none is declared, the rate of gain tells gears apart.

    A pull without a gear joins a declared one whose rate of gain is within GEAR_GAP of its own.
    """
    if all(pull.gear is not None for pull in pulls):
        return [Gear(pull.gear) for pull in pulls], []
    rates = _log_rates(pulls, width)
    known = sorted({pull.gear for pull in pulls if pull.gear is not None})
    if not known:
        return _by_rate(rates)
    middle = {
        gear: float(np.median([rate for rate, pull in zip(rates, pulls, strict=True) if pull.gear == gear]))
        for gear in known
    }
    gears = []
    for rate, pull in zip(rates, pulls, strict=True):
        nearest = min(known, key=lambda gear: abs(middle[gear] - rate) if math.isfinite(rate) else 0.0)
        near = math.isfinite(rate) and abs(middle[nearest] - rate) < math.log(GEAR_GAP) / 2
        gears.append(Gear(pull.gear if pull.gear is not None else nearest if near else None))
    return gears, [note("gear-from-gain")]


def _log_rates(pulls: Sequence[PullTrace], width: float) -> list[float]:
    """Mean log rate of gain over the bands that all pulls share; over its own bands where they share none."""
    table = band_table(pulls, width)
    with np.errstate(invalid="ignore"):
        logs = np.log(table.rate)
    shared = np.isfinite(logs).all(axis=0)
    rows = logs[:, shared] if shared.any() else logs
    return [float(row[np.isfinite(row)].mean()) if np.isfinite(row).any() else math.nan for row in rows]


def _by_rate(rates: Sequence[float]) -> tuple[list[Gear], list[Finding]]:
    order = sorted((rate, index) for index, rate in enumerate(rates) if math.isfinite(rate))
    group, number = [0] * len(rates), 0
    for (before, _), (rate, index) in itertools.pairwise(order):
        number += rate - before > math.log(GEAR_GAP)
        group[index] = number
    if number == 0:
        return [Gear()] * len(rates), []
    gears = [Gear(gain_rpm_s=_usual_rate(rates, group, index)) for index in group]
    return gears, [warning("gears-from-gain", gears=number + 1)]


def _usual_rate(rates: Sequence[float], group: Sequence[int], wanted: int) -> float:
    return float(np.exp(np.median([rate for rate, index in zip(rates, group, strict=True) if index == wanted])))


def in_one_gear(
    pulls: Sequence[PullTrace], tunes: Sequence[str], width: float = DEFAULT_WIDTH_RPM
) -> tuple[list[PullTrace], Gear, list[Finding]]:
    """The pulls in the gear that serves these tunes best, that gear, and a warning naming what was left out.

    Best: the most pulls of the tune that has fewest in it, then the most pulls. Raises InputError where the
    tunes have no gear in common.
    """
    gears, findings = gear_of_each(pulls, width)
    counts = {
        gear: [sum(1 for own, p in zip(gears, pulls, strict=True) if own == gear and p.tune == tune) for tune in tunes]
        for gear in dict.fromkeys(gears)
    }
    best = max(counts, key=lambda gear: (min(counts[gear]), sum(counts[gear])))
    if min(counts[best]) == 0:
        there = "; ".join(
            f"{tune!r} in " + ", ".join(_plain(gear) for gear in counts if counts[gear][column])
            for column, tune in enumerate(tunes)
        )
        raise InputError(f"no gear in which every tune has a clean pull (gears: {there}); drive all in one gear")
    for gear in counts:
        if gear != best:
            left_out = {"gear": gear.number, "gain_rpm_s": gear.gain_rpm_s}
            used = {"used": best.number, "used_gain_rpm_s": best.gain_rpm_s}
            findings.append(note("gear-left-out", pulls=sum(counts[gear]), **left_out, **used))
    return [pull for own, pull in zip(gears, pulls, strict=True) if own == best], best, findings


def _plain(gear: Gear) -> str:
    """A gear in an error's line."""
    if gear.gain_rpm_s is not None:
        return f"{gear.gain_rpm_s:.0f} rpm/s"
    return "unknown" if gear.number is None else str(gear.number)
