"""What a person said of pulls: keep a flawed one, drop a clean one.

/pull_marks is made when the first mark is set, never while recording; a pull is known by its start, which a replay
gives again to the bit. A pull without a row there is left to its verdict.
"""

from collections.abc import Sequence
from typing import Any

import numpy as np

from stream.record.session import Session, reading_words

PULL_MARKS = "pull_marks"
DTYPE = np.dtype([("start_s", "<f8"), ("keep", "u1")])
NEAR_S = 0.05  # pulls lie seconds apart


def pull_keeps(session: Session, starts_s: Sequence[float]) -> tuple[bool | None, ...]:
    """For pulls that start so: True kept by hand, False dropped by hand, None left to the verdict.

    Raises InputError where the table is damaged.
    """
    with reading_words(session.path):
        if PULL_MARKS not in session.h5:
            return (None,) * len(starts_s)
        rows = session.h5[PULL_MARKS][:]
        marks = [(float(row["start_s"]), bool(row["keep"])) for row in rows]
    return tuple(next((keep for at, keep in reversed(marks) if abs(at - start) < NEAR_S), None) for start in starts_s)


def mark_pull(file: Any, start_s: float, keep: bool | None) -> None:
    """For an edit (`change_session`): keep or drop the pull that starts there; None takes the mark away."""
    rows = file[PULL_MARKS][:] if PULL_MARKS in file else np.empty(0, DTYPE)
    rows = rows[np.abs(rows["start_s"] - start_s) >= NEAR_S]
    if keep is not None:
        rows = np.append(rows, np.array([(start_s, keep)], DTYPE))
    if PULL_MARKS in file:
        del file[PULL_MARKS]
    file.create_dataset(PULL_MARKS, data=rows, maxshape=(None,), chunks=(64,))
