"""Listing 5 000 sessions: the first look, a look through the index, and beside them the bare walk over the files."""

import os
import shutil
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from stream.record.shelf import Shelf, ShelfIndex, scan
from tests.pull_sessions import write_pull_session
from ui.text.shelf import search

SESSIONS = 5000


def seconds(call: Callable[[], object]) -> float:
    """How long one call takes."""
    began = time.perf_counter()
    call()
    return time.perf_counter() - began


def walk(folder: Path) -> int:
    """The floor: find the files and ask for their sizes."""
    return sum(place.stat(follow_symlinks=False).st_size for place in folder.rglob("*.h5"))


def run_speed(sessions: int = SESSIONS) -> dict[str, float]:
    """Seconds of each, and the ratio of a look through the index to the bare walk."""
    root = Path(tempfile.mkdtemp(prefix="steadypull-shelf-"))
    try:
        one = write_pull_session(root / "one.session", 1, "heron")
        for number in range(sessions):
            place = root / "shelf" / f"{number % 12 + 1:02d}" / f"{number:05d}.h5"
            place.parent.mkdir(parents=True, exist_ok=True)
            os.link(one, place)

        def look() -> Shelf:
            with ShelfIndex(root / "index.sqlite") as index:
                return scan(root / "shelf", index)

        row = {
            "sessions": float(sessions),
            "first look s": seconds(look),
            "look s": min(seconds(look) for _ in range(3)),
        }
        found = look().sessions
        row["search s"] = seconds(lambda: search(found, "heron 2026 clean"))
        row["walk s"] = min(seconds(lambda: walk(root / "shelf")) for _ in range(3))
        row["ratio"] = row["look s"] / row["walk s"]
    finally:
        shutil.rmtree(root)
    print(row)
    return row


if __name__ == "__main__":
    run_speed()
