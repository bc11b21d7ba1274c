"""Sentences. What a person says of holds and pulls, and the steps of a session as its history names them."""

from collections.abc import Sequence
from pathlib import Path
from typing import Final

from stream.live.records import Hold, Pull
from stream.record.deeds import Deed, first_undone, last_done
from stream.record.history import Act, Step
from stream.record.tables import HoldMark, PullMark
from ui.text.faults import verdict
from ui.text.figures import many, moment, one_line

STEPS: Final = {
    "note": "note",
    "hold-counts": "hold {hold:g} counts",
    "hold-left-out": "hold {hold:g} left out",
    "hold-speed": "hold {hold:g} was {rpm:.0f} rpm",
    "hold-speed-none": "hold {hold:g} without a speed",
    "pull-kept": "pull {pull:g} kept",
    "pull-left-out": "pull {pull:g} left out",
    "pull-by-verdict": "pull {pull:g} by its verdict",
    "knock-heard": "knock heard",
    "none-heard": "no knock heard",
    "heard-forgotten": "what was heard, forgotten",
    "air-said": "air of the day: {temperature_c:.0f} °C, {pressure_hpa:.0f} hPa",
    "calibration-applied": "calibration applied",
    "zero-taken": "zero taken, {start_s:.1f} to {end_s:.1f} s",
}
UNKNOWN = "a change"
UNDO, REDO = "Undo", "Redo"
NOTHING_BACK, NOTHING_FORTH = "Nothing to undo", "Nothing to redo"
NOT_NOW = "While something is driven nothing is undone; stop it first."
NO_CHANGES = "Nothing was changed in this folder's sessions yet: zeros, marks, calibrations and notes are listed here."
TAKEN_BACK = "taken back"
KNOCK_UNSAID = "What was heard counts in no advice any more; if knock was heard, say it again."
MOST_TOLD = 2


def act_words(act: Act) -> str:
    """What was done, in a few words; a history may come from a stranger, so its words are cut to a line."""
    try:
        text = STEPS[act.code].format(**act.values)
    except (KeyError, ValueError, TypeError, IndexError):
        return UNKNOWN
    pull = act.values.get("pull")
    if act.code in ("knock-heard", "none-heard", "heard-forgotten") and isinstance(pull, int | float) and pull > 0:
        text += f", pull {pull:g}"
    return one_line(text, 80)


def step_words(step: Step) -> str:
    """'hold 3 left out, hold 5 counts and 2 more'."""
    told = [act_words(act) for act in step.acts[:MOST_TOLD]]
    more = len(step.acts) - len(told)
    return ", ".join(told or [UNKNOWN]) + (f" and {more} more" if more else "")


def step_time(step: Step) -> str:
    """When it was done, to the minute; '' where that is not known."""
    return one_line(moment(step.when)[:16], 16)


def deed_words(deed: Deed) -> str:
    """What was done; the steps of one deed in several sessions are told once."""
    told = list(dict.fromkeys(step_words(step) for step in deed.steps))
    return ", ".join(told[:MOST_TOLD]) + (f" and {len(told) - MOST_TOLD} more" if len(told) > MOST_TOLD else "")


def deed_place(deed: Deed) -> str:
    """The session's name, or how many they are."""
    return one_line(Path(deed.paths[0]).name, 60) if len(deed.paths) == 1 else many(len(deed.paths), "session")


def deed_cells(deed: Deed) -> tuple[str, str, str, str]:
    """When, what, where, and whether it was taken back."""
    when = one_line(moment(deed.when)[:16], 16)
    return when, deed_words(deed), deed_place(deed), "" if deed.done else TAKEN_BACK


def next_words(deeds: Sequence[Deed]) -> tuple[str, str]:
    """What would be undone and redone next, '' for nothing."""
    pair = last_done(deeds), first_undone(deeds)
    back, forth = ("" if deed is None else one_line(deed_words(deed), 60) for deed in pair)
    return back, forth


def turned(deed: Deed, *, back: bool) -> str:
    """What has just been taken back, or done again."""
    told = f"{'Undone' if back else 'Done again'}: {deed_words(deed)} ({deed_place(deed)})."
    codes = {act.code for step in deed.steps for act in step.acts}
    unsaid = "knock-heard" in codes if back else "heard-forgotten" in codes
    return f"▲ {told} {KNOCK_UNSAID}" if unsaid else told


# -- marks ------------------------------------------------------------------------------------------------------------

ACTS: Final = {  # key: (the button, what it does)
    "out": ("Leave out", "Holds and pulls of the stretch do not count"),
    "keep": ("Keep", "They count, pulls though they are flawed"),
    "verdict": ("As found", "Holds count, pulls by their verdict"),
    "knock": (
        "Knock heard",
        "In the pulls that the stretch touches, at its speeds; it counts in every later advice",
    ),
    "quiet": ("No knock heard", "A person listened in the pulls that the stretch touches, and heard none"),
}
OF_ALL: Final = ("out", "keep", "verdict")  # the others are said of pulls alone
UNDONE = "Every change is a step: Ctrl+Z takes it back."
KEPT: Final = {1: "kept", -1: "left out", 0: ""}


def pull_cells(number: int, pull: Pull, said: PullMark) -> tuple[str, ...]:
    """A pull's name, times, speeds, verdict, and what a person said."""
    found = verdict(pull.verdict, pull.faults)
    times = f"{pull.start_s:.1f}", f"{pull.end_s:.1f}"
    return f"pull {number}", *times, f"{pull.start_rpm:.0f} to {pull.end_rpm:.0f}", found, KEPT[said.kept]


def hold_cells(number: int, hold: Hold, mark: HoldMark) -> tuple[str, ...]:
    """A hold's name, times, speed, and what a person said."""
    named = f"was {mark.target_rpm:.0f} rpm" if mark.target_rpm is not None else ""
    said = ", ".join(text for text in ("" if mark.accepted else "left out", named) if text)
    return f"hold {number}", f"{hold.start_s:.1f}", f"{hold.end_s:.1f}", f"{hold.speed_rpm:.0f}", "held", said


def in_stretch(names: Sequence[str], stretch: tuple[float, float], rpm: tuple[float, float] | None) -> str:
    """What lies in a stretch, and its speeds."""
    told = ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")
    speeds = f", {rpm[0]:.0f} to {rpm[1]:.0f} rpm" if rpm is not None else ""
    return f"{stretch[0]:.1f} to {stretch[1]:.1f} s{speeds}: {told or 'no hold and no pull'}"


def part_of(name: str) -> str:
    """Of a pull that the stretch cuts."""
    return f"a part of {name}"


def marked(key: str, names: Sequence[str], rpm: tuple[float, float] | None) -> str:
    """What has just been said."""
    if key == "note":
        return "Added to the note."
    where = f", {rpm[0]:.0f} to {rpm[1]:.0f} rpm" if key == "knock" and rpm is not None else ""
    return f"{ACTS[key][0]}: {', '.join(names[:8])}{' and more' if len(names) > 8 else ''}{where}."
