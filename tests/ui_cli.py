"""The command line, in this process where that is quick and in one of its own where that is the point."""

import json
import multiprocessing
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ui.cli.main import run

ROOT = Path(__file__).parents[1]
SEED = 7


@dataclass(frozen=True)
class Outcome:
    """What a command left: its exit code and what it printed."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        """Standard output, which must be JSON and nothing else."""
        return json.loads(self.out)

    @property
    def error(self) -> str:
        """The one line of the error."""
        lines = [line for line in self.err.splitlines() if line.startswith("steadypull: error: ")]
        assert len(lines) == 1, self.err
        assert "Traceback" not in self.err, self.err
        return lines[0]


def started(*words: str | Path, **options: Any) -> "subprocess.Popen[str]":
    """The real command line in a process of its own."""
    return subprocess.Popen(
        [sys.executable, "-m", "ui.cli.main", *map(str, words)],
        text=True,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        **options,
    )


def ended(process: "subprocess.Popen[str]") -> Outcome:
    """Wait for it."""
    out, err = process.communicate(timeout=90)
    return Outcome(process.returncode, out, err)


def in_process(*words: str | Path, **options: Any) -> Outcome:
    """Run the real command line in a process of its own, to its end."""
    return ended(started(*words, **options))


def forked(*words: str | Path) -> multiprocessing.process.BaseProcess:
    """The command line in a process of its own, begun from one that has imported what a drive needs: no waiting."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["ui.cli.drive", "stream.drive.drive", "stream.sources.serialport"])
    process = context.Process(target=_silent, args=([str(word) for word in words],))
    process.start()
    return process


def _silent(words: list[str]) -> None:
    with open(os.devnull, "w") as nowhere:  # noqa: PTH123 - a device, not a file
        sys.stdout = sys.stderr = nowhere
        sys.exit(run(words))
