"""What the shelf does off the window's thread. No Qt in here."""

import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ui.text.lines import one_line

if TYPE_CHECKING:
    from stream.study.export import What

Progress = Callable[[int, int], None]


def export_part(path: Path, out: Path, what: "What", tell: Progress) -> str:
    """Write a part of a session as CSV; returns what was done, in words."""
    from stream.study.export import export_session

    rows = export_session(path, out, what, tell)
    return f"{one_line(str(out))}: {rows:,} rows written".replace(",", "\u202f")


def list_folder(folder: Path, tell: Progress, stop: threading.Event) -> Any:
    """The shelf of a folder, through the index."""
    from stream.record.shelf import scan
    from stream.record.shelf_index import ShelfIndex

    with ShelfIndex() as index:
        return scan(folder, index, tell, stop)


def trend_of(tune: str, paths: Sequence[str]) -> Any:
    """How a tune went over sessions."""
    from stream.study.compare.trend import trend
    from stream.study.dataset import open_datasets
    from stream.study.pulls import all_traces

    return trend(all_traces(open_datasets(paths))[0], tune)
