"""Template of a log reader in a package of your own. Copy it, and name it in that package's pyproject.toml:

    [project.entry-points."steadypull.readers"]
    jsonl = "my_package:read"

Logs *.jsonl are then read by it. Here: a line a row, {"t": 0.0, "rpm": 900.0, …}.
"""

import json
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from stream.errors import InputError
from stream.sources.log_file import LogColumn, LogFile


def read(path: Path, columns: Sequence[str]) -> LogFile:
    """The wanted columns as float64 with their clocks, in seconds; each may have a clock of its own."""
    rows = []
    for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
        try:
            rows.append(json.loads(line))
        except ValueError:
            raise InputError(f"{path}: line {number}: is no JSON; mend or remove it") from None
    names = tuple(dict.fromkeys(name for row in rows for name in row if name not in ("t", "epoch")))
    time_s = np.array([row.get("t", np.nan) for row in rows], np.float64)
    found = [
        LogColumn(name, "", time_s, np.array([row.get(name, np.nan) for row in rows], np.float64))
        for name in names
        if name in columns
    ]
    epoch = rows[0].get("epoch") if rows else None
    return LogFile(tuple(found), names, None if epoch is None else datetime.fromtimestamp(epoch, UTC))
