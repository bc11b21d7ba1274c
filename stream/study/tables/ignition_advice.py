"""`advise-ignition`: from sessions, the advance in them, and the tune in the car now, to proposals per cell."""

from collections.abc import Sequence

import numpy as np

from stream.errors import InputError
from stream.study.bands import DEFAULT_WIDTH_RPM
from stream.study.dataset import Dataset, EvenRows
from stream.study.pulls import SIDE_S, all_traces
from stream.study.tables.advice import DECIDES, WATCH, Advice
from stream.study.tables.ignition import DEFAULT_STEP_DEG, LoggedPull, full_load
from stream.study.tables.ignition_part import part_load
from stream.study.tables.knock import read_note
from stream.study.tables.user_table import AdvanceList, UserTable
from stream.units import Floats as Array
from stream.units import unit_factor

MOST_STEP_DEG = 5.0
_PULL_HZ = 100.0


def advise_ignition(
    sessions: Sequence[Dataset],
    advance: AdvanceList | UserTable,
    now: str,
    listening_note: str | None = None,
    step: float = DEFAULT_STEP_DEG,
    width: float = DEFAULT_WIDTH_RPM,
) -> Advice:
    """Full-load cells from pulls, part-load cells from steady stretches, and what to mind.

    Raises InputError where the step is not a bounded one, nothing can be used, or `now` has no clean pull.
    """
    if not 0 < step <= MOST_STEP_DEG:
        raise InputError(f"--step {step:g}: give degrees above 0 and up to {MOST_STEP_DEG:g}; 2 is usual")
    listened = read_note(listening_note)
    pulls, warnings = all_traces(sessions)
    logged = {}
    for session in sessions:
        logged.update(_logged(session, advance))
    cells, words = full_load(pulls, logged, advance, now, listened, step, width) if pulls else ([], [])
    part, part_words = part_load(sessions, advance, now, listened, step)
    if not pulls and not part:
        raise InputError(
            f"{sessions[0].path}: no pull and no steady stretch of {now!r} to learn from; drive clean pulls on "
            "two tunes or more"
        )
    knock = any(beside.knock is not None for beside in logged.values())
    if listened.heard:
        words.append(f"the note '{listened.text}' reads as knock that was heard: nothing is advanced")
    elif not knock and not listened.text:
        words.append(
            "no knock channel and no listening note: no cell gets more advance; silence is not absence of knock"
        )
    warnings += [*words, *part_words, DECIDES, WATCH]
    axis = "" if not part else (advance.axis if isinstance(advance, UserTable) else "manifold_pressure")
    return Advice(cells=(*cells, *part), warnings=tuple(dict.fromkeys(warnings)), axis=axis)


def _logged(session: Dataset, advance: AdvanceList | UserTable) -> dict[tuple[str, float | None], LoggedPull]:
    """What was logged beside each pull of a session, on the stamps of its live rows."""
    rows = session.even(("advance", "knock", "manifold_pressure", "throttle"), _PULL_HZ)
    values = {role: _values(session, rows, role) for role in ("advance", "knock")}
    second = None
    if isinstance(advance, UserTable):
        channel = session.first(advance.axis)
        if channel is not None:
            second = rows.channels[channel.name] * unit_factor(channel.unit, advance.unit)
    time = session.time_s
    found: dict[tuple[str, float | None], LoggedPull] = {}
    for pull in session.pulls:
        part = time[slice(*np.searchsorted(time, [pull.start_s - SIDE_S, pull.end_s + SIDE_S]))]
        found[str(session.path), pull.start_s] = LoggedPull(
            *(_at(part, rows, value) for value in (values["advance"], values["knock"], second))
        )
    return found


def _values(session: Dataset, rows: EvenRows, role: str) -> Array | None:
    channel = session.first(role)  # type: ignore[arg-type]
    if channel is None:
        return None
    values = rows.channels[channel.name]
    seen = values[np.isfinite(values)]
    if not len(seen):
        return None
    whole = bool((seen == np.round(seen)).all() and (np.diff(seen) >= 0).all() and seen[-1] > 0)
    if role == "knock" and whole and len(np.unique(seen)) != 2:  # a counter that only ever rises: its steps are knock
        return np.concatenate(([0.0], np.diff(np.nan_to_num(values, nan=float(seen[0])))))
    return values


def _at(time: Array, rows: EvenRows, values: Array | None) -> Array | None:
    """Values at the stamps of a pull; NaN where the step they fall in is missing; None where all are."""
    if values is None or not len(values) or not len(time):
        return None
    place = np.clip(np.floor((time - rows.time_s[0]) / rows.step_s + 0.5).astype(np.intp), 0, len(values) - 1)
    found = values[place]
    return found if np.isfinite(found).any() else None
