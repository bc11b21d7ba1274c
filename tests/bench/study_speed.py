"""Curve and comparison of 200 pulls, ten minutes of each tune at 1 kHz, beside the bare numpy reduction."""

import time

import numpy as np

from stream.study.compare.compare import compare
from stream.study.compare.curve import curves
from tests.stream.study.made import day


def best_of(count: int, call: object) -> float:
    """Least seconds of `count` calls."""
    least = np.inf
    for _ in range(count):
        began = time.perf_counter()
        call()  # type: ignore[operator]
        least = min(least, time.perf_counter() - began)
    return float(least)


def run_speed() -> dict[str, float]:
    """Seconds of the study and of the bare sums over the same samples, and their ratio."""
    rng = np.random.default_rng(0)
    levels = [(tune, 1 + rng.normal(0, 0.01)) for tune in ("heron", "plover") * 2 for _ in range(50)]
    pulls = day(levels, rate=667.0, step_s=0.001)
    edges = np.arange(2250.0, 6000.0, 250.0)

    def bare() -> None:
        for pull in pulls:
            middle = (pull.load[1:] + pull.load[:-1]) / 2
            np.add.reduceat(middle * np.diff(pull.speed_rpm), np.searchsorted(pull.speed_rpm, edges))

    def study() -> None:
        compare(pulls, "heron", "plover")
        curves(pulls)

    row = {
        "rows": float(sum(len(p.load) for p in pulls)),
        "study s": best_of(5, study),
        "bare s": best_of(5, bare),
    }
    row["ratio"] = row["study s"] / row["bare s"]
    print(row)
    return row


if __name__ == "__main__":
    run_speed()
