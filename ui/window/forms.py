"""Forms: fields with unit and a word on where the figure is found, trouble said beside the field; and a held press."""

from collections.abc import Callable, Sequence

from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

from ui.text.figures import one_line
from ui.window.panels import label
from ui.window.theme import DARK, Theme, text_font

Align = QtCore.Qt.AlignmentFlag

DIRECT = QtCore.Qt.FindChildOption.FindDirectChildrenOnly
HELD_MS = 1000  # chosen: longer than any slip of a finger


class Form(QtWidgets.QWidget):
    """Rows of caption, field, unit, hint; below each, where something is wrong with it, one line."""

    def __init__(self) -> None:
        super().__init__()
        self.fields: dict[str, QtWidgets.QWidget] = {}
        self.troubles: dict[str, QtWidgets.QLabel] = {}
        self._rows: dict[str, list[QtWidgets.QWidget]] = {}
        self._places: list[QtWidgets.QWidget] = []
        self.field_width = 580  # at 1280 × 800
        self.grid = QtWidgets.QGridLayout(self)
        self.grid.setColumnStretch(3, 1)

    def head(self, text: str) -> None:
        """A heading over the rows that follow."""
        self.grid.addWidget(label("verdict", text), self.grid.rowCount(), 0, 1, 4)

    def add(
        self,
        key: str,
        caption: str,
        parts: QtWidgets.QWidget | Sequence[QtWidgets.QWidget],
        unit: str = "",
        hint: str = "",
    ) -> None:
        """A row; of several widgets the first is the field, the others stand beside it."""
        row = self.grid.rowCount()
        widgets = [parts] if isinstance(parts, QtWidgets.QWidget) else list(parts)
        field = widgets[0]
        field.setAccessibleName(f"{caption}, {unit}" if unit else caption)
        self.fields[key] = field
        name = label("body", caption)
        name.setBuddy(field)
        self.grid.addWidget(name, row, 0)
        place = QtWidgets.QWidget()
        box = QtWidgets.QHBoxLayout(place)
        box.setContentsMargins(0, 0, 0, 0)
        for part in widgets:
            grows = part is field or isinstance(part, QtWidgets.QLineEdit)
            box.addWidget(part, 1 if grows else 0)
        self.grid.addWidget(place, row, 1)
        self._places.append(place)
        after = label("caption", unit)
        self.grid.addWidget(after, row, 2)
        said = label("caption", hint)
        said.setWordWrap(True)
        self.grid.addWidget(said, row, 3)
        trouble = label("mind")
        trouble.setWordWrap(True)
        trouble.hide()
        self.grid.addWidget(trouble, row + 1, 1, 1, 3)
        self.troubles[key] = trouble
        self._rows[key] = [name, place, after, said]

    def show_row(self, key: str, shown: bool) -> None:
        """Show or hide a row."""
        for part in self._rows[key]:
            part.setVisible(shown)
        if not shown:
            self.troubles[key].hide()

    def text(self, key: str) -> str:
        """What stands in a field."""
        field = self.fields[key]
        return str(field.currentText() if isinstance(field, QtWidgets.QComboBox) else field.text()).strip()

    def put(self, key: str, text: str) -> None:
        """Write into a field."""
        field = self.fields[key]
        if isinstance(field, QtWidgets.QComboBox):
            place = field.findText(text)
            if place >= 0 or not field.isEditable():
                field.setCurrentIndex(max(0, place))
            else:
                field.setEditText(text)
        else:
            field.setText(text)
            field.setCursorPosition(len(text) if field.property("path") else 0)  # a path's end tells most

    def complain(self, key: str, text: str) -> None:
        """Say what is wrong with a field, beside it, and put the keyboard there."""
        self.remark(key, text)
        self.fields[key].setFocus()

    def remark(self, key: str, text: str) -> None:
        """Say something beside a field; '' takes it back."""
        trouble = self.troubles[key]
        trouble.setText(f"▲ {one_line(text, 300)}" if text else "")
        trouble.setVisible(bool(text))

    def clear(self) -> None:
        """Take all remarks back."""
        for key in self.troubles:
            self.remark(key, "")

    def resize_to(self, unit: float) -> None:
        """Set the sizes that a style sheet cannot."""
        self.grid.setColumnMinimumWidth(0, round(180 * unit))
        for place in self._places:
            place.setFixedWidth(round(self.field_width * unit))
            place.layout().setSpacing(round(8 * unit))
            for part in place.findChildren(QtWidgets.QWidget, options=DIRECT):
                part.setMinimumHeight(round(44 * unit))
        self.grid.setHorizontalSpacing(round(12 * unit))
        self.grid.setVerticalSpacing(round(4 * unit))
        for field in self.fields.values():
            field.setMinimumWidth(round(60 * unit))


def line(example: str = "", longest: int = 200) -> QtWidgets.QLineEdit:
    """A field to type into; the example stands in it as long as it is empty."""
    field = QtWidgets.QLineEdit()
    field.setPlaceholderText(example)
    field.setMaxLength(longest)
    return field


def choice(texts: Sequence[str], editable: bool = False) -> QtWidgets.QComboBox:
    """A field to choose in."""
    box = QtWidgets.QComboBox()
    box.setEditable(editable)
    box.addItems(list(texts))
    box.setSizeAdjustPolicy(QtWidgets.QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
    return box


def button(text: str, do: Callable[[], object], *, primary: bool = False, hint: str = "") -> QtWidgets.QPushButton:
    """A button; a page has one primary at most."""
    made = QtWidgets.QPushButton(text)
    if primary:
        made.setProperty("part", "primary")
    if hint:
        made.setToolTip(hint)
    made.setAutoDefault(True)
    made.clicked.connect(lambda: do())
    return made


class Card(QtWidgets.QPushButton):
    """A large button: a name, and below it what it does, on as many lines as that takes."""

    def __init__(self, name: str, what: str, do: Callable[[], object]) -> None:
        super().__init__(name)
        self.what = what
        self.theme: Theme = DARK
        self.unit = 1.0
        self.primary = False
        self.setAccessibleName(f"{name}: {what}")
        self.setToolTip(what)
        self.setAutoDefault(True)
        self.setSizePolicy(QtWidgets.QSizePolicy.Policy.Preferred, QtWidgets.QSizePolicy.Policy.Fixed)
        self.clicked.connect(lambda: do())

    def sizeHint(self) -> QtCore.QSize:  # noqa: N802 - Qt's name
        """Room for the name and two lines; Qt calls this."""
        return QtCore.QSize(round(300 * self.unit), round(98 * self.unit))

    def minimumSizeHint(self) -> QtCore.QSize:  # noqa: N802 - Qt's name
        """As `sizeHint`; Qt calls this."""
        return QtCore.QSize(round(160 * self.unit), round(98 * self.unit))

    def paintEvent(self, event: QtGui.QPaintEvent) -> None:  # noqa: N802 - Qt's name
        """Draw the card; Qt calls this."""
        del event
        painter = QtGui.QPainter(self)
        painter.setRenderHint(QtGui.QPainter.RenderHint.Antialiasing)
        theme, unit = self.theme, self.unit
        fill, ink, small = (
            (theme.text, theme.background, theme.background) if self.primary else (theme.panel, theme.text, theme.muted)
        )
        box = QtCore.QRectF(self.rect()).adjusted(2, 2, -2, -2)
        near = self.hasFocus() or self.underMouse()
        painter.setPen(
            QtGui.QPen(QtGui.QColor(theme.muted if self.primary else theme.text), 2)
            if near
            else QtCore.Qt.PenStyle.NoPen
        )
        painter.setBrush(QtGui.QColor(theme.line if self.isDown() else fill))
        painter.drawRoundedRect(box, 10 * unit, 10 * unit)
        inside = box.adjusted(18 * unit, 12 * unit, -18 * unit, -10 * unit)
        painter.setFont(text_font(22 * unit, bold=True))
        painter.setPen(QtGui.QColor(ink))
        painter.drawText(inside, Align.AlignTop | Align.AlignLeft, self.text())
        painter.setFont(text_font(16 * unit))
        painter.setPen(QtGui.QColor(small))
        painter.drawText(
            inside.adjusted(0, 32 * unit, 0, 0),
            Align.AlignTop | Align.AlignLeft | QtCore.Qt.TextFlag.TextWordWrap,
            self.what,
        )
        painter.end()


class HeldButton(QtWidgets.QPushButton):
    """A button that acts once it has been pressed for a second: a slip does nothing. Its fill shows how long."""

    held = QtCore.Signal()
    short = QtCore.Signal()  # pressed and let go before

    def __init__(self, text: str) -> None:
        super().__init__(text)
        self.theme: Theme = DARK
        self.must_hold, self.held_ms = True, HELD_MS
        self._acted = False
        self.setFocusPolicy(QtCore.Qt.FocusPolicy.NoFocus)
        self._since = QtCore.QElapsedTimer()
        self._timer = QtCore.QTimer(self)
        self._timer.setInterval(20)
        self._timer.timeout.connect(self._grow)
        self.pressed.connect(self._begin)
        self.released.connect(self._end)
        self.clicked.connect(self._let_go)

    def _begin(self) -> None:
        self._acted = False
        if self.must_hold:
            self._since.start()
            self._timer.start()

    def _end(self) -> None:
        self._timer.stop()
        self.update()

    def _let_go(self) -> None:
        if not self._acted:
            self.short.emit()
        self._acted = False

    def _grow(self) -> None:
        self.update()
        if self._since.elapsed() >= self.held_ms:
            self._timer.stop()
            self._acted = True
            self.held.emit()

    @property
    def share(self) -> float:
        """How much of the time has been held, 0 to 1."""
        return min(1.0, self._since.elapsed() / self.held_ms) if self._timer.isActive() else 0.0

    def paintEvent(self, event: QtGui.QPaintEvent) -> None:  # noqa: N802 - Qt's name
        """The button, and over it how long it has been held; Qt calls this."""
        super().paintEvent(event)
        if self.share:
            painter = QtGui.QPainter(self)
            high = max(4.0, self.height() * 0.14)
            room = QtCore.QRectF(0, self.height() - high, self.width() * self.share, high)
            painter.fillRect(room, QtGui.QColor(self.theme.caution))
            painter.end()
