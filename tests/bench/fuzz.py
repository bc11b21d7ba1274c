"""Ten million wire bytes and a hundred thousand files, each spoilt in its own way, by the rules of `tests/fuzzing.py`.

    python tests/bench/fuzz.py [--bytes 10000000] [--files 100000] [--seed 1]

Files are read in a child: one that takes over 10 s, over 1 GB, or the child down, breaks a rule as an error of another
kind than a line of words does. Prints what broke a rule, and totals; exit code 1 where anything did. The suite keeps a
reduced form in `tests/test_fuzzing.py`.
"""

import argparse
import json
import os
import resource
import selectors
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

TOP = str(Path(__file__).parents[2])
# HDF5 spun in C and the bound that a command has ended it, or it crashed there.
IN_C = (signal.SIGVTALRM, signal.SIGSEGV, signal.SIGBUS, signal.SIGABRT)
AT_MOST_S, AT_MOST_MB = 10.0, 1000


def main() -> int:
    """Both, or what was asked for."""
    parser = argparse.ArgumentParser(description="Hostile bytes and files.")
    parser.add_argument("--bytes", type=int, default=10_000_000)
    parser.add_argument("--files", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--child", help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.child:
        return read_on(Path(arguments.child), arguments.seed, arguments.files)
    return int(bool(wire(arguments.bytes, arguments.seed) + files(arguments.files, arguments.seed)))


def wire(size: int, seed: int) -> int:
    """How many cases broke a rule, until so many bytes have gone through."""
    from tests.fuzzing import wire_case

    begun, done, cases, broken = time.process_time(), 0, 0, 0
    while done < size:
        try:
            done += wire_case(seed + cases)
        except Exception as error:  # noqa: BLE001 - any of them breaks a rule
            broken += 1
            done += 20_000
            print(f"wire {seed + cases}: {type(error).__name__}: {error}", flush=True)
        cases += 1
    print(
        f"wire: {done} bytes in {cases} cases, {time.process_time() - begun:.0f} s of processor; {broken} broke a rule"
    )
    return broken


def files(count: int, seed: int) -> int:
    """How many files broke a rule."""
    from tests.fuzzing import make_seeds

    begun, told, broken, at = time.monotonic(), Counter[str](), 0, seed
    most_mb = 0.0
    with tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as name:
        folder = Path(name)
        for kind, data in make_seeds(folder).items():
            (folder / f"sound-{kind}").write_bytes(data)
        while at < seed + count:
            arguments = [
                sys.executable,
                __file__,
                "--child",
                name,
                "--seed",
                str(at),
                "--files",
                str(seed + count - at),
            ]
            with subprocess.Popen(arguments, stdout=subprocess.PIPE, env={**os.environ, "PYTHONPATH": TOP}) as child:
                for said in _lines(child):
                    what, megabytes = json.loads(said)
                    most_mb = max(most_mb, megabytes)
                    if ": " in what and not what.endswith((": read", ": refused")):
                        broken += 1
                        print(f"file {at}: {what}", flush=True)
                    else:
                        told[what] += 1
                    at += 1
                ended = child.poll()
                child.kill()
            if ended is not None and -ended in IN_C:  # what a command's keeper says in one line
                told[f"session.h5: ended in HDF5 ({signal.Signals(-ended).name})"] += 1
                at += 1
            elif at < seed + count:
                broken += 1
                print(f"file {at}: the child went down, hung, or took over {AT_MOST_MB} MB", flush=True)
                at += 1
    print(f"files: {count} in {time.monotonic() - begun:.0f} s; {broken} broke a rule; most memory {most_mb:.0f} MB")
    print("  " + ", ".join(f"{what} {number}" for what, number in sorted(told.items())))
    return broken


def _lines(child: "subprocess.Popen[bytes]") -> "Iterator[bytes]":
    """Lines of the child as they come, until it ends or says nothing for too long."""
    if child.stdout is None:
        raise RuntimeError("a child without a pipe")
    left, wait_s = b"", 60.0  # the first answer waits for the imports
    with selectors.DefaultSelector() as selector:
        selector.register(child.stdout, selectors.EVENT_READ)
        while selector.select(wait_s):
            part = os.read(child.stdout.fileno(), 1 << 16)
            if not part:
                child.wait()
                return
            *lines, left = (left + part).split(b"\n")
            yield from lines
            wait_s = AT_MOST_S


def read_on(folder: Path, seed: int, count: int) -> int:
    """The child: a case after the other, a line for each."""
    from stream.record.disk import bound_reading
    from tests.fuzzing import TURNS, file_case

    bound_reading(2.0)
    resource.setrlimit(resource.RLIMIT_AS, (4 << 30, 4 << 30))
    seeds = {name: (folder / f"sound-{name}").read_bytes() for name in TURNS}
    for number in range(seed, seed + count):
        begun = time.process_time()
        try:
            what = file_case(folder, seeds, number)
        except Exception as error:  # noqa: BLE001 - told to the parent
            what = f"{TURNS[number % len(TURNS)]}: {type(error).__name__}: {error}"[:300]
        if time.process_time() - begun > AT_MOST_S / 2:
            what = f"{what}: took {time.process_time() - begun:.1f} s"
        megabytes = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000
        if megabytes > AT_MOST_MB:
            return 1
        print(json.dumps([what, megabytes]), flush=True)
    return 0


if __name__ == "__main__":
    if TOP not in sys.path:
        sys.path.insert(0, TOP)
    sys.exit(main())
