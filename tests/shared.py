"""What is costly to make and the same for many tests is made once in a run, for all of its processes."""

import os
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path

from filelock import FileLock

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
