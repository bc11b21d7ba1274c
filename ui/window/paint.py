"""Shapes that stand for states: drawn, not taken from a font, so that they are the same on every machine."""

from pyqtgraph.Qt import QtCore, QtGui

from ui.window.theme import Theme

SHAPES = ("none", "ok", "caution", "fault", "recording", "idle", "wait")


def shape(painter: QtGui.QPainter, kind: str, box: QtCore.QRectF, ink: str, fill: str | None = None) -> None:
    """Draw one of SHAPES into a square: tick, triangle, crossed octagon, disc, hollow square, dots."""
    painter.save()
    painter.setRenderHint(QtGui.QPainter.RenderHint.Antialiasing)
    pen = QtGui.QPen(QtGui.QColor(ink), max(2.0, box.width() / 9))
    pen.setCapStyle(QtCore.Qt.PenCapStyle.RoundCap)
    pen.setJoinStyle(QtCore.Qt.PenJoinStyle.RoundJoin)
    painter.setPen(pen)
    painter.setBrush(QtGui.QColor(fill) if fill else QtCore.Qt.BrushStyle.NoBrush)

    def at(x: float, y: float) -> QtCore.QPointF:
        return QtCore.QPointF(box.left() + x * box.width(), box.top() + y * box.height())

    if kind == "ok":
        painter.drawPolyline([at(0.12, 0.55), at(0.4, 0.82), at(0.88, 0.2)])
    elif kind == "caution":
        painter.drawPolygon([at(0.5, 0.08), at(0.95, 0.9), at(0.05, 0.9)])
        painter.drawLine(at(0.5, 0.38), at(0.5, 0.6))
        painter.drawPoint(at(0.5, 0.76))
    elif kind == "fault":
        corners = [
            (0.3, 0.05),
            (0.7, 0.05),
            (0.95, 0.3),
            (0.95, 0.7),
            (0.7, 0.95),
            (0.3, 0.95),
            (0.05, 0.7),
            (0.05, 0.3),
        ]
        painter.drawPolygon([at(x, y) for x, y in corners])
        painter.drawLine(at(0.33, 0.33), at(0.67, 0.67))
        painter.drawLine(at(0.67, 0.33), at(0.33, 0.67))
    elif kind == "recording":
        painter.setBrush(QtGui.QColor(ink))
        painter.drawEllipse(at(0.5, 0.5), box.width() * 0.36, box.height() * 0.36)
    elif kind == "idle":
        painter.drawRect(QtCore.QRectF(at(0.16, 0.16), at(0.84, 0.84)))
    elif kind == "wait":
        painter.setBrush(QtGui.QColor(ink))
        for x in (0.15, 0.5, 0.85):
            painter.drawEllipse(at(x, 0.5), box.width() * 0.06, box.height() * 0.06)
    painter.restore()


def hatch(painter: QtGui.QPainter, box: QtCore.QRectF, colour: str, pitch: float) -> None:
    """Slanted stripes over a box: the edge of every fault."""
    painter.save()
    painter.setClipRect(box)
    painter.setRenderHint(QtGui.QPainter.RenderHint.Antialiasing)
    painter.setPen(QtGui.QPen(QtGui.QColor(colour), pitch / 2))
    reach = box.height()
    x = box.left() - reach
    while x < box.right() + reach:
        painter.drawLine(QtCore.QPointF(x, box.bottom() + 1), QtCore.QPointF(x + reach, box.top() - 1))
        x += pitch * 1.4
    painter.restore()


def font_that_fits(sample: str, width: float, height: float, bold: bool = True) -> QtGui.QFont:
    """The largest font in which `sample` fits a box, in whole pixels."""
    font = QtGui.QFont()
    font.setBold(bold)
    font.setPixelSize(100)
    metrics = QtGui.QFontMetricsF(font)
    wide, high = metrics.horizontalAdvance(sample), metrics.capHeight()
    font.setPixelSize(max(8, int(100 * min(width / wide, height / high))))
    return font


def text_font(pixels: float, bold: bool = False) -> QtGui.QFont:
    """A font of a height in pixels."""
    font = QtGui.QFont()
    font.setPixelSize(max(8, round(pixels)))
    font.setBold(bold)
    return font


def level_colours(theme: Theme, level: str) -> tuple[str, str]:
    """(fill, ink) of the state bar."""
    if level == "fault":
        return theme.fault, theme.on_signal
    if level == "caution":
        return theme.caution, theme.on_signal
    if level == "recording":
        return theme.panel, theme.text
    return theme.panel, theme.muted if level == "wait" else theme.text
