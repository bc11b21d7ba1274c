"""What belongs on the strip: holds, pulls, marks and gaps, until they have left it."""

from collections.abc import Sequence

from stream.drive.status import DriveStatus
from stream.events import Event
from ui.text.figures import live_rpm
from ui.text.lines import one_line
from ui.window.mark_row import Span
from ui.window.strip_items import WINDOW_S

GAPS_APART_S = 0.2


class Spans:
    """Keeps the spans of the last 30 s."""

    def __init__(self) -> None:
        self._kept: list[Span] = []
        self._holds = self._pulls = 0

    def take(self, status: DriveStatus, events: Sequence[Event], now_s: float) -> list[Span]:
        """Add what is new, and return what to draw: the kept spans and the hold that is up now."""
        if status.last_hold is not None and status.holds != self._holds:
            hold = status.last_hold
            self._kept.append(Span("hold", hold.start_s, hold.end_s, live_rpm(hold.speed_rpm)))
        if status.last_pull is not None and status.pulls != self._pulls:
            pull = status.last_pull
            self._kept.append(Span("pull", pull.start_s, pull.end_s, f"pull, {pull.verdict}"))
        self._holds, self._pulls = status.holds, status.pulls
        for event in events:
            at = event.time_s
            if event.kind == "mark":
                self._kept.append(Span("mark", at, at, one_line(event.text, 20) or "mark"))
            elif event.kind == "knock-heard":
                self._kept.append(Span("mark", at, at, "knock"))
            elif event.kind in ("gap", "device-away"):
                self._add_gap(at, "away" if event.kind == "device-away" else "lost")
        self._kept = [span for span in self._kept if now_s - WINDOW_S < span.end_s]
        return [*self._kept, *_growing(status)]

    def _add_gap(self, at_s: float, text: str) -> None:
        """A bad cable makes gaps by the thousand: those too close to be told apart are one."""
        last = next((span.end_s for span in reversed(self._kept) if span.kind == "gap"), float("-inf"))
        if at_s - last > GAPS_APART_S:
            self._kept.append(Span("gap", at_s, at_s, text))


def _growing(status: DriveStatus) -> list[Span]:
    """The hold that is up now, as far as it has come."""
    steady = status.steady
    if status.state != "running" or steady is None or not steady.holding:
        return []
    end = status.time_s
    return [Span("hold", end - steady.steady_s, end, live_rpm(steady.mean_rpm))]
