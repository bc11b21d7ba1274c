"""CSV logs of a rehearsal: the measured signals at a logger's rate."""

import csv
import gzip
import io
from pathlib import Path

import numpy as np

from stream.errors import StorageError
from stream.sources.rehearsal.record import Recording
from stream.units import Floats


def write_csv_log(recording: Recording, path: str | Path, rate_hz: float = 50.0, with_time: bool = True) -> None:
    """Write a recording as a CSV log: `time [s]`, one column a channel, averaged against aliasing.

    Where samples were lost the row's cells are empty. A path ending in .gz is packed, alike each time.
    Raises StorageError where it cannot be written.
    """
    step = recording.rate_hz / rate_hz
    whole = np.full((int(recording.index[-1]) + 1, len(recording.channels)), np.nan)
    whole[recording.index] = recording.samples
    places = np.arange(0.0, len(whole) - 1, step)
    columns = [_averaged(column, places, step) for column in whole.T]
    header = [_cell(channel.name, channel.unit) for channel in recording.channels]
    rows = np.column_stack(columns)
    if with_time:
        header, rows = ["time [s]", *header], np.column_stack((places / recording.rate_hz, rows))
    digits = [3] * with_time + [_digits(channel.scale) for channel in recording.channels]
    write_table(Path(path), header, rows, digits)


def _cell(name: str, unit: str) -> str:
    return f"{name} [{unit}]" if unit else name


def _averaged(column: Floats, places: Floats, step: float) -> Floats:
    """A weighted mean about each place, over two periods of the log; NaN where a sample in it is missing."""
    half = max(round(step), 1)
    weights = np.hanning(2 * half + 1)[1:-1] if half > 1 else np.ones(1)
    weights /= weights.sum()
    padded = np.pad(column, len(weights) // 2, mode="edge")
    smooth = np.convolve(padded, weights, mode="valid")
    return np.asarray(smooth[np.rint(places).astype(np.int64)], dtype=np.float64)


def _digits(scale: float) -> int:
    """Decimals that do not lose a count."""
    return max(0, int(np.ceil(-np.log10(scale))) + 1)


def write_table(path: Path, header: list[str], rows: Floats, digits: list[int]) -> None:
    """A CSV file; `rows` (n, columns), each column with its decimals. Raises StorageError."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(header)
    for row in rows.tolist():
        writer.writerow(
            ["" if cell != cell else f"{cell:.{places}f}" for cell, places in zip(row, digits, strict=True)]
        )
    data = text.getvalue().encode("utf-8")
    if path.suffix == ".gz":
        data = gzip.compress(data, mtime=0)
    try:
        path.write_bytes(data)
    except OSError as error:
        raise StorageError(f"{path}: cannot be written ({error.strerror}); choose another folder") from error
