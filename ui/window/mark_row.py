"""The row over the strip: holds, pulls, marks and gaps, each with a shape of its own."""

from dataclasses import dataclass
from typing import Literal

from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

from ui.window.paint import text_font
from ui.window.theme import DARK, Theme


@dataclass(frozen=True, slots=True)
class Span:
    """Something on the strip, session seconds; a mark or a gap has no length."""

    kind: Literal["hold", "pull", "mark", "gap"]
    start_s: float
    end_s: float
    text: str = ""


class MarkRow(QtWidgets.QWidget):
    """Draws spans over the plot area below it, in pixels: text stays sharp while the strip scrolls."""

    def __init__(self, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        self.theme: Theme = DARK
        self.spans: list[Span] = []
        self._now = 0.0
        self._window = 1.0
        self._left, self._right = 0.0, 1.0

    def show_marks(self, spans: list[Span], now_s: float, window_s: float, left: float, right: float) -> None:
        """Take over the spans and where, in pixels, the window of time begins and ends."""
        self.spans, self._now, self._window, self._left, self._right = spans, now_s, window_s, left, right
        self.update()

    def _x(self, time_s: float) -> float:
        share = (time_s - self._now + self._window) / self._window
        return self._left + min(1.0, max(0.0, share)) * (self._right - self._left)

    def paintEvent(self, event: QtGui.QPaintEvent) -> None:  # noqa: N802 - Qt's name
        """Draw the row; Qt calls this."""
        del event
        painter = QtGui.QPainter(self)
        painter.fillRect(self.rect(), QtGui.QColor(self.theme.panel))
        painter.setFont(text_font(self.height() * 0.52))
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
        text_from = left + 6
        if span.kind == "hold":
            painter.drawPolyline([corner(left, bottom), corner(left, top), corner(right, top), corner(right, bottom)])
        elif span.kind == "pull":
            painter.drawPolyline([corner(left, bottom), corner(right, bottom), corner(right, top)])
            painter.setBrush(QtGui.QColor(ink))
            wedge = min(high * 0.6, right - left)
            painter.drawPolygon([corner(left, bottom), corner(left + wedge, bottom), corner(left + wedge, top + 2)])
            text_from = left + wedge + 8
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
            text_from = left + 9
        room = QtCore.QRectF(text_from, top, max(0.0, self._room(span, right) - text_from), bottom - top)
        if span.text and QtGui.QFontMetricsF(painter.font()).horizontalAdvance(span.text) <= room.width():
            painter.setPen(QtGui.QColor(self.theme.text))
            painter.drawText(room, QtCore.Qt.AlignmentFlag.AlignVCenter, span.text)

    def _room(self, span: Span, right: float) -> float:
        """How far a span's text may reach: its own end, or the next thing on the row."""
        if span.kind in ("hold", "pull"):
            return right - 3
        later = [self._x(other.start_s) - 8 for other in self.spans if other.start_s > span.start_s]
        return min([*later, self._right])
