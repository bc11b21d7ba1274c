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
from ui.window.panels import Shape, label
from ui.window.theme import DARK, Theme

Ignored = QtWidgets.QSizePolicy.Policy.Ignored
Preferred = QtWidgets.QSizePolicy.Policy.Preferred


class AnswerPanel(QtWidgets.QFrame):
    """What the day resolves, the answer, what it rests on, at which speeds."""

    def __init__(self, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        self.setProperty("part", "panel")
        self.mark = Shape()
        self.first, self.answer = label("first"), label("answer")
        self.detail, self.bands = label("detail"), label("detail")
        self.box = QtWidgets.QGridLayout(self)
        self.box.addWidget(self.mark, 0, 0, 4, 1)
        for row, text in enumerate((self.first, self.answer, self.detail, self.bands)):
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
    """Left the coach's next pull, right everything that must be minded, in a list that scrolls."""

    def __init__(self, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        self.setProperty("part", "panel")
        self.theme: Theme = DARK
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
        self.box = QtWidgets.QGridLayout(self)
        self.box.addWidget(self.next_caption, 0, 0)
        self.box.addWidget(self.next, 1, 0)
        self.box.addWidget(self.caution, 2, 0)
        self.box.addWidget(self.mind_caption, 0, 1)
        self.box.addWidget(self.area, 1, 1, 2, 1)
        self.box.setRowStretch(1, 1)
        self.box.setColumnStretch(0, 40)
        self.box.setColumnStretch(1, 60)
        self.upright = False

    def stand_upright(self) -> None:
        """One column, as high as the page lets it: to stand beside something. The cautions are never cut."""
        self.upright = True
        parts = (self.next_caption, self.next, self.caution, self.mind_caption, self.area)
        for part in parts:
            self.box.removeWidget(part)
        for row, part in enumerate(parts):
            self.box.addWidget(part, row, 0, 1, 2)
            self.box.setRowStretch(row, int(part is self.area))

    def show_words(self, next_pull: str, mind: Sequence[str]) -> None:
        """Take over both; each line to mind begins with a mark."""
        self.next.setText(next_pull)
        self.next_caption.setVisible(bool(next_pull))
        self.mind.setText("\n".join(f"▲ {line}" for line in mind))
        self.mind_caption.setText(f"Warnings ({len(mind)})" if mind else "")

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        self.theme = theme
        if not self.upright:
            self.setFixedHeight(round(152 * unit))
        self.box.setContentsMargins(*(round(n * unit) for n in (14, 6, 8, 8)))
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
