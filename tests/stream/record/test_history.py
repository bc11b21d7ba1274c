"""The history of a session: any changes, taken back whole and done again whole; small, bounded, safe to open."""

import shutil
import zlib
from datetime import datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import h5py
import msgspec
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from stream.errors import InputError
from stream.live.records import Hold, Pull
from stream.record import history, layout, tables
from stream.record.change import (
    add_heard,
    change_session,
    redo_session,
    session_history,
    set_calibration,
    set_conditions,
    undo_session,
    write_note,
)
from stream.record.deeds import first_undone, last_done, read_deeds, undo_deed
from stream.record.history import MOST_BYTES, MOST_STEPS, Act
from stream.record.session import open_session
from stream.record.tables import Heard, HoldMark, PullMark, Weather, Zero

HOLDS = [
    Hold(
        start_s=10.0 * n, end_s=10.0 * n + 4, signal_mean=float(n), signal_sem=0.1, speed_rpm=1000.0 * n,
        speed_sd_rpm=3.0, drift_rpm_per_s=0.1, load_mean=0.2, n_effective=9.0,
    )
    for n in range(1, 6)
]  # fmt: skip
PULLS = [
    Pull(
        start_s=90.0 + n, end_s=95.0 + n, start_rpm=2000.0, end_rpm=6500.0,
        tune="heron · 19°", gear=3, verdict="clean", faults=(),
    )
    for n in range(4)
]  # fmt: skip


def content(file: Any) -> dict[str, Any]:
    """Everything in a session but its history, read with h5py alone: values by name, to the bit."""
    found: dict[str, Any] = {}

    def look(name: str, item: Any) -> None:
        if name != layout.HISTORY:
            found[f"{name}@"] = {key: repr(np.asarray(value).tolist()) for key, value in item.attrs.items()}
            if isinstance(item, h5py.Dataset):
                rows = item[:]
                names = rows.dtype.names or [None]
                found[name] = [
                    repr(part.tolist()) if part.dtype.hasobject else (str(part.dtype), part.tobytes())
                    for part in (rows if one is None else rows[one] for one in names)
                ]

    look("", file)
    file.visititems(look)
    return found


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A session with holds and pulls; nobody may change it."""
    from tests.stream.record.conftest import counted_block, make_writer

    path = tmp_path_factory.mktemp("history") / "whole.h5"
    writer = make_writer(path)
    writer.append(counted_block(0, 1200))
    writer.finish(HOLDS, (), PULLS)
    return path


def a_zero(at: float) -> Any:
    def edit(file: Any) -> None:
        rows = file[layout.ZEROS][:]
        zero = Zero(start_s=at, end_s=at + 3, mean=float("nan") if at > 90 else 0.01 * at, doubt=0.002, how="by hand é")
        tables.replace_rows(file, layout.ZEROS, np.concatenate([rows, tables.zero_rows([zero])]).astype(rows.dtype))

    return edit


def a_hold_mark(number: int, rpm: float) -> Any:
    def edit(file: Any) -> None:
        marks = [HoldMark() for _ in HOLDS]
        marks[number] = HoldMark(accepted=rpm > 2000, target_rpm=rpm, by_hand=True)
        tables.replace_rows(file, layout.HOLDS, tables.hold_rows(HOLDS, marks))

    return edit


def a_pull_mark(number: int, kept: Any) -> Any:
    return lambda file: tables.replace_rows(
        file,
        layout.PULLS,
        tables.pull_rows(PULLS, [PullMark(kept=kept if n == number else 0) for n in range(len(PULLS))]),
    )


def a_calibration(name: str, slope: float) -> Any:
    return lambda file: set_calibration(
        file,
        name,
        {"model": "line", "numbers": np.array([slope, -430.0]), "covariance": np.eye(2), "toml": f"x = {slope}"},
    )


def some_air(warm: float) -> Any:
    return lambda file: set_conditions(
        file, Weather(temperature_c=warm, pressure_hpa=1000.0, humidity_pct=50.0, said_utc="2026-06-01T10:00:00+00:00")
    )


def some_knock(pull: int) -> Any:
    return lambda file: add_heard(file, [Heard(pull=pull, rpm_from=3000.0, heard=True, said_utc="2026-06-01")])


def some_note(text: str) -> Any:
    def edit(file: Any) -> None:
        file.attrs["note"] = layout.clean_text(text)

    return edit


def no_zeros(file: Any) -> None:
    tables.replace_rows(file, layout.ZEROS, np.empty(0, layout.ZERO_DTYPE))


CHANGES = st.one_of(
    st.builds(a_zero, st.floats(0, 100)),
    st.builds(a_hold_mark, st.integers(0, 4), st.floats(500, 7000)),
    st.builds(a_pull_mark, st.integers(0, 3), st.sampled_from([-1, 0, 1])),
    st.builds(a_calibration, st.sampled_from(["speed", "speed-2026"]), st.floats(1000, 2000)),
    st.builds(some_air, st.floats(-20, 45)),
    st.just(lambda file: set_conditions(file, None)),
    st.builds(some_knock, st.integers(0, 4)),
    st.builds(some_note, st.text(max_size=60)),
    st.just(no_zeros),
)


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(changes=st.lists(CHANGES, min_size=2, max_size=6))
def test_any_changes_undone_whole_and_redone_whole(whole: Path, changes: list[Any]) -> None:
    """Undone, every step back leads through the very contents that were there; redone, to those again."""
    with h5py.File(whole, "r+", driver="core", backing_store=False) as file:
        seen = [content(file)]
        for number, change in enumerate(changes):
            before = history.read_state(file)
            change(file)
            history.remember(file, before, [Act("change", {"number": number})])
            if (now := content(file)) != seen[-1]:  # what changes nothing is no step
                seen.append(now)
        assert len(history.current(file).steps) == len(seen) - 1
        for before in seen[-2::-1]:
            history.turn(file, whole, back=True)
            assert content(file) == before
        with pytest.raises(InputError, match="taken back"):
            history.turn(file, whole, back=True)
        for after in seen[1:]:
            history.turn(file, whole, back=False)
            assert content(file) == after
        with pytest.raises(InputError, match="done again"):
            history.turn(file, whole, back=False)


def test_a_step_is_named_and_a_new_one_ends_what_was_taken_back(whole: Path, tmp_path: Path) -> None:
    """Steps carry what was done and when; a change after an undo leaves nothing to do again."""
    path = Path(shutil.copy(whole, tmp_path / "s.h5"))
    with h5py.File(path) as file:
        first = content(file)
    write_note(path, "dry")
    change_session(path, a_zero(1.0), [Act("zero-taken", {"start_s": 1.0, "end_s": 4.0})], "deed")
    steps = session_history(path)
    assert [step.acts[0].code for step in steps.steps] == ["note", "zero-taken"]
    assert steps.back is not None
    assert steps.back.acts[0].values == {"start_s": 1.0, "end_s": 4.0}
    assert steps.back.together == "deed"
    assert steps.back.when.startswith("20")
    assert undo_session(path)[0].acts[0].code == "zero-taken"
    assert redo_session(path)[0].acts[0].code == "zero-taken"
    undo_session(path)
    undo_session(path)
    with h5py.File(path) as file:
        assert content(file) == first
    redo_session(path)
    write_note(path, "wet")
    assert session_history(path).forth is None
    assert len(session_history(path).steps) == 2


def test_steps_of_one_deed_go_together(whole: Path, tmp_path: Path) -> None:
    """Marks and calibration of one press are taken back and done again by one."""
    path = Path(shutil.copy(whole, tmp_path / "s.h5"))
    write_note(path, "dry")
    for name, change in (("hold-speed", a_hold_mark(1, 2000.0)), ("calibration-applied", a_calibration("speed", 1.0))):
        change_session(path, change, [Act(name)], "one press")
    assert [step.acts[0].code for step in undo_session(path)] == ["calibration-applied", "hold-speed"]
    assert session_history(path).done == 1
    assert [step.acts[0].code for step in redo_session(path)] == ["hold-speed", "calibration-applied"]
    assert session_history(path).done == 3


def test_the_history_is_small_and_bounded(whole: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The file grows by what changed, never by a copy of the signal; steps are bounded in number, all in bytes."""
    assert (MOST_STEPS, MOST_BYTES) == (50, 256 << 10)
    monkeypatch.setattr(history, "MOST_STEPS", 8)
    monkeypatch.setattr(history, "MOST_BYTES", 32 << 10)
    path = Path(shutil.copy(whole, tmp_path / "s.h5"))
    with h5py.File(path, "r+") as file:
        for number in range(12):
            before = history.read_state(file)
            some_note(f"note {number}")(file)
            history.remember(file, before, [Act("note")])
        assert len(history.read_history(file).steps) == 8
        assert file[layout.HISTORY].size == 1024
        noise = np.random.default_rng(1)
        for _ in range(6):  # words that cannot be packed
            before = history.read_state(file)
            some_note(noise.bytes(6_000).hex())(file)
            history.remember(file, before, [Act("note")])
        assert 16 << 10 <= file[layout.HISTORY].size <= 32 << 10
        kept = history.current(file)
    assert kept.back is not None
    assert 2 <= len(kept.steps) <= 6
    undo_session(path)


def test_what_another_tool_changed_leaves_nothing_to_take_back(whole: Path, tmp_path: Path) -> None:
    """A step is taken back only from the very state it led to: no undo writes over what came in between."""
    path = Path(shutil.copy(whole, tmp_path / "s.h5"))
    write_note(path, "dry")
    with h5py.File(path, "r+") as file:
        file.attrs["note"] = "by another tool"
    assert session_history(path).steps == ()
    with pytest.raises(InputError, match="taken back"):
        undo_session(path)
    write_note(path, "wet")
    undo_session(path)
    with open_session(path) as session:
        assert session.note == "by another tool"


def _forged(file: Any, places: dict[str, Any], **changes: Any) -> None:
    """A history that claims to fit the file, made by a stranger."""
    state = history._digest(history.read_state(file))
    step = history.Step((Act("note"),), "2026-06-01", "", b"x", places)
    packed = zlib.compress(msgspec.msgpack.encode(history.History((step,), 1, changes.get("state", state))))
    if layout.HISTORY in file:
        del file[layout.HISTORY]
    file.create_dataset(layout.HISTORY, data=np.frombuffer(packed, np.uint8))


@pytest.mark.parametrize(
    "places",
    [
        {"raw/samples": history.Gone()},
        {"@format": history.Attributes({"format": "x"})},
        {"calibrations/../raw": history.Gone()},
        {"zeros": history.Rows(0, 5, {})},
        {"zeros": history.Whole({"start_s": "O"}, {"start_s": [1.0]})},
        {"zeros": history.Whole({"how": "S65535"}, {"how": [b""] * 1_000_000})},  # 65 GB
        {"holds": history.Cells({"start_s": ([0], [b"x"])})},
        {"zeros": history.Whole({"how": "text"}, {"how": [1.0]})},
        {"holds": history.Cells({"accepted": ([-1], [0])})},
        {"holds": history.Cells({"nothing": ([0], [0])})},
        {"@note": history.Attributes({"note": history.Plain("<f8", (1 << 40,), b"")})},
        {"conditions": history.Attributes({"x": history.Plain("O", (1,), b"12345678")})},
        {"@note": history.Attributes({"note": "another"})},  # allowed, but not the state that it names
    ],
)
def test_a_forged_history_changes_nothing(whole: Path, tmp_path: Path, places: dict[str, Any]) -> None:
    """Steps made up by a stranger are refused in one line; raw, links and everything else stay as they are."""
    path = Path(shutil.copy(whole, tmp_path / "s.h5"))
    with h5py.File(path, "r+") as file:
        _forged(file, places)
    before = path.read_bytes()
    with pytest.raises(InputError, match=r"s\.h5: its history does not fit") as told:
        undo_session(path)
    assert "changing" not in str(told.value)
    assert path.read_bytes() == before


def _a_bomb(file: Any) -> None:
    packed = zlib.compress(bytes(1 << 30 - 4), 9)[: MOST_BYTES // 2]
    file.create_dataset(layout.HISTORY, data=np.frombuffer(packed, np.uint8))


def _a_link(file: Any) -> None:
    file[layout.HISTORY] = h5py.SoftLink("/zeros")


def _a_hard_link(file: Any) -> None:
    file.create_dataset("other", data=np.zeros(2048, np.uint8))
    file[layout.HISTORY] = file["other"]


def _noise(file: Any) -> None:
    file.create_dataset(layout.HISTORY, data=np.arange(4000) % 251)


def _a_group(file: Any) -> None:
    file.create_group(layout.HISTORY)["inside"] = 1.0


def _deep(file: Any) -> None:
    packed = zlib.compress(b"\x93" + b"\x91" * 100_000)
    file.create_dataset(layout.HISTORY, data=np.frombuffer(packed, np.uint8))


@pytest.mark.parametrize("made", [_a_bomb, _a_link, _a_hard_link, _noise, _a_group, _deep])
def test_what_is_no_history_is_passed_over(whole: Path, tmp_path: Path, made: Any) -> None:
    """Anything else under its name is no history; the next change takes it off, and what it pointed to stays."""
    path = Path(shutil.copy(whole, tmp_path / "s.h5"))
    with h5py.File(path, "r+") as file:
        made(file)
    assert session_history(path).steps == ()
    write_note(path, "dry")
    with h5py.File(path) as file:
        assert "other" not in file or not file["other"][:].any()
        assert file["zeros"].dtype.names is not None
    undo_session(path)
    with open_session(path) as session:
        assert session.note == "dry, 18 °C"


@pytest.mark.parametrize("made", ["outside", "raw"])
def test_a_history_that_is_raw_or_elsewhere_is_refused(whole: Path, tmp_path: Path, made: str) -> None:
    """A link out of the file, or to what came off the wire, is refused as for any other table."""
    path = Path(shutil.copy(whole, tmp_path / "s.h5"))
    with h5py.File(path, "r+") as file:
        file[layout.HISTORY] = h5py.ExternalLink("x.h5", "/y") if made == "outside" else h5py.SoftLink("/raw/samples")
    with pytest.raises(InputError, match="history"):
        session_history(path)


def test_a_clock_set_back_takes_back_nothing_else_than_it_says(
    whole: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is offered for undo is what each of its sessions takes back next, whatever the computer's clock said; what
    something else has changed since it was shown is not taken back in its place."""
    one, other = (Path(shutil.copy(whole, tmp_path / f"{name}.h5")) for name in "ab")
    hours = iter((12, 12, 10))
    monkeypatch.setattr(
        history, "datetime", SimpleNamespace(now=lambda zone: datetime(2026, 6, 1, next(hours), tzinfo=zone))
    )
    for path in (other, one):
        change_session(path, some_note("first"), [Act("note")], "both")
    change_session(one, a_zero(1.0), [Act("zero-taken", {"start_s": 1.0, "end_s": 4.0})])
    paths = (str(one), str(other))
    shown = last_done(read_deeds(paths))
    assert shown is not None
    assert [step.acts[0].code for step in shown.steps] == ["zero-taken"]
    monkeypatch.undo()
    write_note(one, "by somebody else")
    with pytest.raises(InputError, match="changed by something else"):
        undo_deed(shown)
    assert session_history(one).done == 3
    undo_session(one)
    undo_deed(shown)
    both = last_done(read_deeds(paths))
    assert both is not None
    assert len(both.paths) == 2
    undo_deed(both)
    assert [session_history(path).done for path in paths] == [0, 0]
    again = first_undone(read_deeds(paths))
    assert again is not None
    assert set(again.paths) == set(paths)
