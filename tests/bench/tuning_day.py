"""Days of tuning with the rehearsal car, seed by seed: what the worst band loses of the best torque, round by round,
and how near its pulls came to knock, by the model's own truth.

PYTHONPATH=. python tests/bench/tuning_day.py 20 [FIRST_SEED]
"""

import sys
import tempfile
import time
from pathlib import Path

from stream.drive.drive import Drive
from stream.drive.rehearsal import Rehearsal
from stream.drive.tuning_day import ROUNDS, TuningDay, tuning_day
from stream.findings import plain
from stream.sources.rehearsal.record import Recording
from tests.bench.figure import Figure

MOST_LOST_PCT = 1.5


def tuned(seed: int) -> TuningDay:
    """A whole day without waiting, through a serial line, in a folder of its own."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)

        def play(recording: Recording, gear: int) -> Drive:
            going = Rehearsal(recording, gear, folder, None, say=plain)
            going.start()
            while not going.over():
                time.sleep(0.01)
            going.end()
            return going.drive

        day = TuningDay()
        tuning_day(day, seed, folder, play, plain)
        return day


def run(smoke: bool) -> list[Figure]:
    """The worst of a few days."""
    days = [tuned(seed) for seed in range(1, 2 if smoke else 6)]
    lost = max(float(day.settings[-1].lost_pct.max()) for day in days)
    knock = max(one.beyond_knock_deg for day in days for one in day.settings)
    measured = {f"most lost after round {n} %": max(d.settings[n].lost_pct.max() for d in days) for n in range(ROUNDS)}
    return [
        Figure("tuning day: most torque lost in a band, %", lost, MOST_LOST_PCT, "at most", "truth", measured),
        Figure("tuning day: degrees beyond knock", knock, 0.0, "at most", "truth"),
    ]


def main(seeds: int, first: int) -> None:
    """Print the path of each seed."""
    print("seed   most lost in a band, %: at first, after each round        degrees beyond knock         cells changed")
    for seed in range(first, first + seeds):
        begun = time.process_time()
        day = tuned(seed)
        lost = "  ".join(f"{one.lost_pct.max():.2f} ({one.lost_pct.mean():.2f})" for one in day.settings)
        knock = "  ".join(f"{one.beyond_knock_deg:+.1f}" for one in day.settings)
        changed = "  ".join(f"{one.changed:2d}" for one in day.settings)
        print(f"{seed:4d}   {lost}   {knock}   {changed}   {time.process_time() - begun:.0f} s", flush=True)


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:]]
    main(given[0] if given else 20, given[1] if len(given) > 1 else 1)
