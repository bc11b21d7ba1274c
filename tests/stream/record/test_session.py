"""Opening a session: what is refused and how, and that opening changes nothing."""

import os
import stat
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from stream.errors import InputError
from stream.record.session import open_session
from stream.record.writer import SessionWriter


def refusal(path: Path) -> str:
    with pytest.raises(InputError) as caught:
        open_session(path)
    text = str(caught.value)
    assert "\n" not in text
    assert str(path) in text
    return text


def test_opening_changes_neither_bytes_nor_times(recorded: Path) -> None:
    """Reading everything there is leaves the file as it was, also where it may not be written."""
    os.utime(recorded, ns=(1_000_000_000, 1_234_567_890_123_456_789))
    recorded.chmod(stat.S_IRUSR)
    before = recorded.read_bytes()
    with open_session(recorded) as session:
        assert sum(len(block) for block in session.blocks()) == 2500
        session.live()
        assert session.holds == ()
        assert session.events == ()
        assert session.calibrations() == {}

    assert recorded.read_bytes() == before
    assert recorded.stat().st_mtime_ns == 1_234_567_890_123_456_789
    assert [item.name for item in recorded.parent.iterdir()] == [recorded.name]


def test_what_a_session_says_of_itself(recorded: Path) -> None:
    """Rows, losses, rate, tune and channels are those that were recorded."""
    with open_session(recorded) as session:
        assert (session.rows, session.lost_samples, session.duration_s) == (2500, 40, 2.54)
        assert (session.rate_hz, session.info.names, session.info.name) == (
            1000.0,
            ("speed_v", "link"),
            "hill-climb box",
        )
        assert session.started_utc.isoformat() == "2026-06-01T09:30:00+00:00"
        assert session.gear == 3
        np.testing.assert_array_equal(session.raw("link"), -session.sample_index().astype(np.float32))
        with pytest.raises(InputError, match="has no channel 'rpm'; it has speed_v, link"):
            session.raw("rpm")


def test_missing_folder_and_empty(tmp_path: Path) -> None:
    """A missing file, a folder and an empty file are one line each."""
    (tmp_path / "empty.h5").touch()
    assert "no such session" in refusal(tmp_path / "gone.h5")
    assert "is a folder" in refusal(tmp_path)
    assert "is empty" in refusal(tmp_path / "empty.h5")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    """Nobody may ever write to it; a shelf would stand still for it."""
    pipe, link = tmp_path / "pipe.h5", tmp_path / "link.h5"
    os.mkfifo(pipe)
    link.symlink_to(pipe)

    assert "not a plain file; give a session file" in refusal(pipe)
    assert "not a plain file" in refusal(link)


def test_not_hdf5(tmp_path: Path) -> None:
    """A file of another kind is refused in words."""
    path = tmp_path / "log.h5"
    path.write_text("time,rpm\n0,900\n")
    assert "not HDF5" in refusal(path)


def test_foreign_hdf5(tmp_path: Path) -> None:
    """HDF5 of another program is refused in words."""
    for number, attributes in enumerate(({}, {"format": 7}, {"format": "other"}, {"format": np.zeros(3)})):
        path = tmp_path / f"{number}.h5"
        with h5py.File(path, "w") as file:
            file.attrs.update(attributes)
        assert "is HDF5 but not a Steadypull session" in refusal(path)


@pytest.mark.parametrize("version", [2, 10**6])
def test_newer_format(recorded: Path, version: int) -> None:
    """A newer format version is refused, not half-read."""
    with h5py.File(recorded, "r+") as file:
        file.attrs["format_version"] = version
    assert f"newer Steadypull (format version {version}; this one reads up to 1); update" in refusal(recorded)


def test_a_root_that_cannot_be_told(recorded: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What HDF5 raised for one flipped bit of the root's header, in a file found by trying bits."""

    def unreadable(*_: object) -> None:
        raise KeyError("Unable to synchronously open object (unable to determine object type)")

    monkeypatch.setattr(h5py.AttributeManager, "get", unreadable)
    assert "not a Steadypull session" in refusal(recorded)


@pytest.mark.parametrize("name", ["raw/samples", "raw/gaps"])
def test_table_missing(recorded: Path, name: str) -> None:
    """A session that lacks a table is damaged and says so."""
    with h5py.File(recorded, "r+") as file:
        del file[name]

    def read_all() -> None:
        with open_session(recorded) as session:
            list(session.blocks())
            _ = session.holds

    with pytest.raises(InputError, match="is damaged"):
        read_all()


def replaced(file: Any, name: str, rows: Any) -> None:
    del file[name]
    file[name] = rows


@pytest.mark.parametrize("lost", [1 << 54, (1 << 64) - 1])
def test_more_lost_than_can_be_counted(recorded: Path, lost: int) -> None:
    """A spoilt count of lost samples, which would put every later time in doubt."""
    with h5py.File(recorded, "r+") as file:
        replaced(file, "raw/gaps", np.array([(10, lost, 0, 0)], file["raw/gaps"].dtype))

    with open_session(recorded) as session, pytest.raises(InputError, match=r"is damaged .*/raw/gaps counts more"):
        list(session.blocks())


@pytest.mark.parametrize("size", [1 << 45, 1 << 61])
def test_a_table_whose_spoilt_size_no_memory_holds(recorded: Path, size: int) -> None:
    """A size that one flipped bit can give."""
    with h5py.File(recorded, "r+") as file:
        kind = file["holds"].dtype
        del file["holds"]
        file.create_dataset("holds", (size,), kind, chunks=(64,))

    with pytest.raises(InputError, match=r"declares .* bytes and stores"):
        open_session(recorded)


def test_a_moment_without_a_time_zone_is_utc(recorded: Path) -> None:
    """The attribute's name says so; another tool may leave the zone out."""
    with h5py.File(recorded, "r+") as file:
        file.attrs["started_utc"] = "2024-06-01T09:30:00"

    with open_session(recorded) as session:
        assert session.started_utc.isoformat() == "2024-06-01T09:30:00+00:00"


def test_a_session_without_findings_has_none(recorded: Path) -> None:
    """A tool that knows the raw part alone may leave the rest out: the session opens, and nothing is found in it."""
    with h5py.File(recorded, "r+") as file:
        for name in ("holds", "pinned", "pulls", "zeros", "events", "live", "calibrations"):
            del file[name]

    with open_session(recorded) as session:
        assert (session.holds, session.pulls, session.zeros, session.calibrations()) == ((), (), (), {})
        assert not session.has_findings
        assert sum(len(block) for block in session.blocks()) == session.rows


@pytest.mark.parametrize(
    "spoil",
    [
        lambda file: file["raw/samples"].attrs.__setitem__("rate_hz", np.nan),
        lambda file: file["raw/samples"].attrs.__setitem__("rate_hz", np.inf),
        lambda file: file["raw/samples"].attrs.__setitem__("rate_hz", 1e300),
        lambda file: file["raw/samples"].attrs.__setitem__("rate_hz", 1e-300),
        lambda file: file["raw/samples"].attrs.__setitem__("names", ["one"]),
        lambda file: file.attrs.__setitem__("started_utc", "yesterday"),
        lambda file: file.attrs.__delitem__("car"),
        lambda file: file.attrs.__delitem__("format_version"),
    ],
)
def test_attribute_that_cannot_be_used(recorded: Path, spoil: Callable[[Any], None]) -> None:
    """A spoilt attribute is damage, named in one line."""
    with h5py.File(recorded, "r+") as file:
        spoil(file)
    assert "is damaged" in refusal(recorded)


def test_cut_short_anywhere(recorded: Path, tmp_path: Path) -> None:
    """Whatever is missing at the end, there is a word, or all the samples are there; never a traceback."""
    whole = recorded.read_bytes()
    assert len(whole) > 10_000
    path = tmp_path / "short.h5"
    for length in range(0, len(whole), 997):
        path.write_bytes(whole[:length])
        assert refusal(path)


def test_while_another_process_records(tmp_path: Path, make_writer: Callable[..., SessionWriter]) -> None:
    """The lock of the process that records gives a word in every other one."""
    path = tmp_path / "live.h5"
    writer = make_writer(path)
    code = (
        "import sys; from stream.record.session import open_session; from stream.errors import InputError\n"
        "try: open_session(sys.argv[1])\n"
        "except InputError as error: print(error)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, path],
        capture_output=True,
        text=True,
        check=True,
        cwd=Path(__file__).parents[3],
    )
    writer.abandon()

    assert "is being recorded or changed by another program; wait until that has finished" in done.stdout


def test_table_of_another_writer_with_only_what_the_format_owes(recorded: Path) -> None:
    """Columns of ours beyond the format may be left out."""
    with h5py.File(recorded, "r+") as file:
        del file["events"]
        text = h5py.string_dtype()
        file["events"] = np.array([(1.5, "mark", "gate")], [("time", "f8"), ("kind", text), ("text", text)])
    with open_session(recorded) as session:
        (event,) = session.events

    assert (event.number, event.time_s, event.kind, event.text, event.value) == (1, 1.5, "mark", "gate", None)


@pytest.mark.parametrize("way", ["external link", "external group", "external storage", "virtual"])
def test_a_session_that_reads_from_other_files_is_refused(recorded: Path, tmp_path: Path, way: str) -> None:
    """What stands elsewhere was not recorded here, and opening a stranger's file must not read one's own files."""
    other = tmp_path / "other.h5"
    with h5py.File(other, "w") as file:
        file["speed"] = np.zeros(10, "f4")
        file.create_group("group")["speed"] = np.zeros(10, "f4")
    with h5py.File(recorded, "r+") as file:
        del file["live/speed"]
        if way == "external link":
            file["live/speed"] = h5py.ExternalLink("other.h5", "/speed")
        elif way == "external group":
            del file["live"]
            file["live"] = h5py.ExternalLink("other.h5", "/group")
        elif way == "external storage":
            file["live"].create_dataset("speed", (10,), "f4", external=[(str(tmp_path / "bytes"), 0, 40)])
        else:
            layout = h5py.VirtualLayout((10,), "f4")
            layout[:] = h5py.VirtualSource("other.h5", "speed", (10,))
            file["live"].create_virtual_dataset("speed", layout)
    with pytest.raises(InputError, match="another file") as refused:
        open_session(recorded)
    assert "\n" not in str(refused.value)


def test_a_soft_link_inside_the_file_is_followed(recorded: Path) -> None:
    """It leads nowhere else."""
    with h5py.File(recorded, "r+") as file:
        file["alias"] = h5py.SoftLink("/live/speed")
    with open_session(recorded) as session:
        assert session.rows > 0
