"""What a measurement hands back, and the one way in which all of them take time."""

import math
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from typing import Any, Literal

Clock = Callable[[], float]


@dataclass
class Figure:
    """One line of the bench.

    value, goal   what was measured, and what it must reach ("at least") or stay under ("at most")
    kind          "truth": what was claimed falsely, or lost where no machine's pace excuses it; judged in every run.
                  "speed": a ratio, a share of the processor, or what a slow machine loses; printed by a smoke run and
                  judged by the full bench alone: a noisy machine must not keep good work from landing
    measured      the absolute figures behind it, by name and unit
    skipped       why it could not be measured; '' where it was
    """

    name: str
    value: float | None
    goal: float
    sense: Literal["at least", "at most"]
    kind: Literal["speed", "truth"] = "speed"
    measured: dict[str, float] = field(default_factory=dict)
    skipped: str = ""

    def judged(self, smoke: bool) -> bool:
        """Whether this line can fail a run of this kind."""
        return not self.skipped and (self.kind == "truth" or not smoke)

    def missed(self, smoke: bool) -> bool:
        """Whether this line fails the run. A value that is no number fails it too."""
        if not self.judged(smoke):
            return False
        value = math.nan if self.value is None else self.value
        return not (value >= self.goal if self.sense == "at least" else value <= self.goal)

    def as_dict(self, smoke: bool) -> dict[str, Any]:
        """For --json."""
        return {**asdict(self), "judged": self.judged(smoke), "missed": self.missed(smoke)}


def interleaved(
    parts: dict[str, Callable[[], object]], rounds: int, clock: Clock = time.process_time
) -> dict[str, float]:
    """Seconds of the best of `rounds` runs of each part; the parts take turns, so that a slow spell of the machine
    meets them all. Processor time by default: other processes do not stretch it much. A part that returns a float
    has timed itself."""
    best = dict.fromkeys(parts, float("inf"))
    for _ in range(rounds):
        for name, part in parts.items():
            begun = clock()
            own = part()
            best[name] = min(best[name], own if isinstance(own, float) else clock() - begun)
    return best
