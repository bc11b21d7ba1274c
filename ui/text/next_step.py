"""The coach in the car, in words that are read at a glance: what to do next, and the evidence so far in one line;
in a rehearsal what its driver does now, and how a rehearsed day of tuning went.
"""

from typing import TYPE_CHECKING, Any, Final, Literal

from ui.text import faults
from ui.text.figures import many, one_line, pct, tune_name

if TYPE_CHECKING:
    from stream.drive.day_coach import NextStep
    from stream.drive.tuning_day import TuningDay
    from stream.study.compare.coach import Advice

Kind = Literal["idle", "ok", "caution"]

if TYPE_CHECKING:
    from stream.sources.rehearsal.record import Recording

ZERO_FIRST = "Zero first: neutral, brakes off, on the level"


def next_step(step: "NextStep | None") -> tuple[Kind, str, str]:
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


def enough(advice: "Advice") -> str:
    """That it is settled, and how."""
    result = advice.comparison
    if result is None:
        return "Enough"
    if advice.why == "resolved":
        return f"Enough: {tune_name(result.trial)} differs from {tune_name(result.base)}"
    return f"Enough: {pct(result.smallest_resolvable_pct or 0.0)} % would have shown, and did not"


def _next(advice: "Advice", tune: str) -> str:
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


def evidence(advice: "Advice") -> str:
    """'plover +3.1 % ± 1.4 so far, 5 pulls, look at 6'; what is settled needs no further look."""
    made = sum(advice.pulls.values())
    due = many(made, "pull") if advice.settled else f"{many(made, 'pull')}, look at {advice.next_look}"
    result = advice.comparison
    overall = None if result is None else result.overall
    if result is None or overall is None or overall.change_pct is None:
        return due if made else ""
    change = f"{tune_name(result.trial)} {pct(overall.change_pct, sign=True)} %"
    if overall.low_pct is None or overall.high_pct is None:
        return f"{change} so far, {due}"
    half = (overall.high_pct - overall.low_pct) / 2
    order = ", this order only" if result.order_only else ""
    return f"{change} ± {pct(half)} so far{order}, {due}"


def in_text(step: "NextStep") -> str:
    """One line for a drive without a window."""
    _, what, known = next_step(step)
    return "; ".join(part for part in (what, known) if part)


AFTER_PULL_S = 6.0
STANDS_S = 5.0

DAY: dict[str, tuple[str, str]] = {
    "gets-in": ("The driver gets in.", ""),
    "changes": ("The driver stops and puts the next tune in.", ""),
    "studies": ("The day is calibrated and compared.", "It opens in a moment."),
    "over": (
        "The day is over.",
        "Compare shows the two tunes; look at the shelf too, and close the window when ready.",
    ),
    "ended": ("The rehearsal has ended.", ""),
}


def day_words(moment: str, recording: "Recording | None", time_s: float, why: str) -> tuple[str, str]:
    """(what the driver of a rehearsal does, where to look): at a time of a recording, or between two."""
    if recording is not None:
        return doing(recording, time_s)
    what, look = DAY[moment]
    return what, why or look


def doing(recording: "Recording", time_s: float) -> tuple[str, str]:
    """(what the driver does, where to look) at a time of a recording."""
    truth = recording.truth
    end_s = float(recording.time_s[-1])
    if time_s < STANDS_S or time_s > end_s - STANDS_S:
        return "The driver stands in neutral, brakes off.", "Load: what the link shows now is its zero."
    for hold in truth.holds:
        if hold.start_s <= time_s < hold.end_s:
            return f"The driver holds {hold.target_rpm:.0f} rpm by foot.", "The bracket closes on the speed: HOLD."
    for pull in truth.pulls:
        if pull.start_s <= time_s < pull.end_s:
            if pull.faults:
                return f"A pull on {pull.tune}, spoilt: {faults.faults(pull.faults)}.", "The verdict should say so."
            return f"Full throttle on {pull.tune}, gear {pull.gear}.", "The bar runs to redline."
        if pull.end_s <= time_s < pull.end_s + AFTER_PULL_S:
            return "The driver has lifted.", "The verdict of the pull, and what to do next."
    following = next((hold for hold in truth.holds if hold.start_s > time_s), None)
    if following is not None:
        return f"On to {following.target_rpm:.0f} rpm.", "The bracket stands open while the speed moves."
    if any(pull.start_s > time_s for pull in truth.pulls):
        return "The driver gets ready for a pull.", "What to do next, above the last verdict."
    if truth.holds:
        return "The driver lets the speed creep up, then stops.", "A slow change is no hold: the bracket stays open."
    return "The driver comes to a stop.", "The strip: the last half minute."


AFTER: Final = (
    "'knock' is how far the pulls went beyond the advance at which the model's engine begins to knock; below zero: "
    "never so far."
)
NEXT: Final = "Next: 'advise-ignition' on sessions of your own; a person decides on every cell, and listens for knock."
_FIRST: Final = (
    "1  The rehearsal car is calibrated, and pulls on its table and on the same with 6 degrees less, by turns."
)
_ROUND: Final = "{number}  The proposals are in the table; it pulls on that, both ways."
_LAST: Final = "{number}  The last table is driven."


def round_line(number: int) -> str:
    """What begins now; `number` counts from 1."""
    from stream.drive.tuning_day import ROUNDS

    if number == 1:
        return _FIRST
    return (_LAST if number > ROUNDS else _ROUND).format(number=number)


def setting_name(number: int) -> str:
    """The head of a column: the settings of a day, from 0."""
    return "at first" if number == 0 else f"round {number}"


def verdict_line(day: "TuningDay") -> str:
    """How the day ended, by the model."""
    first, last = day.settings[0], day.settings[-1]
    near = max(one.beyond_knock_deg for one in day.settings)
    knock = f"it never came nearer to knock than {-near:.1f}°" if near < 0 else f"it went {near:.1f}° into knock"
    return (
        f"In {many(len(day.settings) - 1, 'round')} the most that any band loses went from "
        f"{first.lost_pct.max():.1f} % to {last.lost_pct.max():.1f} % of the best torque; {knock}."
    )


def tuning_json(day: "TuningDay") -> dict[str, Any]:
    """The day as JSON, keys as interface.md has them."""
    return {
        "sessions": [str(path) for path in day.sessions],
        "tables": [str(path) for path in day.tables],
        "settings": [
            {
                "tune": one.tune,
                "table": str(one.table),
                "changed_cells": one.changed,
                "beyond_knock_deg": one.beyond_knock_deg,
                "bands": [
                    {"rpm": float(rpm), "lost_pct": float(lost)}
                    for rpm, lost in zip(day.rpm, one.lost_pct, strict=True)
                ],
            }
            for one in day.settings
        ],
    }
