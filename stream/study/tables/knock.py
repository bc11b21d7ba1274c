"""Whether more advance may be proposed: a logged knock channel that stays quiet, or the note of a person who listened.

Silence is not absence of knock. What a knock channel is differs from controller to controller, so two kinds are told
apart by what was logged: a count or a retard stands at zero while all is quiet, so anything else is knock; a level is
never zero and rises with speed, so it is held against its usual value in the same rev band.
"""

import re
from dataclasses import dataclass

import numpy as np

from stream.study.tables.ignition_step import Leave
from stream.units import Flags as BoolArray
from stream.units import Floats as Array

LOUD = 2.0  # times the usual level in the band; common practice, no source
_HEARD = re.compile(r"knock|ping|pink|rattl|detonat", re.IGNORECASE)
_NOT = re.compile(r"\b(no|not|none|never|without|free|quiet|silent|nothing|zero)\b|n't\b", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Listened:
    """A listening note: its text, '' where none was typed, and whether it reads as knock that was heard."""

    text: str = ""
    heard: bool = False


def read_note(text: str | None) -> Listened:
    """A typed note. One that names knock without a 'no' is taken as knock heard: then nothing is advanced."""
    clean = " ".join((text or "").split())
    return Listened(clean, bool(_HEARD.search(clean)) and not _NOT.search(clean))


def knocked_bands(knock: Array) -> BoolArray:
    """(pulls, bands) where knock was logged; `knock` (pulls, bands) is each band's greatest value, NaN: not logged."""
    known = np.isfinite(knock)
    if not known.any():
        return known
    if (knock[known] == 0).mean() >= 0.5:
        return np.asarray(known & (np.abs(np.nan_to_num(knock)) > 0))
    usual = np.array(
        [np.median(column[np.isfinite(column)]) if np.isfinite(column).any() else np.nan for column in knock.T]
    )
    with np.errstate(invalid="ignore"):
        return np.asarray(known & (knock > LOUD * usual))


def leave_for(listened: Listened, advance: Array, loud: BoolArray, knock: Array, is_now: BoolArray) -> Leave:
    """Leave in one band: advance, loud, knock (pulls,) of all pulls, `is_now` those of the tune in the car."""
    at = float(np.min(advance[loud])) if loud.any() else None
    note = f"note: '{listened.text}'" if listened.text else ""
    if listened.heard:
        return Leave(False, f"{note} reads as knock that was heard", at)
    logged = bool(np.isfinite(knock[is_now]).any())
    if loud.any():
        return Leave(logged or bool(note), f"knock was logged in {int(loud.sum())} of {len(loud)} pulls here", at)
    if logged:
        count = int(np.isfinite(knock[is_now]).sum())
        quiet = f"the knock channel was quiet in {count} pulls of it"
        return Leave(True, f"{quiet}; {note}" if note else quiet)
    return Leave(bool(note), note or "neither is there")
