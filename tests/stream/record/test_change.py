"""Changing a session: all or nothing, and never its raw part."""

import errno
import os
import shutil
import time
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from stream.errors import InputError, StorageError
from stream.record import layout, tables
from stream.record.change import RawTouchedError, change_session, seen, set_calibration
from stream.record.session import open_session
from stream.record.tables import Zero

ZERO = Zero(start_s=1.0, end_s=3.0, mean=0.01, doubt=0.002, how="by hand")


def test_zero_and_calibration_are_attached(recorded: Path) -> None:
    """The raw bytes, the mode and every other file stay; a second calibration replaces its namesake."""
    recorded.chmod(0o640)
    with h5py.File(recorded) as file:
        before = file["raw/samples"][:].tobytes()

    def edit(file: Any) -> None:
        tables.append_rows(file, layout.ZEROS, tables.zero_rows([ZERO]))
        set_calibration(file, "speed", {"model": "line", "numbers": [1.0, 2.0]})
        set_calibration(file, "speed", {"model": "line", "numbers": [1720.0, -430.0]})

    change_session(recorded, edit)

    with open_session(recorded) as session:
        assert session.zeros == (ZERO,)
        assert session.calibrations()["speed"]["model"] == "line"
        np.testing.assert_array_equal(session.calibrations()["speed"]["numbers"], [1720.0, -430.0])
        assert session.h5["raw/samples"][:].tobytes() == before
    assert recorded.stat().st_mode & 0o777 == 0o640
    assert [item.name for item in recorded.parent.iterdir()] == [recorded.name]


def touch_a_sample(file: Any) -> None:
    file["raw/samples"][1000, 1] = 0.0


def touch_the_rate(file: Any) -> None:
    file["raw/samples"].attrs["rate_hz"] = 999.0


def touch_the_gaps(file: Any) -> None:
    tables.replace_rows(file, layout.GAPS, np.empty(0, layout.GAP_DTYPE))


@pytest.mark.parametrize("edit", [touch_a_sample, touch_the_rate, touch_the_gaps])
def test_raw_cannot_be_changed(recorded: Path, edit: Any) -> None:
    """An edit that touches the raw part is refused and leaves the file as it was."""
    before = recorded.read_bytes()
    with pytest.raises(RawTouchedError):
        change_session(recorded, edit)

    assert recorded.read_bytes() == before
    assert [item.name for item in recorded.parent.iterdir()] == [recorded.name]


def test_failed_edit_leaves_everything(recorded: Path) -> None:
    """An edit that fails half way changes nothing."""
    before = recorded.read_bytes()

    def fail(file: Any) -> None:
        tables.append_rows(file, layout.ZEROS, tables.zero_rows([ZERO]))
        raise InputError("no such stretch")

    with pytest.raises(InputError, match="no such stretch"):
        change_session(recorded, fail)

    assert recorded.read_bytes() == before
    assert [item.name for item in recorded.parent.iterdir()] == [recorded.name]


def test_full_disk_leaves_everything(recorded: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A full disk during a change leaves the session unchanged and says so."""
    before = recorded.read_bytes()

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(shutil, "copy2", full)
    with pytest.raises(StorageError, match=r"recorded\.h5: the disk is full.*the session is unchanged"):
        change_session(recorded, lambda file: None)

    assert recorded.read_bytes() == before
    assert [item.name for item in recorded.parent.iterdir()] == [recorded.name]


def test_link_stays_a_link(recorded: Path, tmp_path: Path) -> None:
    """A change writes through a symbolic link and keeps it."""
    link = tmp_path / "link.h5"
    link.symlink_to(recorded)
    change_session(link, lambda file: tables.append_rows(file, layout.ZEROS, tables.zero_rows([ZERO])))

    assert link.is_symlink()
    with open_session(recorded) as session:
        assert session.zeros == (ZERO,)


def test_not_a_session(tmp_path: Path) -> None:
    """What is no session is refused before anything is written."""
    (tmp_path / "x.h5").write_text("hello")
    with pytest.raises(InputError, match="not HDF5"):
        change_session(tmp_path / "x.h5", lambda file: None)


def test_two_who_change_a_session_at_once_lose_nothing(recorded: Path) -> None:
    """What somebody says while another change is on its way stays, and the other is refused in one line and can be
    said again; also where the change rests on what was read before the session was copied."""

    def edit(file: Any) -> None:
        file.attrs["tune"] = "gull"
        if recorded.exists() and not said:
            said.append(1)
            change_session(recorded, lambda file: file.attrs.update(note="knock heard"))

    said: list[int] = []
    with pytest.raises(InputError, match="changed by something else"):
        change_session(recorded, edit)
    before = seen(recorded)
    with open_session(recorded) as session:
        assert (session.note, session.tune) == ("knock heard", "heron")
    change_session(recorded, edit)
    with pytest.raises(InputError, match="changed by something else"):
        change_session(recorded, edit, since=before)
    with open_session(recorded) as session:
        assert (session.note, session.tune) == ("knock heard", "gull")
    assert [item.name for item in recorded.parent.iterdir()] == [recorded.name]


def test_what_a_killed_change_left_goes_with_the_next(recorded: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A copy that nobody works on any more does not fill the disk for good; one that is new may be somebody's, and
    another session's is none of ours."""
    left, other = (recorded.parent / f".{name}-abc.changing" for name in (recorded.stem, "x"))
    left.write_bytes(b"half")
    other.write_bytes(b"half")
    change_session(recorded, lambda file: file.attrs.update(note="dry"))
    assert left.exists()
    now = time.time()
    monkeypatch.setattr("stream.record.change.time.time", lambda: now + 4000)
    change_session(recorded, lambda file: file.attrs.update(note="wet"))
    assert sorted(item.name for item in recorded.parent.iterdir()) == sorted([recorded.name, other.name])
