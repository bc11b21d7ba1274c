"""The bench: every figure a ratio against a floor or a peer in the same run, absolute figures beside it.

python tests/bench/run.py [--smoke] [--json]

The full bench judges all goals, and wants a quiet machine. `--smoke` takes under a minute: it proves that every
measurement runs and that nothing is lost or claimed falsely; speeds are printed there and not judged. Exit code 1
where a judged line misses, 0 else.
"""

import argparse
import importlib
import json
import sys
import time
from pathlib import Path
from typing import Any

TOP = str(Path(__file__).parents[2])
# Each a module beside this one, with run(smoke) -> list of figure.Figure; what loads Qt comes last.
MEASUREMENTS = (
    "startup",
    "frames",
    "text",
    "recording",
    "hold_window",
    "replaying",
    "chain",
    "drawing",
    "study",
    "rates",
    "evidence",
    "tuning_day",
    "waits",
)


def main() -> int:
    """Run all measurements, print their lines as they come, and say what missed."""
    parser = argparse.ArgumentParser(description="Measured ratios of Steadypull.")
    parser.add_argument("--smoke", action="store_true", help="under a minute; speeds are printed, not judged")
    parser.add_argument("--json", action="store_true", help="one JSON object on standard output")
    arguments = parser.parse_args()
    if TOP not in sys.path:
        sys.path.insert(0, TOP)
    begun = time.monotonic()
    rows: list[dict[str, Any]] = []
    for name in MEASUREMENTS:
        for figure in importlib.import_module(f"tests.bench.{name}").run(arguments.smoke):
            rows.append(figure.as_dict(arguments.smoke))
            print(_line(rows[-1]), file=sys.stderr if arguments.json else sys.stdout, flush=True)
    missed = [row["name"] for row in rows if row["missed"]]
    seconds = time.monotonic() - begun
    if arguments.json:
        print(json.dumps({"smoke": arguments.smoke, "seconds": seconds, "missed": missed, "figures": rows}, indent=1))
    else:
        print(f"{seconds:.0f} s; " + (f"missed: {'; '.join(missed)}" if missed else "nothing missed"))
    return 1 if missed else 0


def _line(row: dict[str, Any]) -> str:
    if row["skipped"]:
        return f"skipped  {row['name']}: {row['skipped']}"
    word = "MISSED" if row["missed"] else "ok" if row["judged"] else "-"
    goal = f"{row['sense']} {row['goal']:g}" + ("" if row["judged"] else ", not judged here")
    measured = ", ".join(f"{name} {value:.4g}" for name, value in row["measured"].items())
    return f"{word:7}  {row['value']:8.3g}  {row['name']}  [{goal}]" + (f"  {measured}" if measured else "")


if __name__ == "__main__":
    sys.exit(main())
