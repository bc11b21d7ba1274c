"""What a measurement hands back, and the one way in which all of them take time."""

import time
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from typing import Any, Literal

Clock = Callable[[], float]


@dataclass
class Figure:
    """One line of the bench.

    value, goal   what was measured, and what it must reach ("at least") or stay under ("at most")
    slack         share of the goal that a smoke run forgives: 0.3 of a goal of at least 0.5 asks for 0.35
    ratio         False: an absolute figure, judged by the full bench only
    measured      the absolute figures behind it, by name and unit
    skipped       why it could not be measured; '' where it was
    """

    name: str
    value: float | None
    goal: float
    sense: Literal["at least", "at most"]
    slack: float = 0.0
    ratio: bool = True
    measured: dict[str, float] = field(default_factory=dict)
    skipped: str = ""

    def limit(self, smoke: bool) -> float:
        """The goal, with the slack of a smoke run."""
        if not smoke:
            return self.goal
        return self.goal * (1.0 - self.slack if self.sense == "at least" else 1.0 + self.slack)

    def missed(self, smoke: bool) -> bool:
        """Whether this line fails the run. A value that is no number fails it too."""
        if self.value is None or (smoke and not self.ratio):
            return False
        limit = self.limit(smoke)
        return not (self.value >= limit if self.sense == "at least" else self.value <= limit)

    def as_dict(self, smoke: bool) -> dict[str, Any]:
        """For --json."""
        return {**asdict(self), "limit": self.limit(smoke), "missed": self.missed(smoke)}


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
