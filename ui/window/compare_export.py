"""Writing a comparison to a file: the sheet as it stands, as a picture or as a drawing; the bands as a table."""

import importlib
from pathlib import Path
from typing import Any

from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

from stream.errors import StorageError
from stream.record.text_file import write_text
from stream.study.compare.answer import Comparison
from ui.window.compare_study import comparison_csv
from ui.window.theme import Theme

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
