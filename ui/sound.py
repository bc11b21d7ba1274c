"""Sound cues: what the driver hears, since eyes stay on the road. No Qt in here.

Cues are told apart by rhythm first, because a loud car leaves little of pitch; all notes lie between 1 and 3
kHz, where a car's speakers are strong and engine noise is weak (common practice, no source). `lift` is the
loudest and the fastest.
"""

import threading
import time
from collections.abc import Callable, Generator, Iterable
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from stream.events import Event

SAMPLE_RATE = 48_000
EDGE_S = 0.008  # raised-cosine rise and fall of a note: without it a click spreads over all frequencies
REPEAT_S = 3.0  # the same trouble is not sounded again sooner: a storm of gaps must not drown a lift


@dataclass(frozen=True, slots=True)
class Note:
    """A tone of `hz` for `on_s`, then silence for `off_s`."""

    hz: float
    on_s: float
    off_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Cue:
    """A named row of notes; a higher `urgency` cuts a lower one short. `level` is the peak, 0 to 1."""

    name: str
    words: str
    urgency: int
    level: float
    notes: tuple[Note, ...]

    @property
    def onsets_s(self) -> tuple[float, ...]:
        """When each note begins, seconds from the cue's start."""
        lengths = [note.on_s + note.off_s for note in self.notes]
        return tuple(sum(lengths[:place]) for place in range(len(lengths)))


CUES = {
    cue.name: cue
    for cue in (
        Cue("hold-reached", "Hold reached", 1, 0.5, (Note(1250, 0.09, 0.06), Note(1875, 0.32))),
        Cue("hold-broken", "Hold broken", 2, 0.5, (Note(1875, 0.30, 0.06), Note(1250, 0.09))),
        Cue(
            "target-taken",
            "Target or zero taken",
            3,
            0.6,
            (Note(1250, 0.08, 0.06), Note(1500, 0.08, 0.06), Note(1875, 0.32)),
        ),
        Cue("pull-caught", "Pull caught", 3, 0.6, (Note(1500, 0.08, 0.08),) * 2 + (Note(1500, 0.08),)),
        Cue("not-watched", "A limit is not watched", 4, 0.7, (Note(1100, 0.09, 0.25),) * 3),
        Cue("data-fault", "Data fault", 4, 0.7, (Note(1100, 0.45, 0.25), Note(1100, 0.45))),
        Cue("pull-flawed", "Pull flawed", 3, 0.6, (Note(1500, 0.28, 0.08), Note(1250, 0.08, 0.08), Note(1250, 0.28))),
        Cue("lift", "Lift: a channel is over its limit", 5, 1.0, (Note(2600, 0.05, 0.04),) * 13),
    )
}

_CUE_OF_KIND = {
    "hold-began": "hold-reached",
    "hold-broken": "hold-broken",
    "target": "target-taken",
    "zero": "target-taken",
    "pull-done": "pull-caught",
    "gap": "data-fault",
    "clipped": "data-fault",
    "fault": "data-fault",
    "device-away": "data-fault",
    "limit": "lift",
    "limit-blind": "not-watched",
}


def wave(cue: Cue, rate: int = SAMPLE_RATE) -> npt.NDArray[np.float32]:
    """The cue as float32 samples (n,), within ±`cue.level`."""
    edge = np.sin(np.linspace(0, np.pi / 2, round(EDGE_S * rate), endpoint=False)) ** 2
    parts = []
    for note in cue.notes:
        time_s = np.arange(round(note.on_s * rate)) / rate
        tone = np.sin(2 * np.pi * note.hz * time_s)
        tone[: len(edge)] *= edge
        tone[len(tone) - len(edge) :] *= edge[::-1]
        parts += [tone, np.zeros(round(note.off_s * rate))]
    return (cue.level * np.concatenate(parts)).astype(np.float32)


def cue_for(event: Event) -> Cue | None:
    """The cue that belongs to an event, or None."""
    name = _CUE_OF_KIND.get(event.kind)
    if event.kind == "zero" and (event.details or {}).get("refused"):
        return None
    if event.kind == "pull-done" and (event.details or {}).get("pull", {}).get("verdict") == "flawed":
        name = "pull-flawed"
    return None if name is None else CUES[name]


class Player(Protocol):
    """Something that makes a cue heard and returns at once."""

    def play(self, cue: Cue) -> None:
        """Begin the cue; a less urgent one that is sounding is cut short."""
        ...

    def close(self) -> None:
        """Give the sound device back."""
        ...


@dataclass
class Chooser:
    """Picks from new events the one cue to play: the most urgent that is on and was not played just now."""

    clock: Callable[[], float] = time.monotonic
    on: dict[str, bool] = field(default_factory=lambda: dict.fromkeys(CUES, True))
    _played: dict[str, float] = field(default_factory=dict)

    def choose(self, events: Iterable[Event]) -> Cue | None:
        """The cue for this look at the events, or None."""
        cues = [cue for event in events if (cue := cue_for(event)) is not None and self.on.get(cue.name, True)]
        now = self.clock()
        fresh = [c for c in cues if c.name != "data-fault" or now - self._played.get(c.name, -REPEAT_S) >= REPEAT_S]
        if not fresh:
            return None
        best = max(fresh, key=lambda cue: cue.urgency)
        self._played[best.name] = now
        return best


class MiniaudioPlayer:
    """Plays through the sound card with miniaudio, whose own thread asks for samples."""

    def __init__(self, device: Any) -> None:
        self._lock = threading.Lock()
        self._left: npt.NDArray[np.float32] = np.zeros(0, np.float32)
        self._urgency = 0
        self._waves = {name: wave(cue) for name, cue in CUES.items()}
        self._device = device
        feeding = self.samples()
        next(feeding)
        device.start(feeding)

    def samples(self) -> Generator[bytes, int, None]:
        """Hands out as many float32 samples as are asked for, silence where nothing sounds."""
        wanted = yield b""
        while True:
            with self._lock:
                now, self._left = self._left[:wanted], self._left[wanted:]
            wanted = yield np.pad(now, (0, wanted - len(now))).astype(np.float32).tobytes()

    def play(self, cue: Cue) -> None:
        """Begin the cue, unless a more urgent one is sounding."""
        with self._lock:
            if len(self._left) and self._urgency > cue.urgency:
                return
            self._left, self._urgency = self._waves[cue.name], cue.urgency

    def close(self) -> None:
        """Give the sound card back."""
        self._device.close()


def open_player(backends: list[Any] | None = None) -> MiniaudioPlayer | None:
    """The sound card through miniaudio; None where that part is not installed or there is no sound card."""
    try:
        import miniaudio  # type: ignore[import-not-found]
    except ImportError:
        return None
    try:
        device = miniaudio.PlaybackDevice(
            output_format=miniaudio.SampleFormat.FLOAT32,
            nchannels=1,
            sample_rate=SAMPLE_RATE,
            buffersize_msec=60,
            backends=backends,
            app_name="Steadypull",
        )
    except miniaudio.MiniaudioError:
        return None
    return MiniaudioPlayer(device)
