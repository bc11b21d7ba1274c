"""Sessions are data from strangers: whatever is in one, it is refused in a line, quickly and in little memory.

No other file is ever touched. The full fuzzer is tests/bench/hostile_files.py.

Bounds: issue text ('never a traceback, never over 2 GB'); a flipped byte once hung HDF5, a small file once took 18 GB.
"""

import hashlib
import os
import resource
import shutil
import signal
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from stream.errors import InputError
from stream.record import probe, shelf
from stream.record.probe import Prober
from stream.record.session import open_session
from stream.record.summary import summarise
from stream.study.dataset import open_dataset
from tests import hostile
from tests.test_replay_files import FOLDER as REPLAY_FILES
from tests.ui_cli import Outcome

SOUND = REPLAY_FILES / "hold_drive.h5"
HUGE = 10**12
MIB = 1024  # of ru_maxrss, kB


@pytest.fixture
def session(tmp_path: Path) -> Path:
    """A sound session of its own."""
    path = tmp_path / "s.h5"
    shutil.copy(SOUND, path)
    return path


@pytest.fixture
def victim(tmp_path: Path) -> Path:
    """Another file, which nobody named."""
    path = tmp_path / "victim" / "v.h5"
    path.parent.mkdir()
    shutil.copy(SOUND, path)
    with h5py.File(path, "a") as file:
        file.create_group("conditions").attrs.update(temperature_c=20.0, pressure_hpa=1000.0, humidity_pct=50.0)
        file["also/second/raw/x"] = [1.0]
    return path


def spoilt(path: Path, spoil: Callable[[Any], None]) -> Path:
    with h5py.File(path, "a") as file:
        spoil(file)
    return path


def digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.mark.parametrize("name", hostile.LINKED)
def test_a_link_to_another_file_is_refused_wherever_it_stands(session: Path, victim: Path, name: str) -> None:
    """Before anything is read through it; nested places too."""
    spoilt(session, hostile.external_link(name, victim))
    with pytest.raises(InputError, match=f"/{name} is a link to another file; a session is one file"):
        open_session(session)


@pytest.mark.parametrize("make", [hostile.through_a_soft_link, hostile.external_storage, hostile.virtual])
def test_nothing_that_changes_a_session_changes_another_file(
    steadypull: Callable[..., Outcome], session: Path, victim: Path, make: Callable[[Path], Callable[[Any], None]]
) -> None:
    """`mark`, `zero`, `apply` and `recover` refuse it, and both files stay as they were to the byte."""
    spoilt(session, make(victim))
    before = digest(session), digest(victim)
    for words in (
        ["mark", session, "--drop-hold", "1"],
        ["mark", session, "--none-heard"],
        ["mark", session, "--air", "20,1000,50"],
        ["zero", session, "--from", "1", "--to", "3"],
        ["recover", session],
    ):
        done = steadypull(*words)
        assert done.code == 2
        assert "another file" in done.error
    assert (digest(session), digest(victim)) == before


def test_raw_under_another_name_is_refused(steadypull: Callable[..., Outcome], session: Path) -> None:
    """Else what changes /holds would change what came off the wire."""
    spoilt(session, hostile.second_name_of_raw)
    assert "came off the wire under another name" in steadypull("mark", session, "--drop-hold", "1").error


@pytest.mark.parametrize("spoil", [hostile.ring_of_groups, hostile.deep])
def test_rings_and_depths_end(session: Path, spoil: Callable[[Any], None]) -> None:
    """A ring is looked at once; a thousand groups in each other are no session."""
    spoilt(session, spoil)
    if spoil is hostile.ring_of_groups:
        open_session(session).close()
    else:
        with pytest.raises(InputError, match="groups deep"):
            open_session(session)


@pytest.mark.parametrize("name", [*hostile.TABLES, "raw/samples"])
def test_a_size_that_is_not_stored_is_refused_before_memory_is_taken(session: Path, name: str) -> None:
    """A million million rows: the file is 8 MB at most, and so is what refusing it takes, near enough."""
    spoilt(session, hostile.declared(name, HUGE))
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    assert "and stores 0" in summarise(session).trouble
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 50 * MIB


@pytest.mark.parametrize("name", ["raw/samples", "raw/clock"])
def test_gigabytes_packed_small_are_refused(session: Path, name: str) -> None:
    """Zeros shrink to a thousandth; no measured sample does."""
    spoilt(session, hostile.packed(name, 1 << 29))
    assert "declares" in summarise(session).trouble


def test_one_long_word_many_times_is_refused(session: Path) -> None:
    """12 GB of text from a file of a few MB; read in a child of 2 GB at most."""
    spoilt(session, hostile.one_word_many_times)
    assert session.stat().st_size < 20 << 20
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with open_session(session) as opened, pytest.raises(InputError, match="MiB of text"):
        _ = opened.events
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 800 * MIB


def test_words_that_are_no_text_and_numbers_that_signal_are_read_as_what_they_are(session: Path) -> None:
    """A byte that is no UTF-8 shows as such, and a NaN of the signalling kind is a missing value: no error, no warning
    of a library."""
    with h5py.File(session, "r+") as file:
        file.attrs.create("note", b"wind \xe5", dtype=h5py.string_dtype())
        for name in ("speed", "load"):
            values = file[f"live/{name}"][:]
            values.view("<u4")[300] = 0x7F800001
            file[f"live/{name}"][:] = values
    with open_dataset(session) as data:
        assert data.session.note == "wind \ufffd"
        assert np.isnan(data.load[300])
        assert np.isfinite(data.load[299])


def pulls_of_nowhere(file: Any) -> None:
    """A hold that ends at no time."""
    rows = file["holds"][:]
    rows["end_s"][0] = np.nan
    file["holds"][:] = rows


def clock_that_turns(file: Any) -> None:
    """Live rows from the last to the first."""
    file["live/time"][:] = file["live/time"][:][::-1]


def year_one(file: Any) -> None:
    """A start that no time zone can be reckoned from."""
    file.attrs["started_utc"] = "0001-01-01T00:00:00+23:59"


@pytest.mark.parametrize("spoil", [pulls_of_nowhere, clock_that_turns, year_one])
@pytest.mark.parametrize("words", [["mark", "{s}"], ["report", "{s}", "-o", "{d}/r.html"], ["shelf", "{d}"]])
def test_values_that_no_session_has_are_called_damage(
    steadypull: Callable[..., Outcome], session: Path, spoil: Callable[[Any], None], words: list[str]
) -> None:
    """A sound file of absurd values is refused in a line where they are used, and listed on a shelf all the same."""
    spoilt(session, spoil)
    done = steadypull(*(word.format(s=session, d=session.parent) for word in words))

    assert done.code in (0, 2), done.err
    if words[0] == "report":
        assert "is damaged" in done.error


def test_flipped_bytes_are_refused_or_read(tmp_path: Path) -> None:
    """Thirty files with up to eight bytes turned over, in the child: an answer for each, no crash of ours, no hang."""
    data = SOUND.read_bytes()
    path = tmp_path / "f.h5"
    with Prober(read_s=5.0) as prober:
        for seed in range(30):
            path.write_bytes(hostile.flipped(data, seed))
            found = prober.summary(path)
            assert found.readable or found.trouble.startswith("is ") or found.trouble


class Stuck(Prober):
    """Its child is stopped over b.h5: no less deaf than one that spins in HDF5."""

    def _ask(self, path: str, within_s: float) -> Any:
        if not path.endswith("b.h5"):
            return super()._ask(path, 60.0)
        self._child = self._child or probe._start()
        os.kill(self._child.pid, signal.SIGSTOP)
        return super()._ask(path, 0.5)


def test_one_bad_file_never_blocks_a_shelf(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is listed as damaged, and the others as they are."""
    for name in ("a", "b", "c"):
        shutil.copy(SOUND, tmp_path / f"{name}.h5")
    monkeypatch.setattr(shelf, "Prober", Stuck)
    found = {Path(one.path).name: one for one in shelf.scan(tmp_path).sessions}

    assert [found[name].state for name in ("a.h5", "b.h5", "c.h5")] == ["finished", "broken", "finished"]
    assert "reading it did not end within" in found["b.h5"].trouble
