"""One drive counts once, by whatever name its files go; a log that says no date is no earlier day.

Logs are drawn by the generator of `tests/pull_logs.py`.
"""

import datetime as dt
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from tests.pull_logs import LogPlan, car_text

Import = Callable[..., Path]
FIRST = dt.datetime(2031, 5, 3, 9, tzinfo=dt.UTC)  # after any day this test is run on


@pytest.fixture
def imported(steadypull, tmp_path: Path) -> Import:
    """A log of two pulls as a session, with a zero."""

    def make(name: str, tune: str, began: dt.datetime | None = None, seed: int = 1, change: float = 0.0) -> Path:
        toml, log, path = (tmp_path / f"{name}{suffix}" for suffix in (".toml", ".csv", ".h5"))
        toml.write_text(car_text(), encoding="utf-8")
        columns = LogPlan(seed, change=change, pulls=3, rate_hz=100.0).columns()
        rows = ["time,volts,load"]
        for place, (volts, load) in enumerate(zip(columns["volts"], columns["load"], strict=True)):
            at = place / 100.0
            stamp = f"{at:.3f}" if began is None else (began + dt.timedelta(seconds=at)).isoformat()
            rows.append(f"{stamp},{volts:.6f},{load:.6f}")
        log.write_text("\n".join(rows) + "\n", encoding="utf-8")
        done = steadypull("import", log, "--car", toml, "-o", path, "--tune", tune, "--gear", "3")
        assert done.code == 0, done.err
        with h5py.File(path, "r+") as file:
            file["zeros"].resize(1, axis=0)
            file["zeros"][0] = (0.0, 1.0, 0.0, 0.002, "test")
        return path

    return make


def four(imported: Import) -> list[Path]:
    starts = [FIRST + dt.timedelta(minutes=10 * place) for place in range(4)]
    return [
        imported(f"day{place}", tune, start, seed=place)
        for place, (tune, start) in enumerate(zip("ABBA", starts, strict=True))
    ]


def answer(steadypull: Any, *words: object) -> Any:
    done = steadypull(*words, "--json")
    assert done.code == 0, done.err
    return json.loads(done.out)


COMPARE = ("compare", "--base", "A", "--trial", "B")


@pytest.mark.parametrize(
    ("how", "command"),
    [("copy", COMPARE), ("replay", COMPARE), ("import again", COMPARE), ("copy", ("curve",)), ("copy", ("coach",))],
)
def test_a_drive_under_two_names_is_refused(steadypull, imported: Import, how: str, command: tuple[str, ...]) -> None:
    """One drive counts once, whatever its files are called."""
    sessions = four(imported)
    again = sessions[1].with_name("again.h5")
    if how == "copy":
        shutil.copy(sessions[1], again)
    elif how == "replay":
        assert steadypull("replay", sessions[1], "-o", again, "--headless").code == 0
    else:
        again = imported("again", "B", FIRST + dt.timedelta(hours=5), seed=1)

    done = steadypull(command[0], *sessions, again, *command[1:])

    assert (done.code, done.out) == (2, "")
    assert "is the same drive as" in done.err
    assert "day1.h5" in done.err
    assert "again.h5" in done.err


def test_a_drive_with_one_sample_of_its_own_is_another(steadypull, imported: Import) -> None:
    """A single sample that differs makes another drive."""
    sessions = four(imported)
    other = sessions[1].with_name("other.h5")
    shutil.copy(sessions[1], other)
    with h5py.File(other, "r+") as file:
        file["raw/samples"][1234, 1] += 0.01

    found = answer(steadypull, "compare", *sessions, other, "--base", "A", "--trial", "B", "--history", "none")

    assert found["pulls"] == {"base": 6, "trial": 9}


def scatter(steadypull: Any, sessions: list[Path], folder: Path) -> Any:
    words = ("compare", *sessions, "--base", "A", "--trial", "B", "--history", folder)
    return answer(steadypull, *words)["scatter"]


def earlier(imported: Import, folder: Path, *, dated: bool) -> None:
    folder.mkdir()
    for place, tune in enumerate("ABAB"):
        start = FIRST - dt.timedelta(days=30) + dt.timedelta(minutes=10 * place)
        path = imported(f"past{place}", tune, start if dated else None, seed=20 + place)
        shutil.move(path, folder / path.name)


def test_a_log_without_a_date_teaches_nothing(steadypull, imported: Import, tmp_path: Path) -> None:
    """Neither as imported, nor as replayed or recovered: it begins at its import, which may be any day's drive."""
    sessions, folder = four(imported), tmp_path / "past"
    earlier(imported, folder, dated=False)
    for place, path in enumerate(sorted(folder.glob("*.h5"))):
        with h5py.File(path, "r+") as file:
            assert file.attrs["dated"] == 0
            samples = file["raw/samples"]
            samples[0, 1] += np.float32(0.001 * (place + 1))  # a drive of its own
        again = folder / f"again{place}.h5"
        assert steadypull("replay", path, "-o", again, "--headless").code == 0
        with h5py.File(again) as file:
            assert file.attrs["dated"] == 0
    with h5py.File(folder / "again0.h5", "r+") as file:
        file.attrs["finished"] = 0
    assert steadypull("recover", folder / "again0.h5", "-o", folder / "recovered.h5").code == 0
    with h5py.File(folder / "recovered.h5") as file:
        assert file.attrs["dated"] == 0

    found = scatter(steadypull, sessions, folder)

    assert (found["days"], found["from"]) == (0, [])


def test_copies_teach_no_more_than_their_drive(steadypull, imported: Import, tmp_path: Path) -> None:
    """Copies in the history's folder add no day and no pull."""
    sessions, folder = four(imported), tmp_path / "past"
    earlier(imported, folder, dated=True)
    once = scatter(steadypull, sessions, folder)
    for path in sorted(folder.glob("*.h5")):
        shutil.copy(path, folder / f"z{path.name}")

    assert once["days"] == 1
    assert scatter(steadypull, sessions, folder) == once
