"""A second device beside the first: read, shown, watched and recorded on threads of its own.

Nothing of it reaches the first recording: it is written to a companion file (`record/also.py`), and when the first is
finished its samples are taken into that session, and laid on its clock where both tell one engine speed.
"""

import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Literal

import numpy as np

from stream.block import Block, StreamInfo
from stream.car import Car
from stream.drive.status import BesideStatus
from stream.errors import InputError, PortError, reason_of
from stream.events import EventList
from stream.findings import Finding, note, plain, warning
from stream.live.limits import Limits, all_blind
from stream.live.records import LiveHead
from stream.reader import Reader
from stream.record import also
from stream.record.writer import SessionWriter
from stream.ring import Ring
from stream.sources.source import Source, SourceNote

RING_S = 10.0
READ_ROWS = 65536
MOST_VALUES_HZ = 1e6  # chosen: forty times what a serial line of 921600 baud carries; 40 MB for RING_S
COUNTED_S = 1.0
RETRY_S = 1.0  # a device that is not there at first is looked for so often
SOONEST_S = 1.0  # one thing of one channel is told no more often: a person reads no faster
FLUSH_S = 0.5
BEFORE_S = 3.0  # longer than the first device's engine ever takes to begin a session's file
SHOWN_S = 0.2  # what is shown is the mean of so much


@dataclass
class Companion:
    """One companion file: asked for by the first device's engine, written by the second one's thread.

    since_ns   host's clock at the session's first sample: what the second device sent from then on is in it
    """

    session: Path
    path: Path
    name: str
    since_ns: int = 0
    ended: threading.Event = field(default_factory=threading.Event)  # no more of it is wanted
    closed: threading.Event = field(default_factory=threading.Event)  # it is finished, or will never be
    writer: SessionWriter | None = None
    rows: int = 0


class Beside:
    """A device beside the first. `start`, `stop` and `join` as a drive's; `begin` and `Companion.ended` go with the
    first one's recordings.

    make       makes its source: anew for each look at a device that is not there yet
    now        session time of the first device's newest sample, s
    pulling    whether its speed rises under high load
    """

    def __init__(
        self,
        name: str,
        make: Callable[[], Source],
        car: Car,
        events: EventList,
        now: Callable[[], float],
        pulling: Callable[[], bool],
        say: Callable[[Finding], str] = plain,
    ) -> None:
        self.name, self.car, self._make = name, car, make
        self._events, self._now, self._pulling, self._say = events, now, pulling, say
        self._notes: deque[SourceNote] = deque()
        self._stopping = threading.Event()
        self._reader = self._new_reader()
        self._thread = threading.Thread(target=self._run, name=f"steadypull-{name}", daemon=True)
        self._wanted: deque[Companion] = deque()
        self._companion: Companion | None = None
        self._limits: Limits | None = None
        self._states: list[tuple[int, bool]] = [(0, False)]
        self._newest: deque[Block] = deque()
        self._before: deque[Block] = deque()  # what came while nobody wanted it recorded, of the last BEFORE_S
        self._away = False
        self._failure = ""
        self._next_flush = 0.0
        self._told: dict[tuple[str, str, str], float] = {}  # what was told of a channel, and when by the host
        self._came, self._counted_from = 0, time.monotonic()

    # -- for the drive --------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Open the device. Returns at once."""
        self._reader.start()
        self._thread.start()

    def stop(self) -> None:
        """End soon: what is being written is finished."""
        self._stopping.set()
        self._reader.stop()

    def join(self, timeout_s: float) -> None:
        """Wait for the end, but never for ever: a second device holds nobody up."""
        self._thread.join(timeout_s)

    def begin(self, session: Path, since_ns: int) -> Companion:
        """Record beside this session what came since then by the host's clock, until the companion's `ended` is set."""
        companion = Companion(session, also.companion_path(session, self.name), self.name, since_ns)
        self._wanted.append(companion)
        return companion

    def status(self) -> BesideStatus:
        """One look: its state, and each channel's newest value."""
        ring = self._reader.ring
        state: Literal["opening", "running", "away", "failed"] = "away" if self._away else "running"
        if self._failure or ring is None:
            state = "failed" if self._failure else "opening"
        values = () if ring is None else self._values(ring)
        limits = self._limits
        blind = limits.blind if state == "running" and limits is not None else self.car.limited
        return BesideStatus(self.name, state, values, blind, self._failure)

    def _values(self, ring: Ring) -> tuple[tuple[str, str, float], ...]:
        blocks = list(self._newest)
        rows = max(1, round(SHOWN_S * ring.info.rate_hz))
        seen = np.concatenate([block.samples for block in blocks])[-rows:] if blocks else np.empty((0, 1))
        values = []
        for column, channel in enumerate(ring.info.channels):
            known = seen[np.isfinite(seen[:, column]), column] if len(seen) else np.empty(0)
            values.append((channel.name, channel.unit, float(known.mean()) if len(known) else float("nan")))
        return tuple(values)

    # -- its own thread -------------------------------------------------------------------------------------------

    def _run(self) -> None:
        try:
            ring = self._opened()
            if ring is not None:
                cursor = ring.cursor(claim=True)
                self._limits = Limits(self.car, ring.info)
                self._reader.go.set()
                while not cursor.drained:
                    cursor.wait(0.05)
                    block = cursor.read(READ_ROWS)
                    self._guarded(partial(self._take, ring, block))
                self._guarded(self._end_companion)
        finally:
            failure = self._reader.failure
            if failure is not None and not self._failure:
                self._failed(failure)
            for companion in (self._companion, *self._wanted):
                if companion is not None:
                    companion.closed.set()

    def _new_reader(self) -> Reader:
        return Reader(self._make(), self._notes, _ring_rows, wait=False)

    def _opened(self) -> Ring | None:
        """The ring of the device once it speaks: one that is not there yet is waited for."""
        while True:
            self._reader.opened.wait()
            ring, failure = self._reader.ring, self._reader.failure
            if ring is not None or not isinstance(failure, PortError):
                return ring
            if ("note", "also-waiting", "") not in self._told:
                self._tell("note", note("also-waiting", name=self.name, why=reason_of(failure)))
                self._tell_blind()
            if self._stopping.wait(RETRY_S):
                return None
            self._reader = self._new_reader()
            if self._stopping.is_set():
                return None
            self._reader.start()

    def _guarded(self, work: Callable[[], None]) -> None:
        """Whatever fails here is said; the device is read and shown on."""
        try:
            work()
        except Exception as error:  # noqa: BLE001 - whatever it is, it must not reach the first recording
            self._failed(error)
            companion, self._companion = self._companion, None
            if companion is not None:
                if companion.writer is not None:
                    companion.writer.abandon()
                companion.closed.set()

    def _failed(self, error: BaseException) -> None:
        self._failure = reason_of(error)
        self._tell("fault", warning("also-failed", name=self.name, why=self._failure))
        self._tell_blind()

    def _tell_blind(self) -> None:
        """A device that is gone shows no excursion."""
        for unseen, details in all_blind(self.car):
            self._tell("limit-blind", unseen, None, {**details, "device": self.name})

    def _take(self, ring: Ring, block: Block | None) -> None:
        self._tell_notes()
        if self._companion is not None and self._companion.ended.is_set():
            self._end_companion()
        if self._companion is None and self._wanted:
            self._begin_companion(ring)
        if block is not None and len(block):
            self._count(block)
            self._newest.append(block)
            kept = sum(len(one) for one in self._newest)
            while len(self._newest) > 1 and kept - len(self._newest[0]) > SHOWN_S * ring.info.rate_hz:
                kept -= len(self._newest.popleft())
            self._watch(block)
            self._keep(block)
        companion = self._companion
        if companion is not None and companion.writer is not None and time.monotonic() >= self._next_flush:
            companion.writer.keep_place()
            companion.writer.flush()
            self._next_flush = time.monotonic() + FLUSH_S

    def _keep(self, block: Block) -> None:
        """Record a block, or hold it for the session that may be about to begin."""
        companion = self._companion
        if companion is not None and companion.writer is not None:
            companion.writer.append(block)
            companion.rows += len(block)
            return
        if not block.host_ns:  # nobody knows when it came
            return
        self._before.append(block)
        while self._before[0].host_ns < block.host_ns - BEFORE_S * 1e9:
            self._before.popleft()

    def _count(self, block: Block) -> None:
        """A device that floods is left alone, with what it sent until then."""
        self._came += block.samples.size
        now = time.monotonic()
        if now - self._counted_from < COUNTED_S:
            return
        hz, self._came = self._came / (now - self._counted_from), 0
        self._counted_from = now
        if hz > MOST_VALUES_HZ and not self._failure:
            self._failed(_too_much(hz))
            self._reader.stop()

    def _begin_companion(self, ring: Ring) -> None:
        companion = self._wanted.popleft()
        if companion.ended.is_set():
            companion.closed.set()
            return
        self._companion = companion
        companion.writer = SessionWriter(
            companion.path,
            ring.info,
            self.car.text,
            LiveHead(rate_hz=1.0),
            tune="",
            started_utc=datetime.now(UTC),
        )
        held, self._before = self._before, deque()
        for block in held:
            if block.host_ns >= companion.since_ns:
                self._keep(block)

    def _end_companion(self) -> None:
        companion, self._companion = self._companion, None
        if companion is None:
            return
        try:
            if companion.writer is not None:
                companion.writer.finish()
                companion.path = companion.writer.path
        finally:
            companion.closed.set()

    def _watch(self, block: Block) -> None:
        limits = self._limits
        if limits is None:
            return
        limits.push(block.first, block.samples)
        pulls = self._pulling()
        if pulls != self._states[-1][1]:
            self._states.append((block.first, pulls))
            del self._states[:-2]
        limits.pulling(self._states, block.end)
        for over in limits.found:
            self._tell(over.kind, over.finding, over.value, {"channel": over.channel, "device": self.name})
        limits.found.clear()

    def _tell_notes(self) -> None:
        while self._notes:
            said = self._notes.popleft()
            if said.kind == "device-away":
                self._tell_blind()
            self._away = said.kind == "device-away" or (self._away and said.kind != "device-back")
            if said.kind == "gap" or said.command:
                continue
            text = said.what if isinstance(said.what, str) else self._say(said.what)
            kind = said.kind if said.kind in ("fault", "note") else "note"
            self._tell(kind, note("also-said", name=self.name, text=text))

    def _tell(
        self, kind: str, what: Finding, value: float | None = None, details: dict[str, str] | None = None
    ) -> None:
        key = (kind, what.code, (details or {}).get("channel", ""))
        host = time.monotonic()
        if host - self._told.get(key, float("-inf")) < SOONEST_S:
            return
        self._told[key] = host
        now = self._now()
        self._events.add(now, kind, what, value, said_s=now, details=details or {"device": self.name})


def _ring_rows(info: StreamInfo) -> int:
    """Rows of the ring. Raises InputError for a stream that no device beside the first has."""
    hz = info.rate_hz * len(info.channels)
    if hz > MOST_VALUES_HZ:
        raise _too_much(hz)
    return max(READ_ROWS, round(RING_S * info.rate_hz))


def _too_much(hz: float) -> InputError:
    return InputError(
        f"{hz:.2g} values a second are more than {MOST_VALUES_HZ:.0e}; lower its rate, or send fewer channels"
    )


def take_in(session: Path, asked: Sequence[Companion], timeout_s: float) -> list[Finding]:
    """The companions of a finished session into it; what there is to say of each.

    A companion that is not finished in time, or cannot be read, stays beside the session for `recover`.
    """
    from stream.study.take_in import take_in as into  # the study is loaded only where there is something to take in

    found: list[Finding] = []
    whole: dict[str, Path] = {}
    until = time.monotonic() + timeout_s
    for one in asked:
        one.ended.set()
        left = max(0.0, until - time.monotonic())
        ended = one.closed.wait(left if one.writer is not None else min(left, 0.5))
        if ended and one.writer is not None and one.rows:
            whole[one.name] = one.path
            continue
        found.append(warning("also-nothing", name=one.name))
        if ended and one.writer is not None:
            also.remove_companion(one.path)
    return found + (into(session, whole) if whole else [])
