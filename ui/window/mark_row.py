"""The row over the strip: holds, pulls, marks and gaps, each with a shape of its own."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

from stream.drive.status import DriveStatus
from stream.events import Event
from ui.text.figures import live_rpm, one_line
from ui.window.theme import DARK, Theme, text_font


@dataclass(frozen=True, slots=True)
class Span:
    """Something on the strip, session seconds; a mark or a gap has no length."""

    kind: Literal["hold", "pull", "mark", "gap"]
    start_s: float
    end_s: float
    text: str = ""


WINDOW_S = 30.0  # what the strip shows


class MarkRow(QtWidgets.QWidget):
    """Draws spans over the plot area below it, in pixels: text stays sharp while the strip scrolls."""

    def __init__(self, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        self.theme: Theme = DARK
        self.spans: list[Span] = []
        self._now = 0.0
        self._window = 1.0
        self._left, self._right = 0.0, 1.0
        self._shown: tuple[object, ...] = ()

    def show_marks(self, spans: list[Span], now_s: float, window_s: float, left: float, right: float) -> None:
        """Take over the spans and where, in pixels, the window of time begins and ends."""
        self.spans, self._now, self._window, self._left, self._right = spans, now_s, window_s, left, right
        shown = [
            (span.kind, span.text, round(self._x(span.start_s)), round(self._x(span.end_s)))
            for span in spans
            if span.end_s > now_s - window_s
        ]
        if (shown, left, right) != self._shown:  # a pixel takes two frames or three
            self._shown = (shown, left, right)
            self.update()

    def _x(self, time_s: float) -> float:
        share = (time_s - self._now + self._window) / self._window
        return self._left + min(1.0, max(0.0, share)) * (self._right - self._left)

    def paintEvent(self, event: QtGui.QPaintEvent) -> None:  # noqa: N802 - Qt's name
        """Draw the row; Qt calls this."""
        del event
        painter = QtGui.QPainter(self)
        painter.fillRect(self.rect(), QtGui.QColor(self.theme.panel))
        painter.setFont(text_font(self.height() * 0.7))
        painter.setPen(QtGui.QColor(self.theme.muted))
        gutter = QtCore.QRectF(0, 0, self._left - 6, self.height())
        painter.drawText(gutter, QtCore.Qt.AlignmentFlag.AlignRight | QtCore.Qt.AlignmentFlag.AlignVCenter, "last 30 s")
        for span in self.spans:
            if span.end_s > self._now - self._window:
                self._draw_span(painter, span)
        painter.end()

    def _draw_span(self, painter: QtGui.QPainter, span: Span) -> None:
        left, right = self._x(span.start_s), self._x(span.end_s)
        high = float(self.height())
        top, bottom = high * 0.14, high - 2
        ink = {"hold": self.theme.hold, "pull": self.theme.pull, "gap": self.theme.fault}.get(
            span.kind, self.theme.text
        )
        painter.setPen(QtGui.QPen(QtGui.QColor(ink), 3))
        painter.setBrush(QtCore.Qt.BrushStyle.NoBrush)
        corner = QtCore.QPointF
        if span.kind == "hold":
            painter.drawPolyline([corner(left, bottom), corner(left, top), corner(right, top), corner(right, bottom)])
        elif span.kind == "pull":
            painter.drawPolyline([corner(left, bottom), corner(right, bottom), corner(right, top)])
            painter.setBrush(QtGui.QColor(ink))
            wedge = min(high * 0.6, right - left)
            painter.drawPolygon([corner(left, bottom), corner(left + wedge, bottom), corner(left + wedge, top + 2)])
        elif span.kind == "gap":
            left = min(left, self._right - 4)
            zigzag = [
                corner(left + dx, top + share * (bottom - top))
                for dx, share in ((-3, 0), (3, 0.35), (-3, 0.65), (3, 1))
            ]
            painter.drawPolyline(zigzag)
        else:
            painter.setBrush(QtGui.QColor(ink))
            painter.drawPolygon([corner(left, bottom), corner(left - 6, top), corner(left + 6, top)])
        start, end = self.word_box(span)
        room = QtCore.QRectF(start, top, max(0.0, end - start), bottom - top)
        if span.text and QtGui.QFontMetricsF(painter.font()).horizontalAdvance(span.text) <= room.width():
            painter.setPen(QtGui.QColor(self.theme.text))
            painter.drawText(room, QtCore.Qt.AlignmentFlag.AlignVCenter, span.text)

    def word_box(self, span: Span) -> tuple[float, float]:
        """From where to where, in pixels, a span's text may stand: up to the next beginning or end of anything."""
        left, right = self._x(span.start_s), self._x(span.end_s)
        start = left + {"pull": min(self.height() * 0.6, right - left) + 8, "mark": 9.0}.get(span.kind, 6.0)
        end = right - 3 if span.kind in ("hold", "pull") else self._right
        others = [other for other in self.spans if other is not span]
        later = [self._x(other.start_s) - 9 for other in others if other.start_s > span.start_s]
        later += [self._x(other.end_s) - 3 for other in others if other.end_s > span.start_s > other.start_s]
        return start, min([end, *later])


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
