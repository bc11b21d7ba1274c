"""The Load page of the Calibrate screen: zeros, a shunt, known weights."""

import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Literal

from pyqtgraph.Qt import QtCore, QtWidgets

from stream.calibrate.link.bridge import judge_shunt
from stream.errors import InputError, SteadypullError, reason_of
from stream.record.session import open_session
from stream.record.tables import Zero
from stream.study.edit import declare_zero
from stream.study.survey.link import load_steps, weigh
from ui.text import speed as words
from ui.text.figures import plus_minus
from ui.window.cells_table import fit_columns
from ui.window.panels import label

ZERO_HEAD = ("From s", "To s", "Zero", "How")
SECONDS = 3.0
WEIGHT_ERROR_PCT = 1.0
ZERO_RULE = (
    "In neutral, brakes off, on the level, two seconds or more. Take a second one from a free roll in neutral: "
    "the gap between the two is the zero's uncertainty."
)
SHUNT_RULE = "A known resistor across one gauge must move the reading by a known amount, the right way."
WEIGHT_RULE = (
    "Hang known weights on the link, standing, and take them down again: from when, and how many newtons "
    "(1 kg pulls 9.81 N). Nothing hung counts as one. The car stands on stands, never on a jack alone."
)


class LoadPage(QtWidgets.QScrollArea):
    """Every answer comes from the functions that 'zero', 'shunt' and 'weigh' use."""

    changed = QtCore.Signal()

    def __init__(self, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        self.path: Path | None = None
        self.zeros = QtWidgets.QTableWidget(0, len(ZERO_HEAD))
        self.zeros.setHorizontalHeaderLabels(ZERO_HEAD)
        self.zeros.verticalHeader().hide()
        self.zeros.setEditTriggers(QtWidgets.QAbstractItemView.EditTrigger.NoEditTriggers)
        self.zeros.setShowGrid(False)
        fit_columns(self.zeros)
        self.zero_from, self.zero_to = _field("", "from, s"), _field("", "to, s")
        self.rolling = QtWidgets.QCheckBox("a free roll")
        self.take = QtWidgets.QPushButton("Take zero")
        self.zero_answer = _answer()
        self.gauge, self.resistor = _field("350", "ohm"), _field("", "ohm")
        self.shunt_off, self.shunt_on = _field("", "s"), _field("", "s")
        self.arm = QtWidgets.QComboBox()
        self.arm.addItems(["that load stretches", "that load presses"])
        self.judge = QtWidgets.QPushButton("Check shunt")
        self.shunt_answer = _answer()
        self.weights = _field("", "12=0 20=98.1 28=196.2")
        self.find = QtWidgets.QPushButton("Find newtons")
        self.weight_answer = _answer()
        self._lay_out()
        self.take.clicked.connect(lambda: self._try(self.zero_answer, self._take_zero))
        self.judge.clicked.connect(lambda: self._try(self.shunt_answer, self._check_shunt))
        self.find.clicked.connect(lambda: self._try(self.weight_answer, self._find_newtons))

    def _lay_out(self) -> None:
        inside = QtWidgets.QWidget()
        box = QtWidgets.QVBoxLayout(inside)
        for title, rule, rows in (
            (
                "Zero load",
                ZERO_RULE,
                [
                    [self.zeros],
                    ["From", self.zero_from, "s   to", self.zero_to, "s", self.rolling, self.take],
                    [self.zero_answer],
                ],
            ),
            (
                "Shunt",
                SHUNT_RULE,
                [
                    ["Gauge", self.gauge, "ohm   resistor", self.resistor, "ohm across a gauge", self.arm],
                    ["Off from", self.shunt_off, "s   on from", self.shunt_on, "s", self.judge],
                    [self.shunt_answer],
                ],
            ),
            ("Known weights", WEIGHT_RULE, [["Second=newtons", self.weights, self.find], [self.weight_answer]]),
        ):
            box.addWidget(label("verdict", title))
            said = label("caption", rule)
            said.setWordWrap(True)
            box.addWidget(said)
            for parts in rows:
                box.addLayout(_row(parts))
            box.addSpacing(14)
        box.addStretch(1)
        self.setWidget(inside)
        self.setWidgetResizable(True)

    def resize_to(self, unit: float) -> None:
        """Set the sizes that a style sheet cannot."""
        for field in (self.zero_from, self.zero_to, self.gauge, self.resistor, self.shunt_off, self.shunt_on):
            field.setFixedWidth(round(100 * unit))
        self.zeros.setFixedHeight(round(96 * unit))
        self.zeros.verticalHeader().setDefaultSectionSize(round(28 * unit))

    def show_session(self, path: Path | None) -> None:
        """Show the zeros of this session."""
        self.path = path
        for answer in (self.zero_answer, self.shunt_answer, self.weight_answer):
            answer.setText("")
        self._show_zeros()

    def _show_zeros(self) -> None:
        zeros: tuple[Zero, ...] = ()
        unit = ""
        if self.path is not None:
            with open_session(self.path) as session:
                zeros, unit = session.zeros, session.live_attributes()["load_unit"]
        self.zeros.setHorizontalHeaderLabels(
            [head + (f", {unit}" if head == "Zero" and unit else "") for head in ZERO_HEAD]
        )
        self.zeros.setRowCount(len(zeros))
        for row, zero in enumerate(zeros):
            for column, text in enumerate(words.zero_cells(zero)):
                self.zeros.setItem(row, column, QtWidgets.QTableWidgetItem(text))

    def _try(self, answer: QtWidgets.QLabel, act: Callable[[Path], str]) -> None:
        """Do it, and show what came of it or what kept it."""
        if self.path is None:
            answer.setText("Open a session first.")
            return
        try:
            answer.setText(act(self.path))
        except SteadypullError as error:
            answer.setText(reason_of(error))

    def _take_zero(self, path: Path) -> str:
        start, end = _number(self.zero_from, "from"), _number(self.zero_to, "to")
        taken = declare_zero(path, start, end, rolling=self.rolling.isChecked())
        self._show_zeros()
        self.changed.emit()
        return f"Taken: {plus_minus(taken.zero.mean, taken.u_mean)} {taken.unit} (95\u00a0%)."

    def _check_shunt(self, path: Path) -> str:
        gauge, resistor = _number(self.gauge, "gauge"), _number(self.resistor, "resistor")
        starts = [_number(self.shunt_off, "off from"), _number(self.shunt_on, "on from")]
        (off, on), unit = load_steps(path, starts, 2.0, "shunt")
        if unit != "mV/V":
            raise InputError(f"shunt: the link is in {unit or 'no unit'}, a shunt is judged in mV/V")
        arm: Literal["tension", "compression"] = "tension" if self.arm.currentIndex() == 0 else "compression"
        verdict = judge_shunt(
            on.mean - off.mean, gauge_ohm=gauge, shunt_ohm=resistor, arm=arm, u_measured=math.hypot(on.sem, off.sem)
        )
        return words.shunt_lines(verdict)

    def _find_newtons(self, path: Path) -> str:
        fit, _, unit = weigh(path, _pairs(self.weights.text()), SECONDS, WEIGHT_ERROR_PCT)
        return words.weight_lines(fit, unit)


def _row(parts: Sequence[object]) -> QtWidgets.QHBoxLayout:
    row = QtWidgets.QHBoxLayout()
    for part in parts:
        row.addWidget(label("read", part) if isinstance(part, str) else part)
    if len(parts) > 3:  # a short row stays left; a long field takes the room
        row.addStretch(1)
    return row


def _field(text: str, hint: str) -> QtWidgets.QLineEdit:
    field = QtWidgets.QLineEdit(text)
    field.setPlaceholderText(hint)
    field.setMaxLength(12 if "=" not in hint else 400)
    return field


def _answer() -> QtWidgets.QLabel:
    answer = label("read")
    answer.setWordWrap(True)
    return answer


def _number(field: QtWidgets.QLineEdit, what: str) -> float:
    text = field.text().strip().replace(",", ".")
    try:
        return float(text)
    except ValueError:
        raise InputError(f"{what}: {text or 'nothing'} is typed where a number is needed") from None


def _pairs(text: str) -> list[tuple[float, float]]:
    pairs = []
    for word in text.split():
        start, _, force = word.partition("=")
        try:
            pairs.append((float(start), float(force)))
        except ValueError:
            raise InputError(f"weights: {word!r} is not second=newtons; write it as 20=98.1") from None
    return pairs
