"""The smaller parts of the Road screen: state bar, load, target, verdict, health line."""

from collections.abc import Callable, Sequence
from typing import Any, ClassVar
from weakref import WeakSet

from pyqtgraph.Qt import QtCore, QtGui, QtWidgets, isQObjectAlive

from ui.text.figures import NO_FIGURE
from ui.text.road import NO_KNOCK_DETECTION
from ui.window.theme import DARK, Theme, font_that_fits, hatch, level_colours, shape, text_font
from ui.window.watch import LIFT, State

Align = QtCore.Qt.AlignmentFlag
ROAD_TEXT = 24  # pixels at 1280 × 800: nothing on Road is smaller
NEXT_HIGH = 76
LOW_PANEL = 90  # below this height caption and figure share a line


def label(part: str, text: str = "") -> QtWidgets.QLabel:
    """A plain-text label whose size comes from the style sheet; foreign text is never taken for markup."""
    made = QtWidgets.QLabel(text)
    made.setTextFormat(QtCore.Qt.TextFormat.PlainText)
    made.setProperty("part", part)
    return made


def round_card(painter: QtGui.QPainter, box: QtCore.QRect, fill: str, radius: float) -> None:
    """The ground of a card."""
    # corners alone want smooth edges: to rasterise the whole card so takes a millisecond a frame
    round_by, ink = max(1, round(radius)), QtGui.QColor(fill)
    painter.fillRect(box.adjusted(round_by, 0, -round_by, 0), ink)
    painter.fillRect(box.adjusted(0, round_by, 0, -round_by), ink)
    painter.setRenderHint(QtGui.QPainter.RenderHint.Antialiasing)
    painter.setPen(QtCore.Qt.PenStyle.NoPen)
    painter.setBrush(ink)
    right, bottom = box.x() + box.width() - 2 * round_by, box.y() + box.height() - 2 * round_by
    for x, y, quarter in ((right, box.y(), 0), (box.x(), box.y(), 1), (box.x(), bottom, 2), (right, bottom, 3)):
        painter.drawPie(x, y, 2 * round_by, 2 * round_by, 16 * 90 * quarter, 16 * 90)
    painter.setBrush(QtCore.Qt.BrushStyle.NoBrush)


class StateBar(QtWidgets.QWidget):
    """One line over the whole width: shape, title, detail. A fault fills it and stripes its ends."""

    def __init__(self, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        self.theme: Theme = DARK
        self.state = State("idle", "")

    def show_state(self, state: State) -> None:
        """Take over the state; repaints only where it changed."""
        if state != self.state:
            self.state = state
            self.setAccessibleName(f"{state.title}. {state.detail}")
            self.update()

    def paintEvent(self, event: QtGui.QPaintEvent) -> None:  # noqa: N802 - Qt's name
        """Draw the bar; Qt calls this."""
        del event
        painter = QtGui.QPainter(self)
        fill, ink = level_colours(self.theme, self.state.level)
        box = QtCore.QRectF(self.rect())
        high = box.height()
        round_card(painter, self.rect(), fill, high * 0.2)
        edge = high * 0.25
        if self.state.level == "fault":
            edge = high * 1.6
            for left in (0.0, box.width() - edge * 0.85):
                hatch(painter, QtCore.QRectF(left, 0, edge * 0.85, high), ink, high * 0.35)
        shape(painter, self.state.level, QtCore.QRectF(edge, high * 0.22, high * 0.56, high * 0.56), ink)
        left = edge + high * 0.85
        painter.setPen(QtGui.QColor(ink))
        painter.setFont(text_font(high * 0.52, bold=True))
        middle = Align.AlignVCenter | Align.AlignLeft
        wide = QtGui.QFontMetricsF(painter.font()).horizontalAdvance(self.state.title)
        painter.drawText(QtCore.QRectF(left, 0, wide + 8, high), middle, self.state.title)
        start = left + wide + high * 0.5
        room = QtCore.QRectF(start, 0, max(0.0, box.width() - edge - start), high)
        painter.setFont(text_font(high * 0.5))
        detail = QtGui.QFontMetricsF(painter.font()).elidedText(
            self.state.detail, QtCore.Qt.TextElideMode.ElideRight, room.width()
        )
        painter.drawText(room, middle, detail)
        painter.end()


class LimitBand(QtWidgets.QWidget):
    """A channel is over its limit: stripes over the whole width, LIFT, the channel and its value. Hidden otherwise."""

    def __init__(self, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        self.theme: Theme = DARK
        self.text = ""
        self.hide()

    def show_state(self, state: State) -> None:
        """There while the state is LIFT, and only then."""
        shown = state.title == LIFT
        if shown and state.detail != self.text:
            self.text = state.detail
            self.setAccessibleName(f"{LIFT}. {self.text}. {NO_KNOCK_DETECTION}")
            self.update()
        if shown != self.isVisibleTo(self.parentWidget()):
            self.setVisible(shown)
            self.raise_()

    def paintEvent(self, event: QtGui.QPaintEvent) -> None:  # noqa: N802 - Qt's name
        """Draw the band; Qt calls this."""
        del event
        painter = QtGui.QPainter(self)
        box = QtCore.QRectF(self.rect())
        high, ink = box.height(), QtGui.QColor(self.theme.on_signal)
        painter.fillRect(box, QtGui.QColor(self.theme.fault))
        painter.setPen(ink)
        big, small = text_font(high * 0.62, bold=True), text_font(high * 0.215)
        word = QtGui.QFontMetricsF(big).horizontalAdvance(LIFT)
        figure = font_that_fits(self.text or " ", box.width() * 0.6, high * 0.26)
        wide = max(
            QtGui.QFontMetricsF(figure).horizontalAdvance(self.text),
            QtGui.QFontMetricsF(small).horizontalAdvance(NO_KNOCK_DETECTION),
        )
        gap = high * 0.3
        left = (box.width() - word - gap - wide) / 2
        for start, end in ((0.0, left - gap), (left + word + gap + wide + gap, box.width())):
            hatch(painter, QtCore.QRectF(start, 0, max(0.0, end - start), high), self.theme.on_signal, high * 0.3)
        painter.setFont(big)
        painter.drawText(QtCore.QRectF(left, 0, word + 8, high), Align.AlignVCenter | Align.AlignLeft, LIFT)
        room = QtCore.QRectF(left + word + gap, high * 0.08, wide + 8, high * 0.58)
        painter.setFont(figure)
        painter.drawText(room, Align.AlignVCenter | Align.AlignLeft, self.text)
        painter.setFont(small)
        room = QtCore.QRectF(left + word + gap, high * 0.66, wide + 8, high * 0.26)
        painter.drawText(room, Align.AlignVCenter | Align.AlignLeft, NO_KNOCK_DETECTION)
        painter.end()


class NextBar(QtWidgets.QWidget):
    """What to do next over the whole width, and under it the evidence so far. Empty while a pull goes on."""

    def __init__(self, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        self.theme: Theme = DARK
        self.kind, self.what, self.known = "idle", "", ""

    def show_step(self, kind: str, what: str, known: str, *, pulling: bool) -> None:
        """Take over shape and texts; repaints only where one changed."""
        new = ("none", "", "") if pulling or not what else (kind, what, known)
        if new != (self.kind, self.what, self.known):
            self.kind, self.what, self.known = new
            self.setAccessibleName(f"{what}. {known}" if what else "")
            self.update()

    def paintEvent(self, event: QtGui.QPaintEvent) -> None:  # noqa: N802 - Qt's name
        """Draw the bar; Qt calls this."""
        del event
        painter = QtGui.QPainter(self)
        theme, high, wide = self.theme, float(self.height()), float(self.width())
        round_card(painter, self.rect(), theme.panel, 10 * high / NEXT_HIGH)
        ink = {"ok": theme.hold, "caution": theme.caution}.get(self.kind, theme.text)
        box = QtCore.QRectF(high * 0.2, high * 0.3, high * 0.4, high * 0.4)
        if self.kind == "idle":
            _arrow(painter, box, ink)
        else:
            shape(painter, self.kind, box, ink)
        left, edge = high * 0.82, high * 0.2
        room = wide - left - edge
        middle = high * 0.5
        lines = ((self.what, True, theme.text, 0.36), (self.known, False, theme.muted, 24 / NEXT_HIGH))
        for place, (text, bold, colour, size) in enumerate(lines):
            font = text_font(high * size, bold=bold)
            if QtGui.QFontMetricsF(font).horizontalAdvance(text) > room:
                font = font_that_fits(text, room, high, bold=bold)
            painter.setFont(font)
            painter.setPen(QtGui.QColor(colour))
            line = QtCore.QRectF(left, high * 0.04 + place * middle * 0.94, room, middle)
            if not self.known:
                line = QtCore.QRectF(left, 0, room, high)
            painter.drawText(line, Align.AlignVCenter | Align.AlignLeft, text)
        painter.end()


def _arrow(painter: QtGui.QPainter, box: QtCore.QRectF, ink: str) -> None:
    """A head that points on: what comes next."""
    painter.setRenderHint(QtGui.QPainter.RenderHint.Antialiasing)
    painter.setPen(QtCore.Qt.PenStyle.NoPen)
    painter.setBrush(QtGui.QColor(ink))
    painter.drawPolygon(
        QtGui.QPolygonF([box.topLeft(), QtCore.QPointF(box.right(), box.center().y()), box.bottomLeft()])
    )


class FigurePanel(QtWidgets.QWidget):
    """A caption and a large figure, as large as the panel allows for `sample`, whose place it never leaves: each digit
    and the sign have a place of their own. A low panel has both on one line."""

    def __init__(self, sample: str, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        self.theme: Theme = DARK
        self.sample = sample
        self.caption = ""
        self.figure = NO_FIGURE
        self.note = ""
        self.details: tuple[str, ...] = ()
        self.unit = 1.0
        self.setMinimumSize(160, 56)

    def show_figure(self, caption: str, figure: str, note: str = "", details: Sequence[str] = ()) -> None:
        """Take over the texts, `details` as small lines at the foot; repaints only where one changed."""
        details = tuple(line for line in details if line)
        if (caption, figure, note, details) != (self.caption, self.figure, self.note, self.details):
            self.caption, self.figure, self.note, self.details = caption, figure, note, details
            self.setAccessibleName(" ".join((f"{caption}: {figure}", note, *details)).strip())
            self.update()

    def paintEvent(self, event: QtGui.QPaintEvent) -> None:  # noqa: N802 - Qt's name
        """Draw the panel; Qt calls this."""
        del event
        painter = QtGui.QPainter(self)
        box = QtCore.QRectF(self.rect())
        round_card(painter, self.rect(), self.theme.panel, 10 * self.unit)
        small, margin = ROAD_TEXT * self.unit, 12 * self.unit
        painter.setFont(text_font(small))
        painter.setPen(QtGui.QColor(self.theme.muted))
        if box.height() < LOW_PANEL * self.unit:
            line = box.adjusted(margin, 0, -margin, 0)
            painter.drawText(line, Align.AlignVCenter | Align.AlignLeft, self.caption)
            caption = QtGui.QFontMetricsF(painter.font()).horizontalAdvance(self.caption) + margin
            self._draw_figure(painter, line.adjusted(caption, 0, 0, 0), 0.6, to_the_right=True)
            painter.end()
            return
        head = small * 1.45
        painter.drawText(QtCore.QRectF(margin, 0, box.width() - margin, head), Align.AlignVCenter, self.caption)
        foot = small * 1.5 if self.note else small * 0.3
        low = small * 1.2 * len(self.details) + (small * 0.2 if self.details else 0.0)
        room = QtCore.QRectF(margin, head, box.width() - 2 * margin, box.height() - head - foot - low)
        self._draw_figure(painter, room, 0.85)
        if self.note:
            painter.setFont(text_font(small * 1.1, bold=True))
            painter.setPen(QtGui.QColor(self.theme.text))
            below = QtCore.QRectF(margin, box.height() - low - foot, box.width() - 2 * margin, foot * 0.9)
            painter.drawText(below, Align.AlignCenter, self.note)
        painter.setPen(QtGui.QColor(self.theme.muted))
        for number, line_text in enumerate(self.details):
            painter.setFont(text_font(small))
            wide = QtGui.QFontMetricsF(painter.font()).horizontalAdvance(line_text)
            painter.setFont(text_font(small * min(1.0, room.width() / max(wide, 1.0))))
            top = box.height() - low + small * 1.2 * number
            painter.drawText(QtCore.QRectF(margin, top, room.width(), small * 1.2), Align.AlignCenter, line_text)
        painter.end()

    def _draw_figure(
        self, painter: QtGui.QPainter, room: QtCore.QRectF, share: float, *, to_the_right: bool = False
    ) -> None:
        longest = self.figure if len(self.figure) > len(self.sample) else self.sample
        font = font_that_fits(longest, room.width() * 0.9, room.height() * share)
        painter.setFont(font)
        painter.setPen(QtGui.QColor(self.theme.muted if self.figure == NO_FIGURE else self.theme.text))
        metrics = QtGui.QFontMetricsF(font)
        baseline = room.center().y() + metrics.capHeight() / 2
        own, place = metrics.horizontalAdvance(self.figure), metrics.horizontalAdvance(longest)
        right = room.right() if to_the_right else room.center().x() + place / 2
        if not any(letter.isdigit() for letter in self.figure):  # no figure, or a word
            right = right if to_the_right else room.center().x() + own / 2
        painter.drawText(QtCore.QPointF(right - own, baseline), self.figure)


class Shape(QtWidgets.QWidget):
    """A small square that shows one of the state shapes."""

    def __init__(self, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        self.theme: Theme = DARK
        self.kind = "none"

    def show_kind(self, kind: str) -> None:
        """Take over the kind."""
        if kind != self.kind:
            self.kind = kind
            self.update()

    def paintEvent(self, event: QtGui.QPaintEvent) -> None:  # noqa: N802 - Qt's name
        """Draw the shape; Qt calls this."""
        del event
        painter = QtGui.QPainter(self)
        painter.fillRect(self.rect(), QtGui.QColor(self.theme.panel))
        side = min(self.width(), self.height()) * 0.8
        box = QtCore.QRectF((self.width() - side) / 2, (self.height() - side) / 2, side, side)
        ink = {"ok": self.theme.hold, "caution": self.theme.caution}.get(self.kind, self.theme.muted)
        shape(painter, self.kind, box, ink)
        painter.end()


class ShortLabel(QtWidgets.QLabel):
    """A line that ends in dots where there is no room for it; the whole of it on a hover."""

    def __init__(self, part: str) -> None:
        super().__init__()
        self.setTextFormat(QtCore.Qt.TextFormat.PlainText)
        self.setProperty("part", part)
        self.setSizePolicy(QtWidgets.QSizePolicy.Policy.Ignored, QtWidgets.QSizePolicy.Policy.Preferred)

    def paintEvent(self, event: QtGui.QPaintEvent) -> None:  # noqa: N802 - Qt's name
        """Draw as much of the text as there is room for; Qt calls this."""
        del event
        shown = self.fontMetrics().elidedText(self.text(), QtCore.Qt.TextElideMode.ElideRight, self.width())
        self.setToolTip("" if shown == self.text() else self.text())
        painter = QtGui.QPainter(self)
        painter.setPen(self.palette().color(self.foregroundRole()))
        painter.drawText(self.rect(), int(self.alignment()), shown)
        painter.end()


class Verdict(QtWidgets.QFrame):
    """A card for the last hold or the last pull on one line: shape, caption, verdict, detail."""

    def __init__(self, caption: str, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        self.setProperty("part", "panel")
        self.mark = Shape()
        self.caption, self.verdict, self.detail = label("road", caption), label("verdict"), ShortLabel("road")
        self.row = QtWidgets.QHBoxLayout(self)
        for part in (self.mark, self.caption, self.verdict):
            self.row.addWidget(part)
        self.row.addWidget(self.detail, 1)
        self.resize_to(1.0)

    def resize_to(self, unit: float) -> None:
        """Set the sizes that a style sheet cannot."""
        self.mark.setFixedWidth(round(34 * unit))
        self.setFixedHeight(round(48 * unit))
        self.row.setContentsMargins(*(round(n * unit) for n in (10, 4, 12, 4)))
        self.row.setSpacing(round(12 * unit))

    def show_verdict(self, kind: str, verdict: str, detail: str) -> None:
        """Take over shape and texts."""
        self.mark.show_kind(kind)
        self.verdict.setText(verdict)
        self.detail.setText(detail)


class HealthLine(QtWidgets.QWidget):
    """One line of names and figures; a triangle before what wants attention, which stands first. What is in order gives
    way where the room is short, the longest first; the whole of it on a hover. A long file name is cut."""

    FILE_ROOM = 0.16  # of the width, at least

    def __init__(self, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        self.theme: Theme = DARK
        self.cells: tuple[tuple[str, str, bool], ...] = ()
        self.file = ""

    @property
    def text(self) -> str:
        """The whole line as one string."""
        return " · ".join([*(f"{'! ' if bad else ''}{what} {figure}" for what, figure, bad in self.cells), self.file])

    def show_health(self, cells: Sequence[tuple[str, str, bool]], file: str) -> None:
        """Take over the cells and the recording file's name."""
        if (tuple(cells), file) != (self.cells, self.file):
            self.cells, self.file = tuple(cells), file
            self.setAccessibleName(self.text)
            self.setToolTip(self.text)
            self.update()

    def _fonts(self) -> tuple[QtGui.QFont, QtGui.QFont]:
        return text_font(self.height() * 0.7), text_font(self.height() * 0.7, bold=True)

    def _wide(self, cell: tuple[str, str, bool]) -> float:
        plain, bold = (QtGui.QFontMetricsF(font) for font in self._fonts())
        what, figure, bad = cell
        wide: float = (
            plain.horizontalAdvance(what) + bold.horizontalAdvance(figure) + self.height() * (1.65 if bad else 0.85)
        )
        return wide

    def shown(self) -> list[tuple[str, str, bool]]:
        """The cells that there is room for."""
        cells = [*(cell for cell in self.cells if cell[2]), *(cell for cell in self.cells if not cell[2])]
        room = self.width() * (1 - (self.FILE_ROOM if self.file else 0.0))
        while sum(self._wide(cell) for cell in cells) > room and any(not cell[2] for cell in cells):
            cells.remove(max((cell for cell in cells if not cell[2]), key=self._wide))
        return cells

    def paintEvent(self, event: QtGui.QPaintEvent) -> None:  # noqa: N802 - Qt's name
        """Draw the line; Qt calls this."""
        del event
        painter = QtGui.QPainter(self)
        painter.fillRect(self.rect(), QtGui.QColor(self.theme.background))
        high = float(self.height())
        plain_font, bold_font = self._fonts()
        x, middle = high * 0.3, Align.AlignVCenter | Align.AlignLeft
        for what, figure, bad in self.shown():
            if bad:
                box = QtCore.QRectF(x, high * 0.18, high * 0.6, high * 0.6)
                shape(painter, "caution", box, self.theme.caution)
                x += high * 0.8
            for text, font, ink in (
                (what, plain_font, self.theme.muted),
                (figure, bold_font, self.theme.text),
            ):
                painter.setFont(font)
                painter.setPen(QtGui.QColor(ink))
                wide = QtGui.QFontMetricsF(font).horizontalAdvance(text)
                painter.drawText(QtCore.QRectF(x, 0, wide + 4, high), middle, text)
                x += wide + high * 0.3
            x += high * 0.25
        painter.setFont(plain_font)
        painter.setPen(QtGui.QColor(self.theme.muted))
        room = QtCore.QRectF(x, 0, max(0.0, self.width() - x - high * 0.3), high)
        name = QtGui.QFontMetricsF(plain_font).elidedText(self.file, QtCore.Qt.TextElideMode.ElideMiddle, room.width())
        painter.drawText(room, Align.AlignVCenter | Align.AlignRight, name)
        painter.end()


class Drawing(QtWidgets.QWidget):
    """What will stand here once there is something: two curves with their marks, a row of holds, sessions,
    or a table's cells."""

    def __init__(self, kind: str) -> None:
        super().__init__()
        self.kind = kind
        self.theme: Theme = DARK

    def paintEvent(self, event: QtGui.QPaintEvent) -> None:  # noqa: N802 - Qt's name
        """Draw it; Qt calls this."""
        del event
        painter = QtGui.QPainter(self)
        painter.setRenderHint(QtGui.QPainter.RenderHint.Antialiasing)
        theme, wide, high = self.theme, float(self.width()), float(self.height())

        def at(x: float, y: float) -> QtCore.QPointF:
            return QtCore.QPointF(4 + x * (wide - 8), 4 + (1 - y) * (high - 8))

        def pen(ink: str, width: float, style: Any = QtCore.Qt.PenStyle.SolidLine) -> None:
            painter.setPen(QtGui.QPen(QtGui.QColor(ink), width * high / 160, style))

        if self.kind == "cells":
            for row in range(4):
                for column in range(6):
                    left, top, step = 0.06 + 0.15 * column, 0.96 - 0.23 * row, column + row - 3
                    fill = QtGui.QColor(theme.speed if step > 0 else theme.fault if step < -1 else theme.line)
                    fill.setAlphaF(0.3 + 0.1 * abs(step))
                    painter.fillRect(QtCore.QRectF(at(left, top), at(left + 0.14, top - 0.2)), fill)
            painter.end()
            return
        if self.kind == "sessions":
            for row, ink in enumerate((theme.hold, theme.speed, theme.load)):
                top = 0.94 - 0.34 * row
                pen(theme.line, 2)
                painter.drawRoundedRect(QtCore.QRectF(at(0.08, top), at(0.92, top - 0.26)), 8, 8)
                pen(ink, 4)
                painter.drawLine(at(0.14, top - 0.13), at(0.3, top - 0.13))
                pen(theme.muted, 3)
                painter.drawLine(at(0.38, top - 0.13), at(0.8 - 0.1 * row, top - 0.13))
            painter.end()
            return
        pen(theme.line, 2)
        painter.drawPolyline([at(0.06, 0.98), at(0.06, 0.06), at(0.98, 0.06)])
        if self.kind == "holds":
            levels = ((0.12, 0.2), (0.36, 0.44), (0.6, 0.68), (0.84, 0.9))
            pen(theme.speed, 3)
            painter.drawPolyline([point for x, y in levels for point in (at(x - 0.05, y), at(x + 0.09, y))])
            pen(theme.hold, 4)
            for x, y in levels:
                for side in (-1, 1):
                    edge, arm = x + 0.02 + 0.09 * side, x + 0.02 + 0.05 * side
                    painter.drawPolyline([at(arm, y + 0.1), at(edge, y + 0.1), at(edge, y - 0.1), at(arm, y - 0.1)])
        else:
            base = [(0.12, 0.36), (0.26, 0.5), (0.4, 0.56), (0.54, 0.56), (0.68, 0.58), (0.82, 0.5), (0.94, 0.34)]
            lifts = (0.0, 0.01, 0.12, 0.2, 0.16, 0.02, 0.0)
            pen(theme.text, 3, QtCore.Qt.PenStyle.DashLine)
            painter.drawPolyline([at(*point) for point in base])
            pen(theme.speed, 3)
            trial = [(x, y + lift) for (x, y), lift in zip(base, lifts, strict=True)]
            painter.drawPolyline([at(*point) for point in trial])
            painter.setPen(QtCore.Qt.PenStyle.NoPen)
            painter.setBrush(QtGui.QColor(theme.pull))
            for (x, y), lift in zip(trial, lifts, strict=True):
                if lift > 0.1:
                    middle, reach = at(x, y), high / 26
                    corners = ((0.0, -reach), (reach, 0.0), (0.0, reach), (-reach, 0.0))
                    painter.drawPolygon([middle + QtCore.QPointF(a, b) for a, b in corners])
        painter.end()


class Empty(QtWidgets.QFrame):
    """Where nothing is yet: a drawing of what will be, and the one button that gets it, the screen's primary action."""

    _all: ClassVar["WeakSet[Empty]"] = WeakSet()

    def __init__(self, kind: str, text: str, do: Callable[[], object], words: str = "") -> None:
        super().__init__()
        self.setProperty("part", "panel")
        self.drawing, self.words = Drawing(kind), label("prose", words)
        self.button = QtWidgets.QPushButton(text)
        self.button.setProperty("part", "primary")
        self.button.clicked.connect(lambda: do())
        self.box = QtWidgets.QVBoxLayout(self)
        self.box.addStretch(1)
        for part in (self.drawing, self.words, self.button):
            self.box.addWidget(part, 0, Align.AlignHCenter)
        self.box.addStretch(2)
        self.words.setVisible(bool(words))
        self._all.add(self)

    @classmethod
    def in_front(cls) -> bool:
        """Whether one is to be seen now."""
        return any(isQObjectAlive(one) and one.isVisible() for one in cls._all)

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        self.drawing.theme = theme
        self.drawing.setFixedSize(round(360 * unit), round(170 * unit))
        self.button.setMinimumSize(round(220 * unit), round(44 * unit))
        self.box.setSpacing(round(20 * unit))
        self.drawing.update()
