"""The session's folder is removed, moved or shut off while it is recorded: said at once, and nothing is lost."""

import shutil
import threading
from collections.abc import Callable
from pathlib import Path

import h5py
import numpy as np
import pytest

from tests.device import Device, counted, description, device, frames
from tests.ui_cli import Outcome

ROWS = 3000
SECONDS = "2.5"


def removed(folder: Path) -> None:
    shutil.rmtree(folder)


def file_removed(folder: Path) -> None:
    next(folder.glob("*.h5")).unlink()


def journal_removed(folder: Path) -> None:
    next(folder.glob("*.journal")).unlink()


def moved(folder: Path) -> None:
    folder.rename(folder.with_name("elsewhere"))


def replaced(folder: Path) -> None:
    """Another file has the session's name: it must stay."""
    session = next(folder.glob("*.h5"))
    session.unlink()
    session.write_text("mine")


@pytest.mark.parametrize(
    ("spoil", "place", "words"),
    [
        (removed, "d", "was removed while it is recorded"),
        (file_removed, "d", "was removed while it is recorded"),
        (journal_removed, "d", ""),
        (moved, "elsewhere", "was moved while it is recorded"),
        (replaced, "d", "was removed while it is recorded"),
    ],
)
def test_a_folder_that_goes_away_under_a_drive(
    steadypull: Callable[..., Outcome],
    car_file: Path,
    tmp_path: Path,
    spoil: Callable[[Path], None],
    place: str,
    words: str,
) -> None:
    """One finished session with every sample, from before and after; no journal is left; exit 0."""
    before = ROWS // 2

    def work(line: Device) -> None:
        line.await_reader()
        line.send(description())
        for number, frame in enumerate(frames(counted(ROWS))):
            if number * 20 == before:
                while not any(path.stat().st_size > before * 4 for path in (tmp_path / "d").glob("*.journal")):
                    threading.Event().wait(0.02)
                spoil(tmp_path / "d")
                threading.Event().wait(0.7)  # a flush comes twice a second
            line.send(frame)
        line.await_leaving()

    with device(tmp_path, work) as line:
        done = steadypull(
            "drive",
            "--port",
            line.port,
            "--car",
            car_file,
            "-o",
            tmp_path / "d",
            "--seconds",
            SECONDS,
            "--headless",
            "--json",
        )

    assert done.code == 0
    assert words in done.err
    session = Path(done.json["session"]["path"])
    assert session.parent == tmp_path / place
    with h5py.File(session) as file:
        assert file.attrs["finished"] == 1
        np.testing.assert_array_equal(file["raw/samples"][:, 0], np.arange(ROWS))
    assert not list(session.parent.glob("*.journal"))
    if spoil is replaced:
        assert [path.read_text() for path in (tmp_path / "d").glob("*.h5") if path != session] == ["mine"]
