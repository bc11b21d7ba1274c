"""Sentences. What a person changed in a session, step by step, as its history names it."""

from collections.abc import Sequence
from pathlib import Path
from typing import Final

from stream.record.deeds import Deed, first_undone, last_done
from stream.record.history import Act, Step
from ui.text.figures import many, moment, one_line

ACTS: Final = {
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
NO_CHANGES = "Nothing was changed in this folder's sessions yet: zeros, marks, calibrations and notes are listed here."
TAKEN_BACK = "taken back"
MOST_TOLD = 2


def act_words(act: Act) -> str:
    """What was done, in a few words; a history may come from a stranger, so its words are cut to a line."""
    try:
        text = ACTS[act.code].format(**act.values)
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
    return f"{'Undone' if back else 'Done again'}: {deed_words(deed)} ({deed_place(deed)})."
