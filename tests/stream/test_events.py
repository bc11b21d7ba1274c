"""The event list: numbered without holes, bounded, and honest about what was dropped."""

import threading

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stream.events import KINDS, EventList


@given(
    capacity=st.integers(1, 20),
    actions=st.lists(st.one_of(st.integers(0, 15).map(lambda n: ("add", n)), st.just(("read", 0))), max_size=40),
)
def test_every_event_is_seen_once_or_told_as_dropped(capacity: int, actions: list[tuple[str, int]]) -> None:
    """For any capacity and any turn of writing and reading, numbers run on without a hole."""
    events = EventList(capacity)
    seen = added = 0
    for action, count in [*actions, ("read", 0)]:
        for _ in range(count):
            added += 1
            assert events.add(float(added), "note", str(added)).number == added
        if action == "read":
            new, dropped = events.since(seen)
            assert dropped == max(0, added - seen - capacity)
            assert [event.number for event in new] == list(range(seen + dropped + 1, added + 1))
            assert [event.text for event in new] == [str(event.number) for event in new]
            seen = added
    assert events.last == added


def test_writers_on_many_threads_never_share_a_number() -> None:
    """Four threads add; every number is there once."""
    events = EventList(capacity=1 << 20)

    def write() -> None:
        for _ in range(500):
            events.add(0.0, "mark", "")

    threads = [threading.Thread(target=write) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert [event.number for event in events.since(0)[0]] == list(range(1, 2001))


def test_a_kind_that_is_not_known_is_refused() -> None:
    """A misspelt kind would be an event that nobody shows."""
    with pytest.raises(ValueError, match="unknown event kind 'hold-don'"):
        EventList().add(0.0, "hold-don", "")
    assert {EventList().add(0.0, kind, "").kind for kind in KINDS} == set(KINDS)


def test_a_text_with_bytes_that_are_no_text_can_be_stored() -> None:
    """As a file's name has them that was not written in UTF-8 (PEP 383)."""
    text = b"drive-\xe9.h5".decode("utf-8", "surrogateescape")

    assert EventList().add(0.0, "recording-began", text).text.encode() == b"drive-?.h5"
