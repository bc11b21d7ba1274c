"""The coach in the car, in words that are read at a glance: what to do next, and the evidence so far in one line."""

from typing import Literal

from stream.drive.day_coach import NextStep
from stream.study.compare.coach import Advice
from ui.text import faults
from ui.text.figures import many, pct
from ui.text.lines import one_line, tune_name

Kind = Literal["idle", "ok", "caution"]

ZERO_FIRST = "Zero first: neutral, brakes off, on the level"


def next_step(step: NextStep | None) -> tuple[Kind, str, str]:
    """(shape, what to do next, the evidence so far); texts are empty where there is nothing to say yet."""
    if step is None:
        return "idle", "", ""
    if step.advice is None:
        return "caution", "No advice", one_line(step.trouble, 80)
    advice = step.advice
    if advice.settled:
        return "ok", enough(advice), evidence(advice)
    if step.faults:
        why = faults.faults(step.faults[:2])
        return "caution", f"Same again, it was flawed: {why}", evidence(advice)
    if step.wants_zero:
        return "caution", ZERO_FIRST, evidence(advice)
    return "idle", one_line(_next(advice, step.tune), 70), evidence(advice)


def enough(advice: Advice) -> str:
    """That it is settled, and how."""
    result = advice.comparison
    if result is None:
        return "Enough"
    if advice.why == "resolved":
        return f"Enough: {tune_name(result.trial)} differs from {tune_name(result.base)}"
    return f"Enough: {pct(result.smallest_resolvable_pct or 0.0)} % would have shown, and did not"


def _next(advice: Advice, tune: str) -> str:
    """The tune, gear and direction of the next pull."""
    wanted = advice.tune
    if not wanted and tune not in advice.pulls:
        wanted = tune  # another tune is asked for, and one that was not driven yet is in the car
    if advice.why == "first-pull":
        return f"Next: the first pull, tune {tune_name(tune)}" if tune else "Next: the first pull; name its tune"
    if wanted == tune and tune:
        what = f"Next: {tune_name(tune)} again" if advice.pulls.get(tune) else f"Next: {tune_name(tune)}"
    else:
        what = f"Next: put {tune_name(wanted)} in" if wanted else "Next: put another tune in, and name it"
    parts = [what]
    if advice.gear is not None:
        parts.append(f"gear {advice.gear}")
    if advice.direction is not None:
        parts.append(f"direction {one_line(advice.direction)}")
    elif advice.pulls.get(wanted):
        parts.append("other way")
    if advice.why == "fresh-zero":
        parts.append("after a fresh zero")
    return ", ".join(parts)


def evidence(advice: Advice) -> str:
    """'plover +3.1 % ± 1.4 so far, 5 pulls, look at 6'."""
    made = sum(advice.pulls.values())
    due = f"{many(made, 'pull')}, look at {advice.next_look}"
    result = advice.comparison
    overall = None if result is None else result.overall
    if result is None or overall is None or overall.change_pct is None:
        return due if made else ""
    change = f"{tune_name(result.trial)} {pct(overall.change_pct, sign=True)} %"
    if overall.low_pct is None or overall.high_pct is None:
        return f"{change} so far, no interval yet, {due}"
    half = (overall.high_pct - overall.low_pct) / 2
    order = ", this order only" if result.order_only else ""
    return f"{change} ± {pct(half)} so far{order}, {due}"


def in_text(step: NextStep) -> str:
    """One line for a drive without a window."""
    _, what, known = next_step(step)
    return "; ".join(part for part in (what, known) if part)
