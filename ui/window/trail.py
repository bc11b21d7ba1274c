"""The trail over the screens: the job's steps with what each is or lacks, and one button for the obvious next one."""

from functools import partial

from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

from ui.text import job as words
from ui.window.forms import button
from ui.window.job import Step
from ui.window.panels import label
from ui.window.theme import DARK, Theme, shape, text_font

Align = QtCore.Qt.AlignmentFlag


class StepMark(QtWidgets.QAbstractButton):
    """One step: tick, disc, square or dots, and beside it its name where there is room; a press goes there."""

    def __init__(self, key: str, *, named: bool) -> None:
        super().__init__()
        self.step = Step(key, "missing", "")
        self.theme: Theme = DARK
        self.named = named
        self.setText(words.STEPS[key][0])
        self.setFocusPolicy(QtCore.Qt.FocusPolicy.TabFocus if named else QtCore.Qt.FocusPolicy.NoFocus)
        self.setCursor(QtCore.Qt.CursorShape.PointingHandCursor)

    def show_step(self, step: Step) -> None:
        """Take over a step."""
        self.step = step
        what = words.STEPS[step.key][1]
        told = f"{step.name}: {words.STATES[step.state]}{f', {step.why}' if step.why else ''}. {what}"
        self.setToolTip(told)
        self.setAccessibleName(told)
        self.update()

    def paintEvent(self, event: QtGui.QPaintEvent) -> None:  # noqa: N802 - Qt's name
        """Draw the step; Qt calls this."""
        del event
        painter = QtGui.QPainter(self)
        theme, high = self.theme, float(self.height())
        state = self.step.state
        ink = {"done": theme.hold, "next": theme.text, "open": theme.text, "missing": theme.muted}[state]
        side = high * 0.36
        left = high * 0.1 if self.named else (self.width() - side) / 2
        box = QtCore.QRectF(left, (high - side) / 2, side, side)
        kind = {"done": "ok", "next": "recording", "open": "idle", "missing": "wait"}[state]
        shape(painter, kind, box, ink)
        room = QtCore.QRectF(box.right() + high * 0.12, 0, self.width() - box.right() - high * 0.12, high)
        wide = side
        if self.named:
            painter.setFont(text_font(high * 0.38, bold=state == "next"))
            painter.setPen(QtGui.QColor(theme.muted if state == "missing" else theme.text))
            painter.drawText(room, Align.AlignVCenter | Align.AlignLeft, self.text())
            wide = QtGui.QFontMetricsF(painter.font()).horizontalAdvance(self.text())
        if self.hasFocus() or self.underMouse():
            painter.setPen(QtGui.QPen(QtGui.QColor(theme.text), 2))
            start = room.left() if self.named else box.left()
            painter.drawLine(QtCore.QPointF(start, high * 0.84), QtCore.QPointF(start + wide, high * 0.84))
        painter.end()

    def resize_to(self, unit: float) -> None:
        """As high as a finger is wide, and as wide as its words."""
        high = round(44 * unit)
        font = text_font(high * 0.38, bold=True)
        wide = QtGui.QFontMetricsF(font).horizontalAdvance(self.text()) + high * 0.75 if self.named else high * 0.6
        self.setFixedSize(round(wide), high)


class Trail(QtWidgets.QFrame):
    """The steps with their names, and what is lacking; `corner` holds the one button and, where the row has no room,
    the steps as marks alone. `wanted` carries the key of the step that was pressed."""

    wanted = QtCore.Signal(str)

    def __init__(self) -> None:
        super().__init__()
        self.setProperty("part", "panel")
        self.marks = {key: StepMark(key, named=True) for key in words.STEPS}
        self.small = {key: StepMark(key, named=False) for key in words.STEPS}
        self.why = label("caption")
        self.why.setAlignment(Align.AlignRight | Align.AlignVCenter)
        self.why.setSizePolicy(QtWidgets.QSizePolicy.Policy.Ignored, QtWidgets.QSizePolicy.Policy.Preferred)
        self.next = button(words.ALL_DONE, self._go, primary=True)
        self.next.setFocusPolicy(QtCore.Qt.FocusPolicy.TabFocus)
        self.row = QtWidgets.QHBoxLayout(self)
        self.corner = QtWidgets.QWidget()
        self.side = QtWidgets.QHBoxLayout(self.corner)
        self.side.setContentsMargins(0, 0, 0, 0)
        for marks, row in ((self.marks, self.row), (self.small, self.side)):
            for key, mark in marks.items():
                mark.clicked.connect(partial(self._press, key))
                row.addWidget(mark)
        self.row.addWidget(self.why, 1)
        self.side.addWidget(self.next)
        self._next = ""
        self.unit = 1.0

    def show_steps(self, steps: tuple[Step, ...]) -> None:
        """Take over the steps."""
        for step in steps:
            self.marks[step.key].show_step(step)
            self.small[step.key].show_step(step)
        following = next((step for step in steps if step.state == "next"), None)
        self._next = "" if following is None else following.key
        self.next.setText(words.NEXT[self._next] if self._next else words.ALL_DONE)
        self._fit_next()
        self.next.setEnabled(bool(self._next))
        self.next.setToolTip(words.STEPS[self._next][1] if self._next else "")
        self._fit()
        self._say("" if following is None else following.why)

    def _fit_next(self) -> None:
        """Room for the words in bold at all times: the button keeps its width when it becomes the primary one."""
        wide = QtGui.QFontMetricsF(text_font(18 * self.unit, bold=True)).horizontalAdvance(self.next.text())
        self.next.setMinimumWidth(round(wide + 38 * self.unit))

    def _say(self, text: str) -> None:
        self.why.setText(text)
        self.why.setToolTip(text)

    def place(self, *, row: bool, corner: bool) -> None:
        """Where it stands: as a row with names, as marks in the corner, or not at all while something is driven."""
        for mark in self.small.values():
            mark.setVisible(corner and not row)
        if corner != self.corner.isVisibleTo(self.corner.parentWidget()):
            self.corner.setVisible(corner)
        if row != self.isVisibleTo(self.parentWidget()):
            self.setVisible(row)

    def wait(self, reading: bool) -> None:
        """While the folder is read, what is next is not known."""
        self.next.setEnabled(bool(self._next) and not reading)

    def lead(self, leads: bool) -> None:
        """Whether the next step is the one primary action, or the screen below has one of its own."""
        part = "primary" if leads else ""
        if self.next.property("part") != part:
            self.next.setProperty("part", part)
            self.next.style().unpolish(self.next)
            self.next.style().polish(self.next)

    def _fit(self) -> None:
        """As wide as the bold words of a primary action: it keeps its place where another screen has its own."""
        wide = QtGui.QFontMetricsF(text_font(18 * self.unit, bold=True)).horizontalAdvance(self.next.text())
        self.next.setMinimumWidth(round(wide + 40 * self.unit))

    def _go(self) -> None:
        if self._next:
            self.wanted.emit(self._next)

    def _press(self, key: str, _: bool = False) -> None:
        step = self.marks[key].step
        if step.state != "missing":
            self.wanted.emit(key)
            return
        self._say(f"{step.name}: {words.STATES['missing']}, {step.why}")
        if not self.isVisible():
            small = self.small[key]
            QtWidgets.QToolTip.showText(small.mapToGlobal(small.rect().bottomLeft()), self.why.text(), small)

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        self.unit = unit
        self._fit()
        for mark in (*self.marks.values(), *self.small.values()):
            mark.theme = theme
            mark.resize_to(unit)
        self.row.setSpacing(round(6 * unit))
        self.side.setSpacing(0)
        self.row.setContentsMargins(*(round(n * unit) for n in (12, 0, 12, 0)))
        self.unit = unit
        self.next.setFixedHeight(round(44 * unit))
        self._fit_next()
        self.setFixedHeight(round(46 * unit))
