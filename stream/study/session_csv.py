"""A session as a CSV table, for any other tool: what was found in it, or what came off the wire."""

import csv
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import IO, Any

import numpy as np

from stream.errors import StorageError
from stream.record.session import open_session
from stream.study.dataset import open_dataset

Progress = Callable[[int, int], None]


def export_live(session_path: str | Path, out: Path) -> int:
    """Write the live rows: time_s, speed_rpm, load, and the number of the hold or the pull a row is in (0: none).

    Speed is by the calibration in force. Returns the rows written. Raises InputError and StorageError.
    """
    with open_dataset(session_path) as data:
        unit = data.load_unit
        columns: list[Any] = [data.time_s, data.speed_rpm, data.load]
        numbers = [_numbers(data.time_s, found) for found in (data.holds, data.pulls)]

    def write(file: IO[str]) -> None:
        csv.writer(file, lineterminator="\n").writerow(
            ["time_s", "speed_rpm", f"load [{unit}]" if unit else "load", "hold", "pull"]
        )
        np.savetxt(file, np.column_stack([*columns, *numbers]), ["%.6f", "%.1f", "%.6g", "%d", "%d"], delimiter=",")

    _whole(out, write)
    return len(data.time_s)


def export_raw(session_path: str | Path, out: Path, progress: Progress | None = None) -> int:
    """Write every sample as recorded: time_s and the channels, in nine figures, which is all a float32 holds.

    Lost samples show as steps in time. `progress` is told (rows written, rows). Returns the rows written. Raises
    InputError and StorageError.
    """
    with open_session(session_path) as session:
        index = session.sample_index()

        def write(file: IO[str]) -> None:
            csv.writer(file, lineterminator="\n").writerow(["time_s", *session.info.names])
            formats = ["%.6f", *["%.9g"] * len(session.info.names)]
            for row, slab in session.slabs():
                time = index[row : row + len(slab)] / session.rate_hz
                np.savetxt(file, np.column_stack([time, slab]), formats, delimiter=",")
                if progress is not None:
                    progress(row + len(slab), session.rows)

        _whole(out, write)
        return session.rows


def _numbers(time_s: Any, found: Sequence[Any]) -> Any:
    """For each row the number, from 1, of the stretch it lies in."""
    numbers = np.zeros(len(time_s), dtype=np.int64)
    for number, stretch in enumerate(found, 1):
        numbers[(time_s >= stretch.start_s) & (time_s <= stretch.end_s)] = number
    return numbers


def _whole(out: Path, write: Callable[[IO[str]], None]) -> None:
    """A file that is there whole, or not at all."""
    draft = out.with_name(out.name + ".part")
    try:
        with draft.open("w", encoding="utf-8", newline="") as file:
            write(file)
        draft.replace(out)
    except OSError as error:
        draft.unlink(missing_ok=True)
        raise StorageError(f"{out}: cannot be written ({error.strerror}); choose another folder") from None
