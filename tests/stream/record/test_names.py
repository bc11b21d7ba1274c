"""Names of session files."""

from datetime import datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stream.record.names import clean_tune, new_session_path

WHEN = datetime(2026, 6, 1, 9, 30, 5)


def test_readable_and_never_taken(tmp_path: Path) -> None:
    """A second recording in the same second, and one whose journal alone is left, get the next number."""
    first = new_session_path(tmp_path, "heron", WHEN)
    assert first == tmp_path / "2026-06-01_093005-heron.h5"
    first.touch()
    (tmp_path / "2026-06-01_093005-heron-2.h5.journal").touch()

    assert new_session_path(tmp_path, "heron", WHEN).name == "2026-06-01_093005-heron-3.h5"
    assert new_session_path(tmp_path, "", WHEN).name == "2026-06-01_093005.h5"


@pytest.mark.parametrize(
    ("tune", "name"),
    [
        ("../../etc/x", "etc-x"),
        ("a\\b:c", "a-b-c"),
        ("plover 2°\n", "plover-2°"),
        ("...", ""),
        ("\x00\x1b[31m", "[31m"),
    ],
)
def test_tune_as_part_of_a_name(tune: str, name: str) -> None:
    """A tune becomes a part of a file name that every system takes."""
    assert clean_tune(tune) == name


@given(st.text(max_size=300))
def test_any_tune_gives_one_plain_name(tune: str) -> None:
    """No path separator, nothing unprintable, short enough for every file system (255 bytes)."""
    path = new_session_path(Path("folder"), tune, WHEN)

    assert path.parent == Path("folder")
    assert path.name.isprintable()
    assert not set(path.name) & set('/\\:*?"<>|')
    assert len(path.name.encode()) < 200
