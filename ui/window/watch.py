"""The one thing the helper must know now: looks at the drive's status and events, and picks the gravest."""

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from stream.block import StreamInfo
from stream.drive.status import DriveStatus
from stream.events import Event
from stream.live.records import Health
from ui.text import road as words
from ui.text.figures import clock, count, one_line, size

Level = Literal["idle", "wait", "recording", "caution", "fault"]

SHOWN_S = 5.0  # how long a passing trouble stays up
LIMIT_S = 3.0
LIFT, NO_DATA = "LIFT", "No data"
QUIET_S = 1.5  # a running stream that brings nothing for this long is in trouble
LITTLE_DISK_BYTES, HARDLY_ANY_DISK_BYTES = 1_000_000_000, 100_000_000
LITTLE_DISK_S, HARDLY_ANY_DISK_S = 600.0, 60.0


@dataclass(frozen=True, slots=True)
class State:
    """What the state bar shows: how grave, a title to read from afar, a line of detail."""

    level: Level
    title: str
    detail: str = ""


NO_DRIVE = State("idle", "No drive is running", words.NO_DRIVE)


class Watch:
    """Keeps what must be remembered from look to look: since when the device is away, what was lost lately.

    `clock` gives monotonic seconds; session time stands still while a device is away, so it cannot be used.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._since: dict[str, float] = {}
        self._passing: dict[str, tuple[float, State]] = {}
        self._last_time_s = float("-inf")
        self._moved = clock()
        self._seen: tuple[int, int] | None = None
        self._recording_from: float | None = None
        self.marks = 0

    def look(self, status: DriveStatus, events: Sequence[Event], info: StreamInfo | None = None) -> State:
        """The state to show now."""
        now = self._clock()
        self._take_events(events, now)
        self._take_health(status.health, now)
        self._time_states(status, now)
        self._passing = {key: (end, state) for key, (end, state) in self._passing.items() if end > now}
        return self._gravest(status, now, info)

    def say(self, key: str, state: State, for_s: float = SHOWN_S) -> None:
        """Show something for a while, such as a command that failed."""
        self._passing[key] = (self._clock() + for_s, state)

    def _take_events(self, events: Sequence[Event], now: float) -> None:
        for event in events:
            text = one_line(event.text, 110)
            if event.kind == "limit":
                self._take_limit(event, now)
            elif event.kind == "limit-blind":
                self._passing["blind"] = (now + SHOWN_S, State("caution", "Not watched", text))
            elif event.kind == "fault":
                self._passing["fault"] = (now + SHOWN_S, State("caution", "Data fault", text))
            elif event.kind == "mark":
                self.marks += 1
                note = f"mark {self.marks} at {clock(event.time_s)}" + (f": {text}" if text else "")
                self._passing["note"] = (now + SHOWN_S, State("idle", "", note))
            elif event.kind == "knock-heard":
                self._passing["knock"] = (now + SHOWN_S, State("caution", "Knock heard", text))
            elif event.kind == "zero" and (event.details or {}).get("refused"):
                self._passing["command"] = (now + SHOWN_S, State("caution", "No zero", text))
            elif event.kind in ("note", "zero", "target"):
                self._passing["note"] = (now + SHOWN_S, State("idle", "", text))
            elif event.kind == "recording-began":
                self._recording_from = event.time_s
            elif event.kind == "recording-ended":
                self._recording_from = None

    def _take_limit(self, event: Event, now: float) -> None:
        """Each excursion is said once and stays for 3 s; a second channel within them stands beside the first."""
        text = one_line(event.text, 60)
        shown = self._passing.get("limit")
        if shown is not None and shown[0] > now and text not in shown[1].detail:
            text = one_line(f"{text} · {shown[1].detail}", 110)
        self._passing["limit"] = (now + LIMIT_S, State("fault", LIFT, text))

    def _take_health(self, health: Health | None, now: float) -> None:
        """Lost and clipped samples are shown when they grow; the health line keeps the totals."""
        if health is None:
            return
        clipped = sum(health.clipped_samples.values())
        seen, self._seen = self._seen, (health.lost_samples, clipped)
        if seen is None:
            return
        if health.lost_samples > seen[0]:
            detail = f"{count(health.lost_samples)} so far; check the cable and the port"
            self._passing["lost"] = (now + SHOWN_S, State("caution", "Samples lost", detail))
        if clipped > seen[1]:
            names = ", ".join(one_line(name, 24) for name, number in health.clipped_samples.items() if number)
            detail = f"{names}: outside its range, {count(clipped)} samples so far"
            self._passing["clipped"] = (now + SHOWN_S, State("caution", "Signal clipped", detail))

    def _time_states(self, status: DriveStatus, now: float) -> None:
        if status.time_s != self._last_time_s or status.state != "running":
            self._last_time_s, self._moved = status.time_s, now
        self._since = {status.state: self._since.get(status.state, now)}
        if not status.recording:
            self._recording_from = None

    def _gravest(self, status: DriveStatus, now: float, info: StreamInfo | None) -> State:
        if status.state == "failed":
            return State("fault", "Stopped by a fault", one_line(status.failure, 160))
        candidates = [self._passing[key][1] for key in ("limit",) if key in self._passing]
        if status.state == "away":
            waited = clock(now - self._since["away"])
            candidates.append(State("fault", "Device away", f"waiting for it, {waited}; check cable and supply"))
        elif status.state == "running" and now - self._moved > QUIET_S:
            quiet = clock(now - self._moved)
            candidates.append(State("fault", NO_DATA, f"nothing came for {quiet}; check cable and supply"))
        disk = _disk_state(status, info)
        candidates += [disk] if disk is not None and disk.level == "fault" else []
        candidates += [
            self._passing[key][1]
            for key in ("command", "blind", "knock", "clipped", "lost", "fault")
            if key in self._passing
        ]
        candidates += [disk] if disk is not None else []
        return candidates[0] if candidates else self._ordinary(status)

    def _ordinary(self, status: DriveStatus) -> State:
        note = self._passing["note"][1].detail if "note" in self._passing else ""
        if status.state == "opening":
            return State("wait", "Waiting for the device", note or "it has not described its signals yet")
        if status.state == "finished":
            return State(
                "idle",
                "Finished",
                status.failure or note or words.FINISHED,
            )
        if status.recording:
            long = status.time_s - self._recording_from if self._recording_from is not None else None
            return State("recording", "Recording" if long is None else f"Recording {clock(long)}", note)
        return State("idle", "Not recording", note)


def little_disk(status: DriveStatus, info: StreamInfo | None) -> bool:
    """Whether the disk figure wants attention."""
    return _disk_state(status, info) is not None


def _disk_state(status: DriveStatus, info: StreamInfo | None) -> State | None:
    """Little room left, in bytes or in minutes of this stream (written twice: file and journal)."""
    free = status.disk_free_bytes
    if free is None or status.state == "finished":
        return None
    pace = info.rate_hz * len(info.channels) * 4 * 2 if info is not None else 0.0
    left_s = free / pace if pace > 0 else float("inf")
    if free < HARDLY_ANY_DISK_BYTES or left_s < HARDLY_ANY_DISK_S:
        return State("fault", "Disk full soon", f"{size(free)} left; stop and make room")
    if free < LITTLE_DISK_BYTES or left_s < LITTLE_DISK_S:
        room = f"{left_s / 3600:.0f} h" if left_s >= 7200 else f"{max(1, round(left_s / 60))} min"
        minutes = f", about {room} of recording" if pace > 0 else ""
        return State("caution", "Disk nearly full", f"{size(free)} left{minutes}")
    return None
