"""Engine speed as a very large figure, inside the bracket that closes while it holds.

Two halves stand apart while the speed moves, and come in as its spread falls to the band that counts as
steady. From then on their arms grow towards each other with the seconds; when they meet, the figure is
framed: a hold.
"""

import math

from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

from stream.live.records import PullNow, Steady
from ui.text import road as words
from ui.text.figures import NO_FIGURE
from ui.window.panels import ROAD_TEXT, round_card
from ui.window.theme import DARK, Theme, font_that_fits, hatch, text_font

FULLY_OPEN = 5.0  # spread over band at which the halves are as far apart as they go
TARGET_SPAN = 6.0  # bands to either side that the target scale shows
SAMPLE = "8888"
FIGURE, WORD, CAPTION, WORDS, SCALE = 168, 44, 32, 62, 54  # pixels at 1280 × 800; the figure is the size of its font
STUB = 0.16  # length of an arm before the seconds count, as a share of its full length


def openness(steady: Steady | None) -> float:
    """How far the halves stand apart: 1 wide open (or unknown), 0 on the figure."""
    if steady is None:
        return 1.0
    if steady.holding or steady.steady_s > 0:
        return 0.0
    if not math.isfinite(steady.spread_rpm) or steady.band_rpm <= 0:
        return 1.0
    return min(1.0, max(0.0, (steady.spread_rpm / steady.band_rpm - 1.0) / (FULLY_OPEN - 1.0)))


def filled(steady: Steady | None) -> float:
    """How far the arms have grown: 0 stubs, 1 they meet."""
    if steady is None:
        return 0.0
    if steady.holding:
        return 1.0
    # not quite 1 before the hold is up: only a hold closes the frame
    return min(0.97, max(0.0, steady.steady_s / steady.needed_s)) if steady.needed_s > 0 else 0.0


EASE_S = 0.15


class Eased:
    """A value that follows another one within 150 ms, fast first; at once where less motion is asked for."""

    def __init__(self, value: float = 0.0) -> None:
        self.value = self._from = self._to = value
        self._since = -math.inf

    def follow(self, to: float, now: float, *, moves: bool = True) -> float:
        """The value at a time, s, on its way."""
        if abs(to - self._to) > 1e-9:
            self._from, self._to, self._since = self.value, to, now
        part = (now - self._since) / EASE_S if moves else 1.0
        self.value = to if not 0.0 <= part < 1.0 else self._from + (to - self._from) * (1 - (1 - part) ** 3)
        return self.value


class SpeedPanel(QtWidgets.QWidget):
    """The figure, its bracket, the words under it and, where there is one, the way to the target."""

    def __init__(self, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        self.theme: Theme = DARK
        self.figure = NO_FIGURE
        self.steady: Steady | None = None
        self.pull: PullNow | None = None
        self.redline: float | None = None
        self.speed = float("nan")
        self.target: float | None = None
        self.dead = True
        self.lift = False
        self.unit = 1.0
        self.moves = True
        self._shown: tuple[object, ...] = ()
        self.open, self.arms, self.wedge, self.plate = Eased(1.0), Eased(), Eased(), Eased()
        self.setMinimumWidth(320)

    @property
    def closed(self) -> bool:
        """True while the two halves meet: a hold is up."""
        return not self.dead and self.pull is None and self.steady is not None and self.steady.holding

    @property
    def pull_share(self) -> float | None:
        """How much of the way from the pull's start to redline is done, 0 to 1; None without a pull or a redline."""
        if self.dead or self.pull is None or self.redline is None or not math.isfinite(self.speed):
            return None
        way = self.redline - self.pull.start_rpm
        return min(1.0, max(0.0, (self.speed - self.pull.start_rpm) / way)) if way > 0 else None

    @property
    def sentence(self) -> str:
        """The words under the figure."""
        if self.lift:
            return "LIFT"
        if self.pull is not None and not self.dead:
            return words.pulling(self.pull, self.speed, self.redline)
        return "no speed" if self.dead else words.steadiness(self.steady)

    @property
    def target_sentence(self) -> str:
        """Where the speed stands against the target; empty without one."""
        if self.target is None or self.dead or self.steady is None:
            return ""
        if not math.isfinite(self.speed):
            return "go by the dashboard until three are held"
        return words.against_target(self.speed, self.target, self.steady.band_rpm)

    def show_speed(
        self,
        figure: str,
        speed: float,
        steady: Steady | None,
        target: float | None,
        *,
        dead: bool,
        lift: bool = False,
        pull: PullNow | None = None,
        redline: float | None = None,
        now: float = math.inf,
    ) -> None:
        """Take over what is to be drawn at a time `now`, s. `speed` is what the target is set against, NaN where that
        is not known yet; `dead`: no signal, so no figure, no bracket; `lift`: over a limit; a `pull` that goes on has
        the bracket's place.
        """
        self.figure = NO_FIGURE if dead else figure
        self.speed, self.steady, self.target, self.dead, self.lift = speed, steady, target, dead, lift
        self.pull, self.redline = pull, redline
        known = None if dead else steady
        for eased, to in (
            (self.open, openness(known)),
            (self.arms, filled(known)),
            (self.wedge, float(pull is not None and not dead)),
            (self.plate, float(self.closed)),
        ):
            eased.follow(to, now, moves=self.moves)
        shows = self._shows()
        if shows != self._shown:
            self._shown = shows
            self.setAccessibleName(f"Engine speed {self.figure} rpm, {self.sentence} {self.target_sentence}".strip())
            self.update()

    def _shows(self) -> tuple[object, ...]:
        """What a person could tell from what is drawn: words, states, and lengths to half a pixel."""
        ways = [self.open.value, self.arms.value, self.wedge.value, self.plate.value, self.pull_share or 0.0]
        if self.target is not None and self.steady is not None and math.isfinite(self.speed):
            ways.append((self.speed - self.target) / max(self.steady.band_rpm, 1.0))
        places = tuple(round(2 * self.width() * way) for way in ways)
        known = self.steady is not None and math.isfinite(self.steady.spread_rpm)
        look = (self.dead, self.lift, self.closed, self.pull is None, self.target, self.redline, known)
        return (self.figure, self.sentence, self.target_sentence, look, places)

    def paintEvent(self, event: QtGui.QPaintEvent) -> None:  # noqa: N802 - Qt's name
        """Draw all of it; Qt calls this."""
        del event
        painter = QtGui.QPainter(self)
        unit = self.unit
        width, height = float(self.width()), float(self.height())
        round_card(painter, self.rect(), self.theme.panel, 10 * unit)
        if self.lift:
            for left in (0.0, width - 36 * unit):
                hatch(painter, QtCore.QRectF(left, 0, 36 * unit, height), self.theme.fault, 26 * unit)
        caption = CAPTION * unit
        painter.setFont(text_font(ROAD_TEXT * unit))
        painter.setPen(QtGui.QColor(self.theme.muted))
        margin = 12 * unit
        painter.drawText(
            QtCore.QRectF(margin + (36 * unit if self.lift else 0), 0, width, caption),
            QtCore.Qt.AlignmentFlag.AlignVCenter,
            "Engine speed, rpm",
        )
        below = (WORDS + (SCALE if self.target is not None else 0)) * unit
        arena = QtCore.QRectF(margin, caption, width - 2 * margin, max(20.0, height - caption - below))
        self._draw_figure(painter, arena)
        words_box = QtCore.QRectF(margin, arena.bottom() + 2 * unit, arena.width(), (WORDS - 6) * unit)
        self._draw_words(painter, words_box)
        if self.target is not None:
            self._draw_target(
                painter, QtCore.QRectF(margin, arena.bottom() + WORDS * unit, arena.width(), SCALE * unit)
            )
        painter.end()

    def _draw_figure(self, painter: QtGui.QPainter, arena: QtCore.QRectF) -> None:
        font = font_that_fits(SAMPLE, arena.width() * 0.66, arena.height() * 0.71)
        painter.setFont(font)
        painter.setPen(QtGui.QColor(self.theme.muted if self.dead else self.theme.text))
        metrics = QtGui.QFontMetricsF(font)
        baseline = arena.center().y() + metrics.capHeight() / 2
        advance = metrics.horizontalAdvance(self.figure)
        # each digit has its place: 900 and 1000 end where 3000 ends
        place = metrics.horizontalAdvance(SAMPLE) if self.figure.isdigit() else advance
        right = arena.center().x() + max(place, advance) / 2
        painter.drawText(QtCore.QPointF(right - advance, baseline), self.figure)
        if self.pull is not None and not self.dead:
            self._draw_pull(painter, arena)
            return
        closed_half = metrics.horizontalAdvance(SAMPLE) / 2 + arena.width() * 0.03
        self._draw_bracket(painter, arena, closed_half)

    def _draw_pull(self, painter: QtGui.QPainter, arena: QtCore.QRectF) -> None:
        """A wedge beside the figure; under it a bar that fills from the pull's start to redline, which is its end."""
        left, foot, size = (
            arena.left() + arena.width() * 0.02 + (36 * self.unit if self.lift else 0.0),
            arena.top() + arena.height() * 0.78,
            arena.height() * 0.5 * max(0.02, self.wedge.value),
        )
        painter.setPen(QtCore.Qt.PenStyle.NoPen)
        painter.setBrush(QtGui.QColor(self.theme.pull))
        painter.drawPolygon(
            [
                QtCore.QPointF(left, foot),
                QtCore.QPointF(left + size * 0.6, foot),
                QtCore.QPointF(left + size * 0.6, foot - size),
            ]
        )
        share = self.pull_share
        if share is None:
            return
        high = max(8.0, arena.height() * 0.09)
        bar = QtCore.QRectF(arena.left() + arena.width() * 0.06, arena.bottom() - high, arena.width() * 0.88, high)
        painter.setBrush(QtCore.Qt.BrushStyle.NoBrush)
        painter.setPen(QtGui.QPen(QtGui.QColor(self.theme.muted), 2))
        painter.drawRect(bar)
        painter.fillRect(
            QtCore.QRectF(bar.left(), bar.top(), bar.width() * share, high), QtGui.QColor(self.theme.speed)
        )
        painter.setPen(QtGui.QPen(QtGui.QColor(self.theme.fault), max(4.0, high * 0.4)))
        painter.drawLine(bar.topRight(), bar.bottomRight())

    def _draw_bracket(self, painter: QtGui.QPainter, arena: QtCore.QRectF, closed_half: float) -> None:
        steady = None if self.dead else self.steady
        thick = max(4.0, arena.height() * (0.055 if self.closed else 0.035))
        open_half = arena.width() / 2 - thick
        half = closed_half + (open_half - closed_half) * self.open.value
        arm = closed_half * (STUB + (1 - STUB) * self.arms.value)
        ink = self.theme.hold if self.closed else self.theme.text if steady is not None else self.theme.muted
        pen = QtGui.QPen(QtGui.QColor(ink), thick)
        pen.setCapStyle(QtCore.Qt.PenCapStyle.FlatCap)
        pen.setJoinStyle(QtCore.Qt.PenJoinStyle.MiterJoin)
        if steady is None or not math.isfinite(steady.spread_rpm):
            pen.setDashPattern([1.2, 1.2])
        painter.setPen(pen)
        painter.setBrush(QtCore.Qt.BrushStyle.NoBrush)
        top, bottom = arena.top() + thick, arena.bottom() - thick
        if self.closed and self.arms.value >= 1 and self.open.value <= 0:  # one frame: two halves would show a seam
            painter.drawRect(QtCore.QRectF(arena.center().x() - half, top, 2 * half, bottom - top))
            return
        for side in (-1, 1):
            edge = arena.center().x() + side * half
            path = QtGui.QPainterPath(QtCore.QPointF(edge - side * arm, top))
            path.lineTo(edge, top)
            path.lineTo(edge, bottom)
            path.lineTo(edge - side * arm, bottom)
            painter.drawPath(path)

    def _draw_words(self, painter: QtGui.QPainter, box: QtCore.QRectF) -> None:
        text = self.sentence
        font = text_font(WORD * self.unit, bold=True)
        if QtGui.QFontMetricsF(font).horizontalAdvance(text) > box.width() * 0.96:
            font = font_that_fits(text, box.width() * 0.96, box.height())
        painter.setFont(font)
        wide = QtGui.QFontMetricsF(painter.font()).horizontalAdvance(text)
        if self.closed or self.lift:
            plate = QtCore.QRectF(box.center().x() - wide / 2 - box.height() * 0.4, box.top(), 0, box.height())
            plate.setWidth(wide + box.height() * 0.8)
            ground = QtGui.QColor(self.theme.fault if self.lift else self.theme.hold)
            ground.setAlphaF(1.0 if self.lift else max(0.4, self.plate.value))
            painter.fillRect(plate, ground)
            painter.setPen(QtGui.QColor(self.theme.on_signal))
        else:
            painter.setPen(QtGui.QColor(self.theme.muted if self.dead else self.theme.text))
        painter.drawText(box, QtCore.Qt.AlignmentFlag.AlignCenter, text)

    def _draw_target(self, painter: QtGui.QPainter, box: QtCore.QRectF) -> None:
        """A level line with a post at the target and a wedge where the speed is; words beside it."""
        if self.target is None:
            return
        unit, line_y = self.unit, box.top() + 12 * self.unit
        middle, reach = box.center().x(), box.width() * 0.42
        painter.setPen(QtGui.QPen(QtGui.QColor(self.theme.muted), 3))
        painter.drawLine(QtCore.QPointF(middle - reach, line_y), QtCore.QPointF(middle + reach, line_y))
        painter.setPen(QtGui.QPen(QtGui.QColor(self.theme.text), 4))
        painter.drawLine(QtCore.QPointF(middle, line_y - 9 * unit), QtCore.QPointF(middle, line_y + 9 * unit))
        if self.steady is not None and not self.dead and math.isfinite(self.speed):
            share = (self.speed - self.target) / (TARGET_SPAN * max(self.steady.band_rpm, 1.0))
            x, size = middle + reach * min(1.0, max(-1.0, share)), 9 * unit
            painter.setPen(QtCore.Qt.PenStyle.NoPen)
            painter.setBrush(QtGui.QColor(self.theme.speed))
            painter.drawPolygon(
                [
                    QtCore.QPointF(x, line_y + 2),
                    QtCore.QPointF(x - size, line_y + size * 1.4),
                    QtCore.QPointF(x + size, line_y + size * 1.4),
                ]
            )
        painter.setFont(text_font(ROAD_TEXT * unit))
        painter.setPen(QtGui.QColor(self.theme.text))
        below = QtCore.QRectF(box.left(), line_y + 10 * unit, box.width(), 30 * unit)
        painter.drawText(below, QtCore.Qt.AlignmentFlag.AlignCenter, self.target_sentence)
