"""Colours, sizes and the typeface of the screens, dark and light.

The hues stay near the colour-blind-safe set of Okabe and Ito (Color Universal Design, 2002, revised 2008); each theme
has them as bright or as dark as its ground asks for. No state is told by colour alone: each has a shape and a word of
its own as well. Shapes that stand for states are drawn, not taken from a font, so that they are the same everywhere.
"""

import importlib.util
import tempfile
from dataclasses import dataclass
from pathlib import Path

from pyqtgraph.Qt import QtCore, QtGui


@dataclass(frozen=True, slots=True)
class Theme:
    """Every colour of a screen. `on_signal` is the text on a filled signal colour, `line` a rule without meaning."""

    name: str
    background: str
    panel: str
    text: str
    muted: str
    disabled: str
    line: str
    speed: str
    load: str
    hold: str
    pull: str
    caution: str
    fault: str
    on_signal: str


DARK = Theme(
    name="dark",
    background="#101418",
    panel="#181D23",
    text="#F2F4F6",
    muted="#A9B2BC",
    disabled="#7E858E",  # muted at 70 %
    line="#3C4852",
    speed="#56B4E9",
    load="#DE8DBB",
    hold="#2BB58A",
    pull="#F0E442",
    caution="#E69F00",
    fault="#FF6A3D",
    on_signal="#101418",
)
LIGHT = Theme(
    name="light",
    background="#F4F6F8",
    panel="#FFFFFF",
    text="#14181D",
    muted="#4D5762",
    disabled="#828991",  # muted at 70 %
    line="#B4BFC7",
    speed="#0067A8",
    load="#A8407C",
    hold="#00775A",
    pull="#6B5B00",
    caution="#8A5200",
    fault="#B93A00",
    on_signal="#FFFFFF",
)
THEMES = {theme.name: theme for theme in (DARK, LIGHT)}

FACE = "DejaVu Sans"  # its figures are all of one width; matplotlib brings the files
FACE_FILES = ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf")


def load_face() -> str:
    """Make the typeface known to Qt, and the application's own; its name, or '' where the files are not there.

    No system font is needed then. matplotlib is looked up, not imported, which would cost a tenth of a second.
    """
    found = importlib.util.find_spec("matplotlib")
    if found is None or found.origin is None:
        return ""
    folder = Path(found.origin).parent / "mpl-data" / "fonts" / "ttf"
    known = [QtGui.QFontDatabase.addApplicationFont(str(folder / name)) for name in FACE_FILES]
    if min(known) < 0:
        return ""
    QtGui.QGuiApplication.setFont(QtGui.QFont(FACE))
    return FACE


BASE_WIDTH, BASE_HEIGHT = 1280, 800


def unit_for(width: int, height: int) -> float:
    """How much larger than at 1280 × 800 everything is drawn, in steps of a twentieth."""
    return max(0.7, round(20 * min(width / BASE_WIDTH, height / BASE_HEIGHT)) / 20)


def stylesheet(theme: Theme, unit: float) -> str:
    """The style sheet of the whole window; labels carry a `part` property that says how large they are."""

    def px(size: float) -> str:
        return f"{round(size * unit)}px"

    return f"""
    QWidget {{ background: {theme.background}; color: {theme.text}; font-family: "{FACE}"; font-size: {px(18)}; }}
    QFrame[part="panel"], QFrame[part="panel"] QLabel {{ background: {theme.panel}; }}
    QWidget[part="inside"] {{ background: {theme.panel}; }}
    QFrame[part="panel"] {{ border-radius: {px(10)}; }}
    QLabel[part="caption"] {{ color: {theme.muted}; font-size: {px(16)}; }}
    QLabel[part="verdict"] {{ font-size: {px(25)}; font-weight: 600; }}
    QLabel[part="detail"] {{ color: {theme.muted}; font-size: {px(16)}; }}
    QLabel[part="road"] {{ color: {theme.muted}; font-size: {px(24)}; }}
    QPushButton[part="road"], QPushButton[part="record"], QToolButton[part="road"], QLineEdit[part="road"] {{
        min-height: {px(56)}; padding: {px(2)} {px(18)}; font-size: {px(24)};
    }}
    QLineEdit[part="road"] {{ padding: {px(2)} {px(10)}; }}
    QLabel[part="title"] {{ font-size: {px(34)}; font-weight: 700; }}
    QLabel[part="prose"] {{ font-size: {px(20)}; }}
    QPushButton, QToolButton {{
        background: {theme.panel}; border: {px(2)} solid {theme.muted}; border-radius: {px(10)};
        padding: {px(8)} {px(16)}; min-height: {px(24)}; font-size: {px(18)};
    }}
    QPushButton:hover, QToolButton:hover, QPushButton:focus, QLineEdit:focus {{ border-color: {theme.text}; }}
    QPushButton:pressed {{ background: {theme.line}; }}
    QPushButton:checked {{ background: {theme.line}; border-color: {theme.text}; }}
    QPushButton[part="record"][recording="true"], QPushButton[part="primary"] {{
        background: {theme.text}; color: {theme.background}; border-color: {theme.text}; font-weight: 700;
    }}
    QPushButton[part="primary"]:focus, QPushButton[part="primary"]:hover {{ border-color: {theme.speed}; }}
    QPushButton[part="quiet"], QToolButton[part="quiet"] {{ background: transparent; border-color: transparent; }}
    QPushButton[part="quiet"]:focus, QToolButton[part="quiet"]:focus {{ border-color: {theme.text}; }}
    QPushButton:disabled, QToolButton:disabled, QPushButton[part="primary"]:disabled {{
        background: {theme.panel}; color: {theme.disabled}; border-color: {theme.line};
    }}
    QPushButton[part="card"] {{ text-align: left; padding: {px(8)} {px(18)}; }}
    QToolButton::menu-indicator {{ image: none; }}
    QLineEdit {{
        background: {theme.panel}; border: {px(2)} solid {theme.muted}; border-radius: {px(10)};
        padding: {px(7)}; font-size: {px(18)};
    }}
    QLineEdit {{ placeholder-text-color: {theme.disabled}; }}
    QLineEdit:disabled, QComboBox:disabled, QCheckBox:disabled {{
        color: {theme.disabled}; border-color: {theme.line};
    }}
    QMenu {{ background: {theme.panel}; border: 1px solid {theme.line}; }}
    QMenu::item {{ padding: {px(8)} {px(28)}; }}
    QMenu::item:selected {{ background: {theme.line}; }}
    QTabWidget::pane {{ border: 0; }}
    QTabBar::tab {{ background: {theme.background}; color: {theme.muted}; padding: {px(8)} {px(22)};
        font-size: {px(20)}; border-bottom: {px(3)} solid {theme.background}; }}
    QTabBar::tab:selected {{ color: {theme.text}; border-bottom-color: {theme.text}; }}
    """


_marks: dict[tuple[str, str, int], str] = {}
_marks_folder: list["tempfile.TemporaryDirectory[str]"] = []


def mark_file(kind: str, ink: str, side: int) -> str:
    """A PNG of one of the shapes of `shape`, for style sheets, which take no drawing; made once for a colour and size,
    and gone with the program."""
    if (kind, ink, side) not in _marks:
        if not _marks_folder:
            _marks_folder.append(tempfile.TemporaryDirectory(prefix="steadypull-marks-", ignore_cleanup_errors=True))
        fine = 2 * side  # for screens with two pixels a point
        image = QtGui.QImage(fine, fine, QtGui.QImage.Format.Format_ARGB32_Premultiplied)
        image.fill(QtCore.Qt.GlobalColor.transparent)
        painter = QtGui.QPainter(image)
        shape(painter, kind, QtCore.QRectF(0, 0, fine, fine), ink)
        painter.end()
        out = Path(_marks_folder[0].name) / f"{len(_marks)}.png"
        image.save(str(out), "PNG")
        _marks[kind, ink, side] = out.as_posix()
    return _marks[kind, ink, side]


def shape(painter: QtGui.QPainter, kind: str, box: QtCore.QRectF, ink: str, fill: str | None = None) -> None:
    """Draw a state into a square: ok (a tick), caution (triangle), fault (crossed octagon), recording (disc), idle
    (hollow square), wait (dots), open (chevron), none."""
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
    elif kind == "open":
        painter.drawPolyline([at(0.12, 0.34), at(0.5, 0.72), at(0.88, 0.34)])
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
