"""What the Compare screen shows, worked out: from session files to pulls, from pulls to an answer. No Qt in here."""

import csv
import io
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import msgspec

from stream.door import day_of, scatter_before
from stream.errors import InputError
from stream.study.compare.answer import Comparison
from stream.study.compare.coach import Advice, Resolves, coach, day_resolves
from stream.study.compare.compare import compare
from stream.study.compare.curve import Curves, curves
from stream.study.compare.scatter import PRIOR, Scatter
from stream.study.dataset import Dataset, open_dataset, refuse_same_drive
from stream.study.pulls import PullTrace, correction_of
from ui.text.findings import say_all


@dataclass(frozen=True, slots=True)
class Opened:
    """The pulls of the opened sessions in the order they were made, and what must be said of the sessions."""

    pulls: tuple[PullTrace, ...]
    sessions: int
    scatter: Scatter
    remarks: tuple[str, ...]

    @property
    def tunes(self) -> list[str]:
        """Tunes in the order they were first driven."""
        return list(dict.fromkeys(pull.tune for pull in self.pulls))


@dataclass(frozen=True, slots=True)
class Answer:
    """Everything shown for one choice of tunes, ticks and band width. `trouble`: why there is no comparison."""

    base: str
    trial: str
    width: float
    comparison: Comparison | None
    trouble: str
    curves: Curves | None
    resolves: Resolves | None
    advice: Advice | None


def open_sessions(paths: Sequence[str], tell: Callable[[int, int], None], stop: threading.Event) -> Opened:
    """Read sessions and their pulls, until `stop` is set. One that cannot be read is left out and named.

    Raises InputError where none is left, or none holds a pull.
    """
    sessions: list[Dataset] = []
    remarks: list[str] = []
    for number, path in enumerate(dict.fromkeys(paths), 1):
        if stop.is_set():
            raise InputError("stopped before all sessions were read; open them again")
        try:
            session = open_dataset(path)
            session.car.need("load", "a study of pulls")
            refuse_same_drive(session, sessions)
            sessions.append(session)
        except InputError as error:
            remarks.append(f"left out: {error}")
        tell(number, len(paths))
    try:
        day = day_of(sessions)
    except InputError:
        raise InputError(
            remarks[0] if remarks else "no pull was found in these sessions; choose others, or drive one"
        ) from None
    return Opened(day.pulls, len(sessions), scatter_before(day), (*remarks, *say_all(day.findings)))


def usual_pair(pulls: Sequence[PullTrace]) -> tuple[str, str]:
    """The tune driven first, and the last one beside it; twice the same where there is one only."""
    base = pulls[0].tune
    return base, next((pull.tune for pull in reversed(pulls) if pull.tune != base), base)


def ticked(pull: PullTrace, used: bool) -> PullTrace:
    """The pull with a person's decision; one that agrees with the verdict needs none."""
    return replace(pull, keep=None if used == (pull.verdict == "clean") else used)


def work_out(pulls: Sequence[PullTrace], base: str, trial: str, width: float, scatter: Scatter = PRIOR) -> Answer:
    """Compare two tunes and draw their curves; what cannot be told is said in words instead."""
    both = [pull for pull in pulls if pull.tune in (base, trial)]
    comparison, trouble, shown, advice = None, "", None, None
    air = correction_of(both)
    if base == trial:
        trouble = f"only one tune here, {base or 'without a name'}: choose a session of another tune too"
    else:
        try:
            comparison = compare(both, base, trial, width, air.factors, scatter)
            comparison = msgspec.structs.replace(comparison, findings=(*comparison.findings, *air.findings))
        except InputError as error:
            trouble = str(error)
    try:
        shown = curves(both, width, air.factors)
        advice = coach(pulls, base, None if base == trial else trial, width, scatter=scatter)
    except InputError as error:
        trouble = trouble or str(error)
    return Answer(base, trial, width, comparison, trouble, shown, day_resolves(both, width), advice)


def comparison_csv(result: Comparison) -> str:
    """The comparison as CSV text: a row a band, then the overall change; an unknown cell is empty."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(
        [
            "rpm",
            "base",
            "trial",
            "unit",
            "base_mean",
            "base_n",
            "trial_mean",
            "trial_n",
            "change_pct",
            "low_pct",
            "high_pct",
            "p_adjusted",
            "resolved",
            "in_this_order_only",
        ]
    )
    names = [result.base, result.trial, result.unit]
    order = "yes" if result.order_only else "no"
    for band in result.bands:
        numbers = (
            band.base_mean,
            band.base_n,
            band.trial_mean,
            band.trial_n,
            band.change_pct,
            band.low_pct,
            band.high_pct,
            band.p_adjusted,
        )
        cells = ["" if number is None else f"{number:.6g}" for number in numbers]
        writer.writerow([f"{band.rpm:g}", *names, *cells, "yes" if band.resolved else "no", order])
    overall = result.overall
    cells = ["" if n is None else f"{n:.6g}" for n in (overall.change_pct, overall.low_pct, overall.high_pct)]
    counts = ["", str(result.pulls.base), "", str(result.pulls.trial)]
    writer.writerow(["overall", *names, *counts, *cells, "", "yes" if overall.resolved else "no", order])
    return text.getvalue()
