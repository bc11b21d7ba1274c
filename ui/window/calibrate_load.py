"""The Load page of the Calibrate screen: zeros, a shunt, known weights, each chosen on the recorded trace."""

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import Final, Literal

from pyqtgraph.Qt import QtCore, QtWidgets

from stream.errors import InputError, reason_of
from ui.text import speed as words
from ui.window.cells_table import fit_columns, plain_table
from ui.window.forms import button
from ui.window.panels import label
from ui.window.theme import Theme
from ui.window.trace import Span, TracePicker
from ui.window.trace_work import (
    HUNG_S,
    SHUNT_S,
    WEIGHT_ERROR_PCT,
    Asking,
    Held,
    LoadLook,
    LoadProposals,
    look_at_load,
    propose_load,
    shunt_words,
    weight_words,
    zero_words,
)

ZERO_HEAD = ("From s", "To s", "Zero", "How")
WEIGHT_HEAD = ("From s", "Newtons")
Task = Literal["zero", "shunt", "weights"]
TASKS: Final[dict[Task, tuple[str, str]]] = {
    "zero": (
        "Zero load",
        "In neutral, brakes off, on the level, two seconds or more. Take a second one from a free roll in neutral: "
        "the gap between the two is the zero's uncertainty.",
    ),
    "shunt": ("Shunt", "A known resistor across one gauge must move the reading by a known amount, the right way."),
    "weights": (
        "Known weights",
        "Hang known weights on the link, standing, and take them down again; 1 kg pulls 9.81 N, nothing hung counts as "
        f"one. Each is taken as known to {WEIGHT_ERROR_PCT:g} %. The car stands on stands, never on a jack alone.",
    ),
}
NO_SESSION, READING = "Open a session first.", "reading the trace …"
LOOKING = "looking for stretches …"
NOTHING_STOOD = "This session proposes none: while the car stood the load never stood at two levels. Choose by hand."
FIRST_S = 3.0  # of a stretch that nothing proposes
ARMS: Final[tuple[Literal["tension", "compression"], ...]] = ("tension", "compression")


class LoadPage(QtWidgets.QWidget):
    """Every answer comes from the functions that 'zero', 'shunt' and 'weigh' use, while an edge is dragged too."""

    changed = QtCore.Signal()

    def __init__(self, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        self.path: Path | None = None
        self.shown: LoadLook | None = None
        self.task: Task = "zero"
        self.spans: dict[Task, list[Span]] = {}
        self.newtons: list[str] = []
        self.proposed: dict[Task, bool] = dict.fromkeys(TASKS, True)
        self.why_no_zero = ""
        self._filling = False
        self._told = ""  # what was done last: it stays until something is moved
        self.asking = Asking("load")
        self.picker = TracePicker()
        self.tasks = {task: button(name, partial(self.turn_to, task)) for task, (name, _) in TASKS.items()}
        self.rule = label("caption")
        self.rule.setWordWrap(True)
        self.answer = label("prose")
        self.answer.setWordWrap(True)
        self.zeros = plain_table(ZERO_HEAD)
        self.zero_from, self.zero_to = _field("", "from, s"), _field("", "to, s")
        self.rolling = QtWidgets.QCheckBox("a free roll")
        self.take = button("Take zero", self._take_zero)
        self.gauge, self.resistor = _field("350", "ohm"), _field("", "ohm")
        self.shunt_off, self.shunt_on, self.shunt_for = _field("", "s"), _field("", "s"), _field("", "s")
        self.arm = QtWidgets.QComboBox()
        self.arm.addItems(["that load stretches", "that load presses"])
        self.weights = plain_table(WEIGHT_HEAD, edited=True)
        self.weight_for = _field("", "s")
        for table in (self.zeros, self.weights):
            fit_columns(table)
        self.add = button("Add", self._add_weight, hint="Another stretch, in the middle of what is seen")
        self.remove = button("Remove", self._remove_weight, hint="The stretch that is chosen")
        self._lay_out()
        self._connect()
        self.turn_to("zero")

    # -- how it stands ------------------------------------------------------------------------------------------------

    def _lay_out(self) -> None:
        self.top = QtWidgets.QHBoxLayout()
        for made in self.tasks.values():
            made.setCheckable(True)
            self.top.addWidget(made)
        self.top.addWidget(self.rule, 1)
        zero = _form(
            [["From", self.zero_from, "s   to", self.zero_to, "s", self.rolling, self.take]],
            self.zeros,
        )
        shunt = _form(
            [
                ["Gauge", self.gauge, "ohm   resistor", self.resistor, "ohm across a gauge", self.arm],
                ["Off from", self.shunt_off, "s   on from", self.shunt_on, "s   each for", self.shunt_for, "s"],
            ],
        )
        weights = _form([["Each for", self.weight_for, "s", self.add, self.remove]], self.weights)
        self.forms = QtWidgets.QStackedWidget()
        for form in (zero, shunt, weights):
            self.forms.addWidget(form)
        self.box = QtWidgets.QVBoxLayout(self)
        self.box.addLayout(self.top)
        self.box.addWidget(self.picker, 1)
        self.box.addWidget(self.answer)
        self.box.addWidget(self.forms)

    def _connect(self) -> None:
        self.picker.moved.connect(self._moved)
        self.picker.chosen.connect(self._chosen)
        self.rolling.toggled.connect(lambda _: self._ask())
        self.arm.activated.connect(lambda _: self._ask())
        for field in (self.gauge, self.resistor):
            field.textEdited.connect(lambda _: self._ask())
        for field in (
            self.zero_from, self.zero_to, self.shunt_off, self.shunt_on, self.shunt_for, self.weight_for,
        ):  # fmt: skip
            field.textEdited.connect(lambda _: self._typed())
        self.weights.itemChanged.connect(lambda _: self._typed_weight())
        self.weights.currentCellChanged.connect(lambda row, *_: self._row_chosen(row))

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        self.picker.apply_theme(theme, unit)
        for field in (
            self.zero_from, self.zero_to, self.gauge, self.resistor,
            self.shunt_off, self.shunt_on, self.shunt_for, self.weight_for,
        ):  # fmt: skip
            field.setFixedWidth(round(100 * unit))
        for table in (self.zeros, self.weights):
            table.verticalHeader().setDefaultSectionSize(round(32 * unit))
            table.horizontalHeader().setFixedHeight(round(26 * unit))
        self.forms.setFixedHeight(round(130 * unit))
        self.answer.setMinimumHeight(round(48 * unit))
        gap = round(8 * unit)
        self.box.setContentsMargins(gap, gap, gap, gap)
        for layout in (self.box, self.top):
            layout.setSpacing(gap)

    # -- the session --------------------------------------------------------------------------------------------------

    def show_session(self, path: Path | None) -> None:
        """The session that is meant from now on; it is read once the page is in front."""
        self.path, self.shown, self.spans = path, None, {}
        self.answer.setText("")
        self.picker.clear(NO_SESSION if path is None else READING)
        if self.isVisible():
            self._read()

    def showEvent(self, event: object) -> None:  # noqa: N802 - Qt's name
        """The page comes in front; Qt calls this."""
        super().showEvent(event)
        if self.shown is None:
            self._read()

    def _read(self) -> None:
        if self.path is not None:
            self.asking.open(self.path, look_at_load, self._show, self._failed)

    def _failed(self, trouble: str) -> None:
        self.answer.setText(trouble)
        if self.shown is None:
            self.picker.clear(trouble)

    def _show(self, look: LoadLook) -> None:
        self.shown = look
        self.picker.show_lines(look.lines, look.duration_s)
        self._show_zeros()
        if self._told:
            self._say(self._told)
            self._told = ""
            self._place_spans()
        else:
            self._say(LOOKING)
            self.asking.ask(propose_load, self._propose)

    def _propose(self, found: LoadProposals) -> None:
        look = self.shown
        if look is None:
            return
        end = look.duration_s
        zero = found.zero or (0.0, min(FIRST_S, end))
        off, on = found.shunt or (0.0, max(0.0, min(FIRST_S, end - SHUNT_S)))
        self.proposed = {
            "zero": found.zero is not None,
            "shunt": found.shunt is not None,
            "weights": len(found.levels) > 1,
        }
        self.spans = {
            "zero": [Span(*zero, "zero")],
            "shunt": [Span(off, min(off + SHUNT_S, end), "off"), Span(on, min(on + SHUNT_S, end), "on")],
            "weights": [Span(at, min(at + HUNG_S, end)) for at in found.levels or (0.0,)],
        }
        self.newtons = ["0", *[""] * (len(self.spans["weights"]) - 1)]
        self.why_no_zero = found.why_no_zero
        self.turn_to(self.task)

    def _show_zeros(self) -> None:
        look = self.shown
        if look is None:
            return
        self.zeros.setHorizontalHeaderLabels(
            [head + (f", {look.unit}" if head == "Zero" and look.unit else "") for head in ZERO_HEAD]
        )
        self.zeros.setRowCount(len(look.zeros))
        for row, zero in enumerate(look.zeros):
            for column, text in enumerate(words.zero_cells(zero)):
                self.zeros.setItem(row, column, QtWidgets.QTableWidgetItem(text))

    def poll(self) -> None:
        """One frame."""
        self.asking.poll()

    def close_work(self) -> None:
        """End the work."""
        self.asking.close()

    # -- what is chosen -----------------------------------------------------------------------------------------------

    def turn_to(self, task: Task) -> None:
        """Zero, shunt or weights."""
        self.task = task
        for key, made in self.tasks.items():
            made.setChecked(key == task)
        self.rule.setText(TASKS[task][1])
        self.forms.setCurrentIndex(list(TASKS).index(task))
        self._place_spans()
        self._write_fields()
        if self.spans and not self.proposed[task]:
            self.asking.ask(lambda _: self.why_no_zero if task == "zero" else NOTHING_STOOD, self._say)
        else:
            self._ask()

    def _place_spans(self) -> None:
        spans = list(self.spans.get(self.task, ()))
        self.picker.same_length = self.task != "zero"
        if self.task == "zero" and self.shown is not None:
            spans += [Span(zero.start_s, zero.end_s, "taken", counts=False, fixed=True) for zero in self.shown.zeros]
        if self.task == "weights":
            for span, newtons in zip(spans, self.newtons, strict=True):
                span.text = f"{newtons or '?'} N"
        self.picker.set_spans(spans)

    def _moved(self, number: int) -> None:
        mine = self.spans[self.task]
        for span, seen in zip(mine, self.picker.spans, strict=False):
            span.start_s, span.end_s = seen.start_s, seen.end_s
        self._write_fields()
        self._chosen(number)
        self._ask()

    def _chosen(self, number: int) -> None:
        if self.task == "weights" and number < self.weights.rowCount():
            self._filling = True
            self.weights.setCurrentCell(number, 1)
            self._filling = False

    def _row_chosen(self, row: int) -> None:
        if not self._filling and 0 <= row < len(self.picker.spans):
            self.picker.edge = 2 * row

    def _write_fields(self) -> None:
        spans = self.spans.get(self.task)
        if not spans:
            return
        if self.task == "zero":
            _put(self.zero_from, spans[0].start_s)
            _put(self.zero_to, spans[0].end_s)
        elif self.task == "shunt":
            _put(self.shunt_off, spans[0].start_s)
            _put(self.shunt_on, spans[1].start_s)
            _put(self.shunt_for, spans[0].end_s - spans[0].start_s)
        else:
            _put(self.weight_for, spans[0].end_s - spans[0].start_s)
            self._fill_weights()

    def _fill_weights(self) -> None:
        self._filling = True
        spans = self.spans["weights"]
        self.weights.setRowCount(len(spans))
        for row, (span, newtons) in enumerate(zip(spans, self.newtons, strict=True)):
            for column, text in enumerate((f"{span.start_s:.2f}", newtons)):
                item = self.weights.item(row, column)
                if item is None:
                    self.weights.setItem(row, column, QtWidgets.QTableWidgetItem(text))
                elif item.text() != text:
                    item.setText(text)
        self._filling = False

    def _typed(self) -> None:
        """The stretches follow the fields, as far as these are numbers."""
        spans = self.spans.get(self.task)
        if not spans:
            return
        try:
            if self.task == "zero":
                spans[0].start_s, spans[0].end_s = _number(self.zero_from, "from"), _number(self.zero_to, "to")
            elif self.task == "shunt":
                length = _number(self.shunt_for, "each for")
                for span, field, what in ((spans[0], self.shunt_off, "off"), (spans[1], self.shunt_on, "on")):
                    span.start_s = _number(field, f"{what} from")
                    span.end_s = span.start_s + length
            else:
                length = _number(self.weight_for, "each for")
                for span in spans:
                    span.end_s = span.start_s + length
        except InputError as error:
            self._say(reason_of(error))
            return
        for number, span in enumerate(spans):
            self.picker.set_span(number, span.start_s, span.end_s)
        self._ask()

    def _typed_weight(self) -> None:
        if self._filling:
            return
        spans = self.spans["weights"]
        length = spans[0].end_s - spans[0].start_s
        for row, span in enumerate(spans):
            start, newtons = (self.weights.item(row, column).text().strip().replace(",", ".") for column in range(2))
            self.newtons[row] = newtons
            try:
                span.start_s = float(start)
            except ValueError:
                continue
            span.end_s = span.start_s + length
            self.picker.set_span(row, span.start_s, span.end_s)
            self.picker.set_counts(row, bool(newtons), f"{newtons or '?'} N")
        self._ask()

    def _add_weight(self) -> None:
        if self.shown is None:
            return
        left, right = self.picker.plots[0].viewRange()[0]
        spans = self.spans["weights"]
        length = spans[0].end_s - spans[0].start_s if spans else HUNG_S
        start = round((left + right) / 2, 2)
        spans.append(Span(start, start + length))
        self.newtons.append("")
        self._sort_weights()

    def _remove_weight(self) -> None:
        row = self.weights.currentRow()
        if 0 <= row < len(self.spans.get("weights", ())) and len(self.spans["weights"]) > 1:
            del self.spans["weights"][row]
            del self.newtons[row]
            self._sort_weights()

    def _sort_weights(self) -> None:
        order = sorted(range(len(self.newtons)), key=lambda row: self.spans["weights"][row].start_s)
        self.newtons = [self.newtons[row] for row in order]
        self.spans["weights"] = [self.spans["weights"][row] for row in order]
        self._place_spans()
        self._write_fields()
        self._ask()

    # -- what comes of it ---------------------------------------------------------------------------------------------

    def _say(self, text: str) -> None:
        self.answer.setText(text)

    def _ask(self) -> None:
        """Ask for the result of what is chosen."""
        if self.shown is None or not self.spans:
            return
        try:
            question = self._question()
        except InputError as error:
            self._say(reason_of(error))
            return
        if question is not None:
            self.asking.ask(question, self._say)

    def _question(self) -> Callable[[Held], str] | None:
        spans = [(span.start_s, span.end_s) for span in self.spans[self.task]]
        if self.task == "zero":
            return partial(zero_words, start_s=spans[0][0], end_s=spans[0][1], rolling=self.rolling.isChecked())
        length = round(spans[0][1] - spans[0][0], 3)
        if self.task == "shunt":
            return partial(
                shunt_words,
                off_s=spans[0][0],
                on_s=spans[1][0],
                seconds=length,
                gauge_ohm=_number(self.gauge, "gauge"),
                shunt_ohm=_number(self.resistor, "resistor"),
                arm=ARMS[self.arm.currentIndex()],
            )
        known = [(start, _force(text)) for (start, _), text in zip(spans, self.newtons, strict=True) if text]
        if len(known) < 2:
            raise InputError("Type what hung in each stretch, in newtons; remove those in which nothing is known")
        return partial(weight_words, known=known, seconds=length)

    def _take_zero(self) -> None:
        if self.path is None:
            self._say(NO_SESSION)
            return
        try:
            start, end = _number(self.zero_from, "from"), _number(self.zero_to, "to")
        except InputError as error:
            self._say(reason_of(error))
            return
        self.take.setEnabled(False)
        rolling, held = self.rolling.isChecked(), self.asking.held
        self.asking.change(
            lambda path: take_zero(
                path, start, end, rolling=rolling, full_scale=None if held is None else held.known_scale
            ),
            self._taken,
            self._refused,
        )

    def _taken(self, text: str) -> None:
        self.take.setEnabled(True)
        self._told = text
        self.changed.emit()
        self._read()

    def _refused(self, trouble: str) -> None:
        self.take.setEnabled(True)
        self._say(trouble)


def take_zero(path: Path, start_s: float, end_s: float, *, rolling: bool, full_scale: float | None) -> str:
    """Take a zero; returns what was taken, in words. Raises InputError, StorageError."""
    from stream.study.edit import declare_zero

    taken = declare_zero(path, start_s, end_s, rolling=rolling, full_scale=full_scale)
    return words.zero_taken(taken.zero.mean, taken.u_mean, taken.unit)


def _form(rows: Sequence[Sequence[object]], beside: QtWidgets.QWidget | None = None) -> QtWidgets.QWidget:
    """Rows of captions and fields, and what stands beside them."""
    form = QtWidgets.QWidget()
    whole = QtWidgets.QHBoxLayout(form)
    whole.setContentsMargins(0, 0, 0, 0)
    column = QtWidgets.QVBoxLayout()
    for parts in rows:
        row = QtWidgets.QHBoxLayout()
        for part in parts:
            row.addWidget(label("read", part) if isinstance(part, str) else part)
        row.addStretch(1)
        column.addLayout(row)
    column.addStretch(1)
    whole.addLayout(column, 3)
    if beside is not None:
        whole.addWidget(beside, 2)
    return form


def _field(text: str, hint: str) -> QtWidgets.QLineEdit:
    field = QtWidgets.QLineEdit(text)
    field.setPlaceholderText(hint)
    field.setMaxLength(12)
    return field


def _put(field: QtWidgets.QLineEdit, value: float) -> None:
    text = f"{value:.2f}"
    if not field.hasFocus() and field.text() != text:
        field.setText(text)


def _number(field: QtWidgets.QLineEdit, what: str) -> float:
    text = field.text().strip().replace(",", ".")
    try:
        return float(text)
    except ValueError:
        raise InputError(f"{what}: {f'{text} is not a number' if text else 'type a number'}") from None


def _force(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise InputError(f"weights: {text!r} is no number of newtons") from None
