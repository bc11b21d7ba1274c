"""Mutated session files through every reading command, each in a process of its own.

    python -m tests.bench.hostile_files [FILES] [SEED]

For each file and command: never a traceback, an exit code of 0, 2 or 3, never over 2 GB, never over 10 s of processor
time. Prints what broke these rules, and a line of totals; exit 1 where anything did. The suite keeps a reduced form in
tests/ui/cli/test_trust_files.py.
"""

import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.hostile import flipped

ROOT = Path(__file__).parents[2]
SOUND = ROOT / "replay_files" / "hold_drive.h5"
MEMORY_KB, PROCESSOR_S = 2_000_000, 10.0
COMMANDS = (
    ["replay", "{s}", "--headless", "--json"],
    ["survey", "{s}", "--json"],
    ["fit", "{s}", "--targets", "1500,2000,3000", "--json"],
    ["curve", "{s}", "--json"],
    ["compare", "{s}", "--base", "a", "--trial", "b", "--json"],
    ["coach", "{s}", "--json"],
    ["recover", "{s}", "-o", "{d}/new.h5"],
    ["zero", "{s}", "--from", "1", "--to", "3"],
    ["mark", "{s}", "--note", "x"],
    ["shelf", "{d}", "--json"],
    ["report", "{s}", "-o", "{d}/r.html"],
)
# One process that has imported everything forks for each command: the imports would cost more than the commands.
SERVER = """
import json, os, resource, sys, importlib
from ui.cli.group import COMMANDS, run
for module, _ in COMMANDS.values():
    importlib.import_module(f"ui.cli.{module}")
import stream.drive.offline, stream.study.dataset, stream.record.change, scipy.signal, ui.report.write
for line in sys.stdin:
    words = json.loads(line)
    child = os.fork()
    if not child:
        with open(words[0], "w") as said, open(os.devnull, "w") as nowhere:
            os.dup2(nowhere.fileno(), 1), os.dup2(said.fileno(), 2)
        resource.setrlimit(resource.RLIMIT_CPU, (20, 20))
        code = 1
        try:
            code = run(words[1:])
        except BaseException:
            import traceback
            traceback.print_exc()
        finally:
            sys.stderr.flush()
            os._exit(code)
    _, status, used = os.wait4(child, 0)
    print(os.waitstatus_to_exitcode(status), used.ru_maxrss, used.ru_utime + used.ru_stime, flush=True)
"""


def main(files: int, seed: int) -> int:
    """Try so many files; returns 1 where a rule was broken."""
    data = SOUND.read_bytes()
    broken, worst_kb, worst_s, codes = 0, 0, 0.0, dict.fromkeys((0, 2, 3), 0)
    began = time.monotonic()
    with (
        tempfile.TemporaryDirectory() as name,
        subprocess.Popen(
            [sys.executable, "-c", SERVER],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            cwd=ROOT,
            env={**os.environ, "HOME": name},
        ) as server,
    ):
        if server.stdin is None or server.stdout is None:
            raise RuntimeError("no pipes")
        folder, said = Path(name) / "d", Path(name) / "said"
        folder.mkdir()
        session = folder / "s.h5"
        for number in range(files):
            for command in COMMANDS:
                session.write_bytes(flipped(data, seed + number))
                (folder / "new.h5").unlink(missing_ok=True)
                words = [word.format(s=session, d=folder) for word in command]
                server.stdin.write(json.dumps([str(said), *words]) + "\n")
                server.stdin.flush()
                code, kilobytes, seconds = server.stdout.readline().split()
                worst_kb, worst_s = max(worst_kb, int(kilobytes)), max(worst_s, float(seconds))
                faults = [int(code) not in codes, "Traceback" in said.read_text(), int(kilobytes) > MEMORY_KB]
                faults.append(float(seconds) > PROCESSOR_S)
                if any(faults):
                    broken += 1
                    last = (said.read_text().strip().splitlines() or [""])[-1]
                    print(f"seed {seed + number} {command[0]}: exit {code}, {kilobytes} kB, {seconds} s: {last[:120]}")
                else:
                    codes[int(code)] += 1
        server.stdin.close()
    took = time.monotonic() - began
    print(
        f"{files} files x {len(COMMANDS)} commands in {took:.0f} s: {broken} broke a rule; exits {codes}; "
        f"largest {worst_kb / 1e6:.2f} GB, longest {worst_s:.1f} s of processor"
    )
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main(*(int(word) for word in [*sys.argv[1:], "200", "1"][:2])))
