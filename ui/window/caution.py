"""The page that stands before the first drive, and can be called up again at any time."""

from datetime import UTC, datetime

from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

from stream.errors import InputError
from stream.record.tables import Weather
from stream.study.force.air import check_air
from ui.text.cautions import BEFORE_DRIVE
from ui.window.panels import label
from ui.window.theme import DARK, Theme, shape


class _Triangle(QtWidgets.QWidget):
    """The caution shape beside the title."""

    def __init__(self) -> None:
        super().__init__()
        self.theme: Theme = DARK

    def paintEvent(self, event: QtGui.QPaintEvent) -> None:  # noqa: N802 - Qt's name
        """Draw the shape; Qt calls this."""
        del event
        painter = QtGui.QPainter(self)
        side = min(self.width(), self.height()) - 4
        box = QtCore.QRectF(2, (self.height() - side) / 2, side, side)
        shape(painter, "caution", box, self.theme.on_signal, self.theme.caution)
        painter.end()


class AirRow(QtWidgets.QWidget):
    """The air of the day, asked once; nobody must answer."""

    FIELDS = (
        ("°C", "Temperature"),
        ("hPa here, not at sea level", "Air pressure"),
        ("% humidity", "Relative humidity"),
    )

    def __init__(self) -> None:
        super().__init__()
        row = QtWidgets.QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.addWidget(label("caption", "Air of the day, if you know it:"))
        self.fields: list[QtWidgets.QLineEdit] = []
        for unit, name in self.FIELDS:
            field = QtWidgets.QLineEdit()
            field.setMaxLength(8)
            field.setAccessibleName(f"{name}, {unit}")
            self.fields.append(field)
            row.addWidget(field)
            row.addWidget(label("caption", unit))
        self._given: list[str] = []
        self.trouble = label("detail")
        row.addWidget(self.trouble, 1)

    def weather(self) -> Weather | None:
        """What was typed and not yet given; None for nothing. Raises InputError."""
        texts = [field.text().strip().replace(",", ".") for field in self.fields]
        if not any(texts) or texts == self._given:
            return None
        try:
            temperature, pressure, humidity = (float(text) for text in texts)
        except ValueError:
            raise InputError("three numbers, or none") from None
        check_air(temperature, pressure, humidity)
        self._given = texts
        said = datetime.now(UTC).isoformat()
        return Weather(temperature_c=temperature, pressure_hpa=pressure, humidity_pct=humidity, said_utc=said)


class CautionPage(QtWidgets.QWidget):
    """The cautions, and one button that takes them away."""

    def __init__(self, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        self.triangle = _Triangle()
        self.title = label("title", "Before the first drive")
        self.understood = QtWidgets.QPushButton("Read and understood by both of us")
        self.understood.setProperty("part", "primary")
        self.understood.setDefault(True)
        self.understood.setAutoDefault(True)
        self.grid = QtWidgets.QGridLayout()
        self.grid.setColumnStretch(0, 1)
        self.lines: list[tuple[QtWidgets.QLabel, QtWidgets.QLabel]] = []
        for row, (what, why) in enumerate(BEFORE_DRIVE):
            pair = label("verdict", what), label("prose", why)
            for text in pair:
                text.setWordWrap(True)
            self.grid.addWidget(pair[0], 2 * row, 0, QtCore.Qt.AlignmentFlag.AlignBottom)
            self.grid.addWidget(pair[1], 2 * row + 1, 0, QtCore.Qt.AlignmentFlag.AlignTop)
            self.lines.append(pair)
        head = QtWidgets.QHBoxLayout()
        head.addWidget(self.triangle)
        head.addWidget(self.title, 1)
        self.box = QtWidgets.QVBoxLayout(self)
        self.box.addStretch(1)
        self.box.addLayout(head)
        self.box.addLayout(self.grid)
        self.box.addStretch(1)
        self.air = AirRow()
        self.box.addWidget(self.air)
        self.box.addWidget(self.understood, 0, QtCore.Qt.AlignmentFlag.AlignLeft)
        self.box.addStretch(1)

    @property
    def text(self) -> str:
        """Every caution as one string."""
        return "\n".join(f"{what.text()} {why.text()}" for what, why in self.lines)

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        self.triangle.theme = theme
        self.triangle.setFixedSize(round(56 * unit), round(56 * unit))
        side = round(110 * unit)
        self.box.setContentsMargins(side, round(20 * unit), side, round(20 * unit))
        self.box.setSpacing(round(16 * unit))
        for field in self.air.fields:
            field.setFixedWidth(round(90 * unit))
        for row in range(self.grid.rowCount()):
            self.grid.setRowMinimumHeight(row, round((46 if row % 2 == 0 else 30) * unit))
        self.grid.setVerticalSpacing(round(2 * unit))
