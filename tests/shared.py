"""What is costly to make and the same for many tests is made once in a run, for all of its processes."""

import hashlib
import os
import pickle
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from filelock import FileLock

from stream.sources.rehearsal.motion import simulate as drive_it

ROOT = "STEADYPULL_TESTS_SHARED"


def begin() -> Path:
    """A folder for this run; processes started from here find it by the environment."""
    root = Path(tempfile.mkdtemp(prefix="steadypull-tests-"))
    os.environ[ROOT] = str(root)
    return root


def end(root: Path) -> None:
    """Take the folder away."""
    shutil.rmtree(root, ignore_errors=True)
    os.environ.pop(ROOT, None)


def made_once(name: str, make: Callable[[Path], object]) -> Path:
    """A folder of the run filled by `make`, by whichever process asks first; the others wait for it.

    `name` stands for everything that the content depends on. Nobody may change what is in it: copy it first.
    """
    root = Path(os.environ.get(ROOT) or begin())
    folder, done = root / name, root / f"{name}.done"
    with FileLock(root / f"{name}.lock"):
        if not done.exists():
            folder.mkdir()
            make(folder)
            done.touch()
    return folder


def share_motions() -> None:
    """What the rehearsal car does on the road is made once for each script, tune, weather, needle and seed.

    Converters, losses and extra channels come on top of it, so tests that differ in these drive the same motion.
    """
    from stream.sources.rehearsal import record

    def simulate(*wanted: Any) -> Any:
        name = "motion-" + hashlib.blake2b(repr(wanted).encode(), digest_size=16).hexdigest()
        folder = made_once(name, lambda made: (made / "motion").write_bytes(pickle.dumps(drive_it(*wanted))))
        return pickle.loads((folder / "motion").read_bytes())

    record.simulate = simulate


def drive_anew() -> None:
    """Every motion is driven again, for those who test just that."""
    from stream.sources.rehearsal import record

    record.simulate = drive_it
