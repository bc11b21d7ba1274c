"""ASAM MDF logs (versions 3 and 4: *.mdf, *.mf4) by the library asammdf, of the optional part `mdf`."""

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from stream.errors import InputError
from stream.frames import library
from stream.sources.log_file import LogColumn, LogFile


def read(path: Path, columns: Sequence[str]) -> LogFile:
    """The wanted columns, in their physical values; of several channels of one name the one with the most samples.

    Raises InputError where asammdf is not installed or the file is damaged.
    """
    asammdf = library("asammdf", "mdf")
    try:
        with asammdf.MDF(path) as file:
            names = tuple(name for name in file.channels_db if not _is_clock(file, name))
            by_name = {name.casefold(): name for name in names}
            wanted = [by_name[column.casefold()] for column in columns if column.casefold() in by_name]
            found = [column for name in dict.fromkeys(wanted) if (column := _column(file, name)) is not None]
            started = file.header.start_time
    except OSError:
        raise
    except Exception as error:
        reason = " ".join(str(error).split()) or type(error).__name__
        raise InputError(f"{path}: is no ASAM MDF file that can be read ({reason}); check it") from error
    return LogFile(tuple(found), names, started if isinstance(started, datetime) else None)


def _is_clock(file: Any, name: str) -> bool:
    places = file.channels_db[name]
    return all(file.masters_db.get(group) == index for group, index in places)


def _column(file: Any, name: str) -> LogColumn | None:
    """One channel by name; None where none of that name holds plain numbers."""
    best: Any = None
    for group, index in file.channels_db[name]:
        signal = file.get(group=group, index=index, ignore_invalidation_bits=False)
        if signal.samples.ndim != 1 or signal.samples.dtype.kind not in "fiub":
            continue
        if best is None or len(signal.samples) > len(best.samples):
            best = signal
    if best is None:
        return None
    values = np.asarray(best.samples, np.float64)
    return LogColumn(name, str(best.unit or ""), np.asarray(best.timestamps, np.float64), values)
