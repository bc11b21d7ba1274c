"""Pulls, live: told as they begin and as they end; judged once more against the whole session when it is over.

The list at the end is the one that counts. What is told while driving is the same judgement on what is known by then.
"""

from collections import deque
from collections.abc import Callable

import numpy as np

from stream.live.history import History, HistoryKeeper
from stream.live.pull_faults import References, faults_of
from stream.live.pulls import Rise, find_rises
from stream.live.records import Pull, PullFault

SETTLED_S = 1.5  # after its end a pull can still turn out to have been a short lift
BEGINS_SHARE = 0.4  # of the least span: from here on a rise may become a pull
FALLEN_RPM = 150.0


class PullFinder:
    """Feed it judged ticks and their means; take what it noticed from `changes`, and the list from `finish`.

    `changes`: ("pull-began" | "pull-done", time_s, text, end rpm).
    """

    def __init__(self, rate_hz: float, cutoff_hz: float, start_s: float, *, min_span_rpm: float, tune: str,
                 gear: int | None) -> None:  # fmt: skip
        self.changes: deque[tuple[str, float, str, float]] = deque()
        self._rate, self._cutoff, self._start_s = rate_hz, cutoff_hz, start_s
        self._min_span, self._tune, self._gear = min_span_rpm, tune, gear
        self._keeper = HistoryKeeper()
        self._low = np.inf  # speed since which it rises
        self._high = -np.inf
        self._began = False
        self._ended_s: float | None = None
        self._told_to = -np.inf

    def add(self, part: History) -> None:
        """Judged ticks that follow those before."""
        self._keeper.add(part)

    def step(self, time_s: float, rpm: float) -> None:
        """A decision step of 0.1 s: its mean speed."""
        self._high = max(self._high, rpm)
        if not self._began and rpm - self._low >= BEGINS_SHARE * self._min_span:
            self._began = True
            if self._ended_s is None:  # else a short lift or spinning wheels: still the same pull
                self.changes.append(("pull-began", time_s, "", rpm))
            self._ended_s = None
        if rpm < self._high - FALLEN_RPM:  # it falls: what rose before is over
            if self._began:
                self._ended_s = time_s
            self._began, self._low, self._high = False, rpm, rpm
        self._low = min(self._low, rpm)
        if self._ended_s is not None and time_s >= self._ended_s + SETTLED_S:
            self._tell(time_s - SETTLED_S)
            self._ended_s = None

    def history(self) -> History:
        """All judged ticks of the session so far."""
        return self._keeper.all()

    def finish(self) -> list[Pull]:
        """The session's pulls, judged against all of it."""
        return self._judged(self._keeper.all())

    def _tell(self, settled_s: float) -> None:
        """Judge the pulls that have settled since the last time, and tell them."""

        def new(rise: Rise) -> bool:
            return self._told_to < self._time(rise.end) <= settled_s + 0.5

        for pull in self._judged(self._keeper.all(), new):
            if self._told_to < pull.end_s:
                self._told_to = pull.end_s + 0.5
                text = pull.verdict if pull.verdict == "clean" else ", ".join(pull.faults)
                span = f"{pull.start_rpm:.0f} to {pull.end_rpm:.0f} rpm: {text}"
                self.changes.append(("pull-done", pull.end_s, span, pull.end_rpm))

    def _judged(self, history: History, wanted: Callable[[Rise], bool] | None = None) -> list[Pull]:
        """The pulls that are wanted: finding them all costs little, judging each of them does not."""
        rises, levels = find_rises(history, self._rate, self._min_span)
        chosen = [number for number, rise in enumerate(rises) if wanted is None or wanted(rise)]
        if levels is None or not chosen:
            return []
        references = References(rises, history, self._rate, self._cutoff)
        pulls = []
        for number in chosen:
            reference = references.without(number)
            faults = faults_of(rises[number], history, levels, self._rate, self._cutoff, reference)
            pulls.append(self._record(rises[number], history, faults))
        return pulls

    def _record(self, rise: Rise, history: History, faults: tuple[PullFault, ...]) -> Pull:
        rpm = history.part(rise.first, rise.end).rpm
        return Pull(
            start_s=self._time(rise.first), end_s=self._time(rise.end), start_rpm=float(rpm[0]),
            end_rpm=float(np.max(rpm)), tune=self._tune, gear=self._gear,
            verdict="flawed" if faults else "clean", faults=faults,
        )  # fmt: skip

    def _time(self, tick: int) -> float:
        return max(0.0, self._start_s + tick / self._rate)
