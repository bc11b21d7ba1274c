"""What a person says of a session: the air of the day and knock heard or not heard; kept, read, copied on."""

from pathlib import Path

import h5py
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stream.errors import InputError
from stream.live.records import Hold, Pinned, Pull
from stream.record import layout, tables
from stream.record.recover import recover
from stream.record.session import open_session
from stream.record.tables import Heard, HoldMark, PullMark, Weather, Zero
from stream.study.edit import Marks, copy_said, mark_session

DAY = Weather(temperature_c=18.5, pressure_hpa=987.2, humidity_pct=61.0, said_utc="2026-06-01T09:00:00+00:00")
NONE = Heard(pull=0, heard=False, said_utc="2026-06-01T10:00:00+00:00")


def pull_at(start_s: float) -> Pull:
    return Pull(
        start_s=start_s, end_s=start_s + 4, start_rpm=2e3, end_rpm=6e3, tune="a", gear=3, verdict="clean", faults=()
    )


def pinked(pull: int) -> Heard:
    return Heard(pull=pull, rpm_from=3000.0, rpm_to=3500.0, heard=True, said_utc="2026-06-01T10:00:00+00:00")


@pytest.fixture
def recorded_with(make_writer, counted_block, tmp_path):
    """A finished session of 60 s with these pulls."""

    def record(name: str, *pulls: Pull) -> Path:
        writer = make_writer(tmp_path / name)
        writer.append(counted_block(0, 60_000))
        writer.finish(pulls=pulls)
        return tmp_path / name

    return record


def test_nothing_said_is_absent(recorded) -> None:
    """A session of which nobody said anything has no /conditions, and no row in /heard."""
    with h5py.File(recorded) as file:
        assert "conditions" not in file
        assert len(file["heard"]) == 0
    with open_session(recorded) as session:
        assert session.conditions is None
        assert session.heard == ()


def test_what_was_said_stands_in_the_file_under_its_fixed_names(recorded_with) -> None:
    """Names and units are fixed for any other tool that reads a session; raw is never touched."""
    path = recorded_with("one.h5", pull_at(10.0), pull_at(30.0))
    mark_session(path, Marks(heard=(pinked(2), NONE), air=DAY))

    with h5py.File(path) as file:
        assert dict(file["conditions"].attrs) == {
            "temperature_c": 18.5,
            "pressure_hpa": 987.2,
            "humidity_pct": 61.0,
            "said_utc": DAY.said_utc,
        }
        assert file["heard"].dtype.names == ("pull", "rpm_from", "rpm_to", "heard", "said_utc")
        assert file["heard"][0].tolist()[:4] == (2, 3000.0, 3500.0, 1)
        assert file["pulls"].dtype.names[-1] == "kept"
    with open_session(path) as session:
        assert session.conditions == DAY
        assert session.heard == (pinked(2), NONE)


def test_knock_that_was_heard_stays_whatever_is_said_later(recorded_with) -> None:
    """'Heard none' never wipes 'heard' out: only taking it back does, of that pull alone."""
    path = recorded_with("one.h5", pull_at(10.0), pull_at(30.0))
    mark_session(path, Marks(heard=(NONE, pinked(1), pinked(2))))
    mark_session(path, Marks(heard=(Heard(pull=1, heard=False, said_utc="later"),)))

    with open_session(path) as session:
        assert [(row.pull, row.heard) for row in session.heard] == [(0, False), (1, True), (2, True), (1, False)]
    mark_session(path, Marks(forget=1))
    with open_session(path) as session:
        assert [(row.pull, row.heard) for row in session.heard] == [(0, False), (2, True)]
    mark_session(path, Marks(forget=-1, heard=(NONE,)))
    with open_session(path) as session:
        assert session.heard == (NONE,)


def test_a_pull_that_is_not_there_is_refused(recorded_with) -> None:
    """Nothing is written then."""
    path = recorded_with("one.h5", pull_at(10.0))
    with pytest.raises(InputError, match="no pull 2"):
        mark_session(path, Marks(heard=(pinked(2),), air=DAY))
    with open_session(path) as session:
        assert session.conditions is None


@pytest.mark.parametrize("spoilt", [False, True])
def test_the_air_survives_a_cut_off_recording(make_writer, counted_block, tmp_path, spoilt) -> None:
    """Also where the session file is beyond reading and only its journal is left."""
    writer = make_writer(tmp_path / "cut.h5", conditions=DAY)
    writer.append(counted_block(0, 1200))
    writer.flush()
    writer.abandon()
    if spoilt:
        (tmp_path / "cut.h5").write_bytes(b"spoilt")
    with open_session(recover(tmp_path / "cut.h5")) as session:
        assert session.conditions == DAY


def test_a_replay_carries_what_was_said(recorded_with) -> None:
    """By the time of the pull; a knock heard in a pull that is not found again counts for the whole session, and
    silence in one counts for nothing: unknown is never permission."""
    old = recorded_with("old.h5", pull_at(5.0), pull_at(20.0), pull_at(40.0))
    new = recorded_with("new.h5", pull_at(20.1))
    silent = Heard(pull=3, heard=False, said_utc="now")
    mark_session(old, Marks(heard=(pinked(1), pinked(2), silent), air=DAY))
    copy_said(old, new)

    with open_session(new) as session:
        assert session.conditions == DAY
        assert [(row.pull, row.heard) for row in session.heard] == [(0, True), (1, True)]


numbers = st.floats(allow_nan=False, width=64)
texts = st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]))
RECORDS = {
    Hold: layout.HOLD_DTYPE,
    HoldMark: layout.HOLD_DTYPE,
    Pinned: layout.PINNED_DTYPE,
    Zero: layout.ZERO_DTYPE,
    Heard: layout.HEARD_DTYPE,
}


@given(st.data())
def test_any_record_comes_back_from_its_row(data) -> None:
    """Through HDF5 itself: what is None comes back as None, words and numbers as they were."""
    st.register_type_strategy(float, numbers)
    st.register_type_strategy(str, texts)
    st.register_type_strategy(int, st.integers(0, 30_000))
    kind = data.draw(st.sampled_from(list(RECORDS)))
    records = data.draw(st.lists(st.builds(kind), max_size=3))
    with h5py.File("any", "w", driver="core", backing_store=False) as file:
        rows = tables.to_rows(RECORDS[kind], records)
        file.create_dataset("rows", data=rows, dtype=rows.dtype)
        assert tables.from_rows(kind, file["rows"][:]) == tuple(records)


@given(st.lists(st.sampled_from([-1, 0, 1]), max_size=4))
def test_marks_stand_beside_their_pulls(kept) -> None:
    """-1 dropped, 0 by verdict, 1 kept."""
    rows = tables.pull_rows([pull_at(10.0 * n) for n in range(len(kept))], [PullMark(kept=one) for one in kept])
    assert rows["kept"].tolist() == kept
    assert tables.from_rows(Pull, rows) == tuple(pull_at(10.0 * n) for n in range(len(kept)))
