"""The example files of the invented scenario: python -m stream.sources.rehearsal.examples FOLDER [--seed N].

Writes the car file, a hold drive as a CSV log, and that log's car file. The session of the same drive is made by
`steadypull rehearse` with the same seed.
"""

import argparse
from pathlib import Path

from stream.sources.rehearsal.logs import write_csv_log
from stream.sources.rehearsal.scenario import demo_car_text, hold_drive

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
