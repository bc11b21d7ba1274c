"""`advise-mixture`: a fuel multiplier for each cell of the person's own table, with its hits, spread and interval.

A hit is a tenth of a second in a cell: faster rows say the same twice. Rows of one passage through a cell lean on each
other, so the interval comes from passage to passage. The cell's value is read at its own breakpoint where the hits lie
on both sides of it, by a local fit; where they do not, at their mean. The sensor's own error is in no interval.
"""

from collections import Counter
from collections.abc import Sequence

import numpy as np

from stream.car import Role
from stream.errors import InputError
from stream.study.dataset import Dataset, EvenRows
from stream.study.tables.advice import DECIDES, WATCH, Advice, Cell
from stream.study.tables.mixture_cells import CellFit, cell_fits
from stream.study.tables.mixture_delay import Delay, cut_ends, fit_delay
from stream.study.tables.mixture_rows import (
    MixtureRows,
    engine_temperature,
    lambda_of,
    mixture_rows,
    second_axis,
    throttle_above_closed,
)
from stream.study.tables.user_table import UserTable
from stream.units import Floats as Array
from stream.units import unit_factor

RICHER = 1.10  # the most a pass: rich is safe for a while
LEANER = 0.97  # lean is not
LEAST_HITS = 10
LEANER_HIGH_HITS = 50  # below, nothing is leaned where the engine works hard
HIGH = {"manifold_pressure": 80.0, "throttle": 50.0}  # kPa, %
_ROLES: tuple[Role, ...] = ("lambda", "manifold_pressure", "throttle", "fuel_trim", "temperature")


def advise_mixture(sessions: Sequence[Dataset], target: UserTable, stoichiometric: float = 14.7) -> Advice:
    """One cell for each cell of the target; `proposed` None where hits are few.

    Raises InputError where λ or the second axis was not logged, λ cannot be one, or the table covers nothing.
    """
    if not 5 < stoichiometric < 20:
        raise InputError(
            f"--stoichiometric {stoichiometric:g}: is no air-fuel ratio of a fuel; 14.7 is usual for petrol"
        )
    read = [(session, rows := session.even(_ROLES), *lambda_of(session, rows, stoichiometric)) for session in sessions]
    for session, rows, _, _ in read:
        second_axis(session, rows, target)
    delay = _delay([(session, rows, lam) for session, rows, lam, _ in read])
    found = [mixture_rows(session, rows, lam, target, delay) for session, rows, lam, _ in read]
    left = sum((one.left_out for one in found), Counter())
    if not sum(len(one.ratio) for one in found):
        if left["outside the target table"]:
            raise InputError(f"{target.path}: covers none of the driven cells; give a table that reaches them")
        raise InputError(
            f"{sessions[0].path}: no row tells the mixture ({_left_words(left, read[0][1])}); drive warm and steady"
        )
    step = read[0][1].step_s
    fits = cell_fits(found, target, [rows.step_s for _, rows, _, _ in read])
    cells = tuple(
        _cell(float(rpm), float(second), fits.get((row, column)), target)
        for row, rpm in enumerate(target.rpm)
        for column, second in enumerate(target.second)
    )
    warnings = [*dict.fromkeys(words for *_, words in read if words), delay.words]
    if sum(left.values()):
        warnings.append(f"left out: {_left_words(left, read[0][1])}")
    warnings += _session_words(sessions, found)
    warnings += [f"a hit is {max(0.1, step):g} s in a cell; under {LEAST_HITS} hits a cell stays blank",
                 "the error of the λ sensor itself is in no interval", DECIDES, WATCH]  # fmt: skip
    return Advice(cells=cells, warnings=tuple(warnings), axis=target.axis)


def multiplier_csv(advice: Advice, target: UserTable) -> str:
    """The proposed multipliers in the target's own shape; 1 where nothing is proposed."""
    values = [1.0 if cell.proposed is None else cell.proposed for cell in advice.cells]
    return target.filled(np.array(values).reshape(len(target.rpm), len(target.second)), 4)


def _delay(read: Sequence[tuple[Dataset, EvenRows, Array]]) -> Delay:
    delays, flows = [], []
    for session, rows, lam in read:
        opening, pressure = throttle_above_closed(session, rows), session.first("manifold_pressure")
        if opening is None:
            continue
        kpa = None if pressure is None else rows.channels[pressure.name] * unit_factor(pressure.unit, "kPa")
        late, flow = cut_ends(rows, lam, opening, kpa)
        delays.append(late)
        flows.append(flow)
    return fit_delay(np.concatenate(delays), np.concatenate(flows)) if delays else fit_delay(np.empty(0), np.empty(0))


def _cell(rpm: float, second: float, fit: CellFit | None, target: UserTable) -> Cell:
    if fit is None or fit.hits < LEAST_HITS or fit.low is None or fit.high is None:
        few = 0 if fit is None else fit.hits
        why = f"{few} hits: too few, blank" if few < LEAST_HITS else f"{few} hits in one short passage: blank"
        return Cell(rpm=rpm, second_axis=second, now=1.0, proposed=None, low=None, high=None, evidence=why, n=few,
                    spread=None if fit is None else fit.spread)  # fmt: skip
    proposed, why = _bounded(fit, second >= HIGH[target.axis])
    off = "" if fit.centred else f", hits on one side of it only (about {fit.rpm:.0f} rpm, {fit.second:.3g})"
    evidence = (
        f"measured over wanted {fit.ratio:.3f} ({fit.low:.3f} to {fit.high:.3f}), {fit.hits} hits in {fit.visits} "
        f"passages, spread {fit.spread:.3f}{off}; {why}"
    )
    return Cell(rpm=rpm, second_axis=second, now=1.0, proposed=proposed, low=fit.low, high=fit.high, evidence=evidence,
                n=fit.hits, estimate=fit.ratio, spread=fit.spread)  # fmt: skip


def _bounded(fit: CellFit, high: bool) -> tuple[float, str]:
    """(proposed multiplier, why): richer up to 10 %, leaner up to 3 % and only where that is shown."""
    if fit.ratio >= 1:
        return min(fit.ratio, RICHER), "richer, bounded at 10 % a pass" if fit.ratio > RICHER else "richer"
    if high and fit.hits < LEANER_HIGH_HITS:
        return 1.0, f"hold: none leaner at high load under {LEANER_HIGH_HITS} hits"
    if fit.high is not None and fit.high >= 1:
        return 1.0, "hold: that it is too rich is not resolved"
    return max(fit.ratio, LEANER), "leaner, bounded at 3 % a pass" if fit.ratio < LEANER else "leaner"


def _left_words(left: Counter[str], rows: EvenRows) -> str:
    told = [f"{why} {count * rows.step_s:.1f} s" for why, count in left.most_common() if count]
    return ", ".join(told) or "no λ at all"


def _session_words(sessions: Sequence[Dataset], found: Sequence[MixtureRows]) -> list[str]:
    words = []
    tunes = list(dict.fromkeys(session.tune for session in sessions))
    if len(tunes) > 1:
        words.append(f"sessions of several tunes ({', '.join(map(repr, tunes))}) are taken as one fuel table")
    if not any(one.trimmed for one in found):
        words.append("no fuel trim was logged: where closed loop was on, it hides the error in its trim")
    if any(not _has_engine_temperature(session) for session in sessions):
        words.append("no engine temperature was logged: leave out cold drives yourself")
    if any(session.car.by_role("throttle") is None for session in sessions):
        words.append("no throttle was logged: overrun and tip-in are told by manifold pressure alone")
    return words


def _has_engine_temperature(session: Dataset) -> bool:
    return any(channel.role == "temperature" and engine_temperature(channel) for channel in session.car.channel)
