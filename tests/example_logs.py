"""CSV logs of a rehearsal: the measured signals at a logger's rate.

`python -m tests.example_logs FOLDER` writes the example files of the invented scenario: the car
file, a hold drive as a CSV log, and that log's car file. The session of the same drive is made by the rehearsal with
the same seed.
"""

import argparse
import csv
import gzip
import io
from pathlib import Path

import numpy as np

from stream.errors import StorageError
from stream.sources.rehearsal.record import Recording
from stream.sources.rehearsal.scenario import demo_car_text, hold_drive
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


LOG_RATE_HZ = 50.0


def write_examples(folder: str | Path, seed: int) -> None:
    """Write the files; what is there is replaced. Raises StorageError or OSError where that cannot be."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "hill_climb_special.toml").write_text(demo_car_text(), encoding="utf-8")
    (folder / "hold_log.toml").write_text(demo_car_text(time_column="time"), encoding="utf-8")
    write_csv_log(hold_drive(seed), folder / "hold_log.csv", LOG_RATE_HZ)


if __name__ == "__main__":
    options = argparse.ArgumentParser(description="Write the example files of the invented scenario.")
    options.add_argument("folder")
    options.add_argument("--seed", type=int, default=7)
    chosen = options.parse_args()
    write_examples(chosen.folder, chosen.seed)
