"""The ring: one writer, many cursors; every sample is seen once or told as lost, whatever the sizes."""

import threading
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stream.block import Block, ChannelInfo, StreamInfo
from stream.ring import Cursor, Ring

RATE = 1000.0
INFO = StreamInfo(RATE, (ChannelInfo("index"), ChannelInfo("half")))
PATIENCE_S = 30.0


def block(first: int, rows: int, lost: int = 0, restarted: bool = False) -> Block:
    """Samples that carry their own index; the device's clock is the index, in milliseconds."""
    index = np.arange(first, first + rows, dtype=np.float32)
    return Block(np.column_stack([index, index / 2]), first, RATE, first * 1000, 7, lost, restarted)


class Follower:
    """Reads a cursor and checks each block: values by sample index, losses told, clock right."""

    def __init__(self, cursor: Cursor) -> None:
        self.cursor = cursor
        self.seen: list[int] = []
        self.told = 0
        self._next: int | None = None

    def read(self, max_rows: int) -> bool:
        got = self.cursor.read(max_rows)
        if got is None:
            return False
        assert 0 < len(got) <= max_rows
        index = got.samples[:, 0].astype(int)
        np.testing.assert_array_equal(index, np.arange(got.first, got.end))
        np.testing.assert_array_equal(got.samples[:, 1], got.samples[:, 0] / 2)
        assert got.device_us == got.first * 1000
        assert got.lost == (0 if self._next is None else got.first - self._next)
        self._next = got.end
        self.told += got.lost
        self.seen.extend(index.tolist())
        return True

    def drain(self, max_rows: int) -> None:
        while self.read(max_rows):
            pass


@settings(deadline=None)
@given(
    capacity=st.integers(1, 40),
    writes=st.lists(st.tuples(st.integers(0, 90), st.sampled_from([0, 0, 0, 1, 13])), min_size=1, max_size=25),
    reads=st.lists(st.integers(0, 3), max_size=25),
    most=st.lists(st.integers(1, 50), min_size=3, max_size=3),
)
def test_every_sample_is_seen_once_or_told_as_lost(
    capacity: int, writes: list[tuple[int, int]], reads: list[int], most: list[int]
) -> None:
    """Blocks of any size (larger than the ring too), gaps anywhere, three cursors that read when they like."""
    ring = Ring(INFO, capacity)
    followers = [Follower(ring.cursor()) for _ in most]
    written: list[int] = []
    first = 0
    for number, (rows, lost) in enumerate(writes):
        first += lost
        ring.write(block(first, rows, lost))
        written.extend(range(first, first + rows))
        first += rows
        which = reads[number] if number < len(reads) else 3
        if which < 3:
            followers[which].drain(most[which])
    for follower, max_rows in zip(followers, most, strict=True):
        follower.drain(max_rows)

        assert follower.seen == [row for row in written if row in set(follower.seen)], "in order, once"
        assert len(follower.seen) + follower.cursor.missed == len(written)
        assert follower.seen[-capacity:] == written[-capacity:][-len(follower.seen[-capacity:]) :], (
            "the newest are there"
        )
        if follower.seen:
            assert follower.told == follower.seen[-1] + 1 - follower.seen[0] - len(follower.seen)


@settings(deadline=None, max_examples=25)
@given(
    capacity=st.integers(1, 30),
    sizes=st.lists(st.integers(1, 70), min_size=1, max_size=20),
    most=st.integers(1, 40),
)
def test_a_claim_makes_the_writer_wait(capacity: int, sizes: list[int], most: int) -> None:
    """With `wait` nothing is lost to a claiming cursor, however slow, for blocks larger than the ring too."""
    ring = Ring(INFO, capacity)
    claim = Follower(ring.cursor(claim=True))
    total = sum(sizes)

    def write() -> None:
        first = 0
        for rows in sizes:
            ring.write(block(first, rows), wait=True)
            first += rows
        ring.close()

    writer = threading.Thread(target=write)
    writer.start()
    while not claim.cursor.drained:
        assert claim.cursor.wait(PATIENCE_S)
        claim.read(most)
    writer.join(PATIENCE_S)

    assert claim.seen == list(range(total))
    assert claim.cursor.missed == 0


def read_all(cursor: Cursor, max_rows: int, into: Follower) -> Callable[[], None]:
    def work() -> None:
        while not cursor.drained:
            cursor.wait(PATIENCE_S)
            into.drain(max_rows)

    return work


def test_many_readers_on_threads_of_their_own() -> None:
    """One writer that waits for its two claims, two readers that may fall behind: nobody sees a wrong number."""
    ring = Ring(INFO, 500)
    followers = [Follower(ring.cursor(claim=number < 2)) for number in range(4)]
    threads = [
        threading.Thread(target=read_all(follower.cursor, max_rows, follower))
        for follower, max_rows in zip(followers, (64, 1000, 7, 333), strict=True)
    ]
    for thread in threads:
        thread.start()
    total = 20_000
    for first in range(0, total, 250):
        ring.write(block(first, 250), wait=True)
    ring.close()
    for thread in threads:
        thread.join(PATIENCE_S)
        assert not thread.is_alive()

    for follower in followers[:2]:
        assert follower.seen == list(range(total))
    for follower in followers:
        assert len(follower.seen) + follower.cursor.missed == total


def test_closing_frees_a_writer_that_waits() -> None:
    """A claim whose reader is gone for good must not hold the reader thread for ever."""
    ring = Ring(INFO, 10)
    ring.cursor(claim=True)
    writer = threading.Thread(target=lambda: ring.write(block(0, 100), wait=True))
    writer.start()
    ring.close()
    writer.join(PATIENCE_S)

    assert not writer.is_alive()


def test_a_claim_that_is_given_back_holds_nobody_up() -> None:
    """Closing one cursor frees the writer; the others read on."""
    ring = Ring(INFO, 10)
    leaving, staying = ring.cursor(claim=True), Follower(ring.cursor())
    ring.write(block(0, 10), wait=True)
    writer = threading.Thread(target=lambda: ring.write(block(10, 5), wait=True))
    writer.start()
    leaving.close()
    writer.join(PATIENCE_S)
    staying.drain(100)

    assert not writer.is_alive()
    assert staying.seen == list(range(5, 15))
    assert staying.cursor.missed == 5


def test_a_restart_begins_a_block_of_its_own_and_is_told_once() -> None:
    """The mark goes with the very sample, whatever a reader asks for."""
    ring = Ring(INFO, 100)
    cursor = ring.cursor()
    ring.write(block(0, 10))
    ring.write(block(12, 10, lost=2, restarted=True))
    ring.write(block(22, 10))
    told = []
    while (got := cursor.read(7)) is not None:
        told.append((got.first, got.lost, got.restarted))

    assert [entry for entry in told if entry[2]] == [(12, 2, True)]
    assert told[0] == (0, 0, False)


def test_a_late_cursor_starts_at_the_newest_or_the_oldest_that_is_kept() -> None:
    """Its first block tells of no loss: it has missed nothing that it was there for."""
    ring = Ring(INFO, 10)
    ring.write(block(0, 25))
    newest, oldest = Follower(ring.cursor()), Follower(ring.cursor(from_start=True))
    ring.write(block(25, 3))
    newest.drain(100)
    oldest.drain(100)

    assert newest.seen == [25, 26, 27]
    assert oldest.seen == list(range(18, 28))
    assert (newest.told, oldest.told) == (0, 0)


def test_memory_stays_flat() -> None:
    """A day of small blocks keeps as many marks as its rows need, not one a block."""
    ring = Ring(INFO, 1000)
    for first in range(0, 60_000, 2):
        ring.write(block(first, 2))

    assert len(ring._marks) < 3000  # what grows inside is the point here
    with pytest.raises(ValueError, match="room for at least one row"):
        Ring(INFO, 0)
