"""The command line's --help against a bare Python, whole processes."""

import os
import subprocess
import sys
import time
from pathlib import Path

from tests.bench.figure import Figure, interleaved

TOP = Path(__file__).parents[2]


def run(smoke: bool) -> list[Figure]:
    """Wall time of the best run: processor time of a child leaves out what the system does for its start."""
    path = os.pathsep.join(filter(None, (str(TOP), os.environ.get("PYTHONPATH", ""))))
    environment = {**os.environ, "PYTHONPATH": path}

    def start(*arguments: str) -> None:
        subprocess.run([sys.executable, *arguments], check=True, stdout=subprocess.DEVNULL, env=environment)

    parts = {"ours": lambda: start("-m", "ui.cli.main", "--help"), "floor": lambda: start("-c", "pass")}
    best = interleaved(parts, 6 if smoke else 15, time.perf_counter)
    return [
        Figure(
            "command line: --help / python -c pass",
            best["ours"] / best["floor"],
            10.0,
            "at most",
            measured={"ours_ms": 1e3 * best["ours"], "floor_ms": 1e3 * best["floor"]},
        )
    ]
