"""The words of the Compare screen as widgets: the answer on top, the next pull and what to mind below."""

import importlib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

from stream.errors import StorageError
from stream.record.names import write_text
from stream.study.compare.answer import Comparison
from ui.text.cautions import COMPARISON
from ui.window.compare_study import comparison_csv
from ui.window.panels import Shape, ShortLabel, label
from ui.window.theme import DARK, Theme

Ignored = QtWidgets.QSizePolicy.Policy.Ignored
Preferred = QtWidgets.QSizePolicy.Policy.Preferred


class AnswerPanel(QtWidgets.QFrame):
    """The answer, at which speeds, what it rests on, what the day resolves at all."""

    def __init__(self, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        self.setProperty("part", "panel")
        self.mark = Shape()
        self.first, self.answer = label("detail"), label("answer")
        self.detail, self.bands = label("detail"), label("first")
        self.box = QtWidgets.QGridLayout(self)
        self.box.addWidget(self.mark, 0, 0, 4, 1)
        for row, text in enumerate((self.answer, self.bands, self.detail, self.first)):
            text.setSizePolicy(Ignored, Preferred)
            text.setWordWrap(True)
            self.box.addWidget(text, row, 1)
        self.box.setColumnStretch(1, 1)

    def show_words(self, kind: str, first: str, answer: str, detail: str, bands: str) -> None:
        """Take over shape and words; an empty line takes no room."""
        self.mark.show_kind(kind)
        for part, text in ((self.first, first), (self.answer, answer), (self.detail, detail), (self.bands, bands)):
            part.setText(text)
            part.setVisible(bool(text))

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        self.mark.theme = theme
        self.mark.setFixedSize(round(54 * unit), round(54 * unit))
        self.box.setContentsMargins(*(round(n * unit) for n in (14, 8, 14, 8)))
        self.box.setHorizontalSpacing(round(14 * unit))
        self.box.setVerticalSpacing(round(2 * unit))
        self.mark.update()


class Foot(QtWidgets.QFrame):
    """What to do next, what must be minded and the caution: a line each, the whole of all three on a press."""

    FOLDED, WHOLE = 88, 200  # pixels at 1280 × 800

    def __init__(self, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        self.setProperty("part", "panel")
        self.theme: Theme = DARK
        self.unit = 1.0
        self.next_caption, self.next = label("caption", "Next pull"), label("mind")
        self.mind_caption, self.mind = label("caption", "Warnings"), label("mind")
        self.caution = label("mind", COMPARISON)
        self.area = QtWidgets.QScrollArea()
        self.area.setWidgetResizable(True)
        self.area.setWidget(self.mind)
        self.area.setHorizontalScrollBarPolicy(QtCore.Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        for text in (self.next, self.mind, self.caution):
            text.setWordWrap(True)
            text.setAlignment(QtCore.Qt.AlignmentFlag.AlignTop | QtCore.Qt.AlignmentFlag.AlignLeft)
        self.whole = QtWidgets.QWidget()
        self.box = QtWidgets.QGridLayout(self.whole)
        self.box.setContentsMargins(0, 0, 0, 0)
        self.box.addWidget(self.next_caption, 0, 0)
        self.box.addWidget(self.next, 1, 0)
        self.box.addWidget(self.caution, 2, 0)
        self.box.addWidget(self.mind_caption, 0, 1)
        self.box.addWidget(self.area, 1, 1, 2, 1)
        self.box.setRowStretch(1, 1)
        self.box.setColumnStretch(0, 40)
        self.box.setColumnStretch(1, 60)
        self.lines = QtWidgets.QWidget()
        for part in (self.whole, self.lines):
            part.setProperty("part", "inside")
        self.short = [ShortLabel(part) for part in ("mind", "mind", "detail")]
        column = QtWidgets.QVBoxLayout(self.lines)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(0)
        for line in self.short:
            column.addWidget(line)
        column.addStretch(1)
        self.more = QtWidgets.QPushButton("More")
        self.more.setCheckable(True)
        self.more.setToolTip("All warnings and the cautions whole (key M)")
        self.more.toggled.connect(self.unfold)
        self.more.setShortcut("M")
        self.outer = QtWidgets.QHBoxLayout(self)
        self.outer.addWidget(self.whole, 1)
        self.outer.addWidget(self.lines, 1)
        self.outer.addWidget(self.more, 0, QtCore.Qt.AlignmentFlag.AlignTop)
        self.upright = False
        self.unfold(False)

    def unfold(self, whole: bool) -> None:
        """All of it, or a line each."""
        self.whole.setVisible(whole)
        self.lines.setVisible(not whole)
        self.more.setText("Less" if whole else "More")
        self.more.setShortcut("M")  # a new text takes the key away
        self.setFixedHeight(round((self.WHOLE if whole else self.FOLDED) * self.unit))

    def stand_upright(self) -> None:
        """One column, as high as the page lets it: to stand beside something. The cautions are never cut."""
        self.upright = True
        self.setMinimumHeight(0)
        self.setMaximumHeight(16777215)  # Qt's own 'no limit'
        self.whole.show()
        self.lines.hide()
        self.more.hide()
        parts = (self.next_caption, self.next, self.caution, self.mind_caption, self.area)
        for part in parts:
            self.box.removeWidget(part)
        for row, part in enumerate(parts):
            self.box.addWidget(part, row, 0, 1, 2)
            self.box.setRowStretch(row, int(part is self.area))

    def show_words(self, next_pull: str, mind: Sequence[str]) -> None:
        """Take over both; each line to mind begins with a mark, the gravest first."""
        self.next.setText(next_pull)
        self.next_caption.setVisible(bool(next_pull))
        self.mind.setText("\n".join(f"▲ {line}" for line in mind))
        self.mind_caption.setText(f"Warnings ({len(mind)})" if mind else "")
        many = f"{len(mind)} warnings: " if len(mind) > 1 else ""
        texts = (next_pull, f"▲ {many}{mind[0]}" if mind else "", self.caution.text())
        for line, text in zip(self.short, texts, strict=True):
            line.setText(text)
            line.setVisible(bool(text))

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        self.theme, self.unit = theme, unit
        if not self.upright:
            self.unfold(self.more.isChecked())
        self.outer.setContentsMargins(*(round(n * unit) for n in (14, 7, 10, 7)))
        self.outer.setSpacing(round(12 * unit))
        for line in self.short:
            line.setFixedHeight(round(24 * unit))
        self.box.setHorizontalSpacing(round(24 * unit))
        self.box.setVerticalSpacing(round(2 * unit))


SCALE = 2  # a picture is twice as fine as the screen, for print


def write_csv(result: Comparison, out: Path) -> str:
    """Write the table; returns what went wrong, '' for nothing."""
    try:
        write_text(out, comparison_csv(result))
    except StorageError as error:
        return str(error)
    return ""


def write_picture(sheet: QtWidgets.QWidget, out: Path, theme: Theme) -> str:
    """Write a widget as PNG or, by the ending, as SVG; returns what went wrong, '' for nothing."""
    draft = out.with_name(out.name + ".part")
    written = _svg(sheet, draft, theme) if out.suffix.lower() == ".svg" else _png(sheet, draft, theme)
    try:
        if not written:
            raise OSError(None, "the disk did not take it")
        draft.replace(out)
    except OSError as error:
        return f"{out}: cannot be written ({error.strerror}); choose another folder"
    return ""


def _png(sheet: QtWidgets.QWidget, out: Path, theme: Theme) -> bool:
    image = QtGui.QImage(sheet.size() * SCALE, QtGui.QImage.Format.Format_RGB32)
    image.setDevicePixelRatio(SCALE)
    image.fill(QtGui.QColor(theme.background))
    sheet.render(image)
    return bool(image.save(str(out), "PNG"))


def _svg(sheet: QtWidgets.QWidget, out: Path, theme: Theme) -> bool:
    svg: Any = importlib.import_module("PySide6.QtSvg")
    generator = svg.QSvgGenerator()
    generator.setFileName(str(out))
    generator.setSize(sheet.size())
    generator.setViewBox(QtCore.QRect(QtCore.QPoint(0, 0), sheet.size()))
    generator.setTitle("Steadypull: comparison of two tunes")
    painter = QtGui.QPainter()
    if not painter.begin(generator):
        return False
    painter.fillRect(QtCore.QRect(QtCore.QPoint(0, 0), sheet.size()), QtGui.QColor(theme.background))
    sheet.render(painter, QtCore.QPoint(0, 0))
    return bool(painter.end())
