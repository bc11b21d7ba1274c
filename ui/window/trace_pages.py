"""Pages on which stretches of one session are chosen on its trace: coastdowns, and what is said of holds and pulls."""

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

from pyqtgraph.Qt import QtCore, QtWidgets

from ui.text import force as words
from ui.text import steps as marks
from ui.text.chain import Part, Sheet
from ui.text.figures import one_line, sentence
from ui.text.findings import say_all
from ui.window import ask
from ui.window.cells_table import plain_table
from ui.window.chain_pages import Paper
from ui.window.forms import button, choice, line
from ui.window.job_desk import JobDesk, JobPage
from ui.window.panels import label
from ui.window.theme import Theme
from ui.window.trace import Span, TracePicker
from ui.window.trace_work import (
    Asking,
    GlideAnswer,
    GlideChoice,
    GlideLook,
    Held,
    MarkLook,
    MarkRow,
    glide_answer,
    look_at_glides,
    look_at_marks,
    mark_stretch,
    speed_range,
)

ITEM, TICKED, EMPTY = QtCore.Qt.ItemFlag, QtCore.Qt.CheckState.Checked, QtCore.Qt.CheckState.Unchecked
READING = "reading the trace …"
MOST_WIND_MPS = 50.0  # more than any wind in which a car is let roll


class TracePage(JobPage):
    """A session of the folder, or another one; its trace; what is said of it beneath."""

    no_session = "Choose a session."

    def __init__(self, desk: JobDesk) -> None:
        super().__init__(desk)
        self.asking = Asking(self.title.lower())
        self.look: Any = None
        self.session = choice(())
        self.session.setAccessibleName("Session")
        self.picker = TracePicker()
        self.answer = label("prose")
        self.answer.setWordWrap(True)
        self.chooser = QtWidgets.QHBoxLayout()
        self.chooser.addWidget(label("read", "Session"))
        self.chooser.addWidget(self.session, 1)
        self.chooser.addWidget(button("Choose…", self._choose))
        self.under = QtWidgets.QHBoxLayout()
        self.top.insertLayout(1, self.chooser, 1)
        self.top.setStretch(0, 0)
        self.body.addWidget(self.picker, 50)
        self.body.addWidget(self.answer)
        self.body.addLayout(self.under, 42)
        self.session.activated.connect(lambda _: self.open(self.session.currentData()))
        self.picker.clear(self.no_session)

    # -- the session --------------------------------------------------------------------------------------------------

    def read(self, held: Held) -> Any:
        """Off the window's thread: what the page shows of a session."""
        raise NotImplementedError

    def show_look(self, look: Any) -> None:
        """Show what was read."""
        raise NotImplementedError

    def begin(self, what: Any = None) -> None:
        """`what` is the session that is meant; None: the one that was open, or the newest of the folder."""
        shown = self.session.currentData()
        self.session.clear()
        for session in sorted(self.desk.sessions, key=lambda one: str(one.started_utc), reverse=True):
            if session.readable:
                self.session.addItem(one_line(Path(session.path).name, 60), session.path)
        path = what or shown or (self.session.itemData(0) if self.session.count() else None)
        if path is not None:
            self.open(path)

    def _choose(self) -> None:
        chosen = ask.open_file(self, "A session", self.desk.memory.folder, "h5", "Sessions")
        if chosen is not None:
            self.open(str(chosen))

    def open(self, path: str) -> None:
        """Read a session off the window's thread."""
        place = self.session.findData(path)
        if place < 0:
            self.session.insertItem(0, one_line(Path(path).name, 60), path)
            place = 0
        self.session.setCurrentIndex(place)
        self.look = None
        self.answer.setText("")
        self.picker.clear(READING)
        self.asking.open(path, self.read, self._take, self.picker.clear)

    def _take(self, look: Any) -> None:
        self.look = look
        self.picker.show_lines(look.lines, look.duration_s)
        self.show_look(look)

    def renew(self) -> None:
        """Its session may be another one now."""
        if self.asking.held is not None:
            self.open(str(self.asking.held.path))

    def poll(self) -> None:
        """One frame."""
        self.asking.poll()

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        super().apply_theme(theme, unit)
        self.picker.apply_theme(theme, unit)
        for layout in (self.chooser, self.under):
            layout.setSpacing(round(12 * unit))
        self.answer.setMinimumHeight(round(30 * unit))

    def detach(self) -> None:
        """The window closes: the session is given back."""
        self.asking.close()
        super().detach()


class CoastdownPage(TracePage):
    """Glides, found and judged by themselves: which count, which way each went, where they begin and end."""

    title = "Coastdown"
    no_session = "Choose a session in which the car rolled in neutral, both ways."
    heads = ("Glide", "From s", "To s", "km/h", "Back", "")
    COUNTS, BACK = 0, 4

    def __init__(self, desk: JobDesk) -> None:
        super().__init__(desk)
        self.moved: dict[int, tuple[float, float]] = {}
        self._ways_said = False  # until a person says one, each used glide is taken as against the one before
        self._filling = False
        self.wind = line("1.5", 6)
        self.wind.setText("1.5")
        self.table = plain_table(self.heads)
        self.paper = Paper()
        left = QtWidgets.QVBoxLayout()
        left.addWidget(self.table, 1)
        row = QtWidgets.QHBoxLayout()
        for part in (label("read", "Wind changes by"), self.wind, label("read", "m/s between a run and its partner")):
            row.addWidget(part)
        row.addStretch(1)
        left.addLayout(row)
        self.under.addLayout(left, 55)
        self.under.addWidget(self.paper, 45)
        self.put_buttons(button("As found", self._as_found, hint="Every glide as the session proposes it"))
        self.say(words.COAST_CAUTION)
        self.table.itemChanged.connect(self._ticked)
        self.table.currentCellChanged.connect(lambda row, *_: self._row_chosen(row))
        self.wind.textEdited.connect(lambda _: self._ask())
        self.picker.moved.connect(self._moved)
        self.picker.chosen.connect(lambda number: self.table.setCurrentCell(number, 0))

    def read(self, held: Held) -> GlideLook:
        """Road speed, engine speed, and the glides in them."""
        return look_at_glides(held)

    def show_look(self, look: GlideLook) -> None:
        """The proposed glides stand there at once."""
        self.moved, self._ways_said = {}, False
        self.picker.set_spans([Span(row.start_s, row.end_s, str(row.number), row.used) for row in look.glides])
        self._fill(GlideAnswer(look.glides, None, ""), all_of_it=True)
        self._ask()

    def _as_found(self) -> None:
        if self.look is not None:
            self.show_look(self.look)

    def _fill(self, answer: GlideAnswer, *, all_of_it: bool = False) -> None:
        """The table's texts; what a person ticks stays as it is, but where all of it is new."""
        self._filling = True
        self.table.setRowCount(len(answer.glides))
        for place, row in enumerate(answer.glides):
            cells = list(words.glide_cells(row))
            cells[self.BACK] = words.way_word(row)
            for column, text in enumerate(cells):
                item = self.table.item(place, column)
                if item is None:
                    item = QtWidgets.QTableWidgetItem()
                    self.table.setItem(place, column, item)
                if column in (self.COUNTS, self.BACK):
                    item.setFlags(ITEM.ItemIsUserCheckable | ITEM.ItemIsEnabled | ITEM.ItemIsSelectable)
                    if all_of_it or (column == self.BACK and not self._ways_said):
                        item.setCheckState(TICKED if (row.used if column == self.COUNTS else row.way < 0) else EMPTY)
                item.setText(text)
                item.setToolTip(text)
            self.picker.set_counts(place, row.used, str(row.number))
        self._fit()
        self._filling = False

    def _fit(self) -> None:
        self.table.resizeColumnsToContents()
        for column in range(self.table.columnCount() - 1):
            self.table.setColumnWidth(column, self.table.columnWidth(column) + round(14 * self.unit))

    def _ticks(self, column: int) -> frozenset[int]:
        rows = range(self.table.rowCount())
        return frozenset(row + 1 for row in rows if self.table.item(row, column).checkState() == TICKED)

    def _moved(self, number: int) -> None:
        span = self.picker.spans[number]
        self.moved[number + 1] = (span.start_s, span.end_s)
        self.table.setCurrentCell(number, 0)
        self._ask()

    def _row_chosen(self, row: int) -> None:
        if 0 <= row < len(self.picker.spans) and not self._filling:
            self.picker.edge = 2 * row

    def _ticked(self, item: QtWidgets.QTableWidgetItem) -> None:
        if not self._filling:
            self._ways_said |= item.column() == self.BACK
            self._ask()

    def _ask(self) -> None:
        look = self.look
        if look is None or self._filling:
            return
        wind = self._wind()
        if wind is None:
            self.answer.setText(words.NO_WIND)
            self.paper.show_parts([])
            return
        everything = frozenset(range(1, len(look.glides) + 1))
        # A glide that is no coastdown is left out by its own verdict; a tick taken off is a person's word.
        asked = GlideChoice(
            dropped=frozenset(
                n for n in everything - self._ticks(self.COUNTS) if not look.glides[n - 1].why_not or n in self.moved
            ),
            back=self._ticks(self.BACK) if self._ways_said else None,
            stretches=tuple(self.moved.items()),
            wind_mps=wind,
        )
        question: Callable[[Held], GlideAnswer] = lambda held: glide_answer(held, look, asked)  # noqa: E731
        self.asking.ask(question, self._answered)

    def _wind(self) -> float | None:
        """m/s as typed, with a decimal comma or a point; None: no such number. Nothing typed is not 'no wind'."""
        try:
            wind = float(self.wind.text().strip().replace(",", "."))
        except ValueError:
            return None
        return wind if 0 <= wind <= MOST_WIND_MPS else None

    def _answered(self, answer: GlideAnswer) -> None:
        self._fill(answer)
        if self._wind() is None:  # asked before what stands there now was typed
            return
        load = answer.load
        if load is None:
            self.answer.setText(sentence(answer.trouble))
            self.paper.show_parts([])
            return
        self.answer.setText("    ".join(words.coefficient_lines(load)))
        parts: list[Part] = [words.road_load_head(load)]
        parts += [sentence(text) for text in say_all(load.findings)]
        parts += [Sheet(words.LOAD_HEADS, words.road_load_cells(load)), words.road_load_note(load)]
        self.paper.show_parts(parts)

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        super().apply_theme(theme, unit)
        self.paper.setStyleSheet(
            f"QTextBrowser {{ background: {theme.panel}; border: 0; font-size: {round(16 * unit)}px; "
            f"padding: {round(6 * unit)}px; }}"
        )
        self.wind.setFixedWidth(round(80 * unit))
        self.table.verticalHeader().setDefaultSectionSize(round(36 * unit))
        self.table.horizontalHeader().setFixedHeight(round(28 * unit))
        self._fit()


class MarksPage(TracePage):
    """What is said of the holds and pulls of a stretch: left out, kept, knock heard; and a note."""

    title = "Marks"
    no_session = "Choose a session with holds or pulls."
    heads = ("", "From s", "To s", "Speed, rpm", "Found", "Said")

    def __init__(self, desk: JobDesk) -> None:
        super().__init__(desk)
        self.table = plain_table(self.heads)
        self.note = line("A line for the session's note", 300)
        self.acts = {key: button(text, partial(self._mark, key), hint=hint) for key, (text, hint) in marks.ACTS.items()}
        self.keep_note = button("Add note", partial(self._mark, "note"))
        right = QtWidgets.QVBoxLayout()
        grid = QtWidgets.QGridLayout()
        for place, made in enumerate(self.acts.values()):
            grid.addWidget(made, place // 2, place % 2)
        right.addLayout(grid)
        row = QtWidgets.QHBoxLayout()
        row.addWidget(self.note, 1)
        row.addWidget(self.keep_note)
        right.addLayout(row)
        right.addStretch(1)
        self.under.addWidget(self.table, 58)
        self.under.addLayout(right, 42)
        self.buttons.addWidget(self.status, 1)
        self.say(marks.UNDONE)
        self.table.currentCellChanged.connect(lambda row, *_: self._row_chosen(row))
        self.table.cellClicked.connect(lambda row, _: self._row_chosen(row))
        self.picker.moved.connect(lambda _: self._tell())
        self.picker.chosen.connect(self._span_chosen)
        self.stretch: tuple[float, float] | None = None
        self._at = ""  # the session that the stretch is of
        self._tell()

    @property
    def first(self) -> QtWidgets.QWidget:
        """The trace."""
        return self.picker

    def read(self, held: Held) -> MarkLook:
        """The curves, holds and pulls with what was said of them."""
        return look_at_marks(held)

    def show_look(self, look: MarkLook) -> None:
        """The first pull (or hold) is proposed; after a change the stretch stays where it was."""
        before = self.stretch if self._at == look.path else None
        self._at = look.path
        first = look.rows[0] if look.rows else None
        proposed = (first.start_s, first.end_s) if first is not None else (0.0, min(10.0, look.duration_s))
        start, end = before or proposed
        spans = [Span(row.start_s, row.end_s, row.name, row.counts, True, row.kind) for row in look.rows]
        self.stretch = (start, end)
        self.picker.set_spans([Span(start, end, "", ink="text"), *spans])
        self.table.setRowCount(len(look.rows))
        for place, row in enumerate(look.rows):
            for column, text in enumerate(row.cells):
                self.table.setItem(place, column, QtWidgets.QTableWidgetItem(text))
        self._fit()
        self._tell()

    def _inside(self) -> list[MarkRow]:
        """Holds and pulls whose middle lies in the stretch."""
        if self.look is None or self.stretch is None:
            return []
        start, end = self.stretch
        return [row for row in self.look.rows if start <= (row.start_s + row.end_s) / 2 <= end]

    def _touched(self) -> list[MarkRow]:
        """Pulls of which a part lies in the stretch: knock is heard at a moment of a pull."""
        if self.look is None or self.stretch is None:
            return []
        start, end = self.stretch
        return [row for row in self.look.rows if row.kind == "pull" and row.start_s < end and start < row.end_s]

    def _row_chosen(self, row: int) -> None:
        if self.look is not None and 0 <= row < len(self.look.rows):
            one = self.look.rows[row]
            self.picker.set_span(0, one.start_s, one.end_s)
            self._tell()

    def _span_chosen(self, number: int) -> None:
        if number > 0:
            self.table.setCurrentCell(number - 1, 0)

    def _tell(self) -> None:
        """Say what is in the stretch; the buttons act on just that."""
        if self.look is not None and self.picker.spans:
            self.stretch = (self.picker.spans[0].start_s, self.picker.spans[0].end_s)
        inside, touched = self._inside(), self._touched()
        if self.look is not None and self.stretch is not None:
            rpm = speed_range(self.look, *self.stretch)
            names = [row.name for row in inside]
            names += [marks.part_of(row.name) for row in touched if row not in inside]
            self.answer.setText(marks.in_stretch(names, self.stretch, rpm))
        for key, made in self.acts.items():
            made.setEnabled(bool(inside if key in marks.OF_ALL else touched))
        self.keep_note.setEnabled(self.look is not None)

    def _mark(self, key: str) -> None:
        look, stretch = self.look, self.stretch
        if look is None or stretch is None:
            return
        rows, note = self._inside() if key in marks.OF_ALL else self._touched(), self.note.text().strip()
        if key == "note" and not note:
            self.note.setFocus()
            return
        self.asking.change(
            lambda path: mark_stretch(path, key, rows, speed_range(look, *stretch), note), self._marked, self._refused
        )

    def _marked(self, text: str) -> None:
        self.note.clear()
        self.say(text)
        self.desk.look(now=True)
        if self.asking.held is not None:
            self.asking.open(self.asking.held.path, self.read, self._take, self.picker.clear)

    def _refused(self, trouble: str) -> None:
        self.say(f"▲ {one_line(trouble, 300)}")
        if self.asking.held is not None:
            self.asking.open(self.asking.held.path, self.read, self._take, self.picker.clear)

    def _fit(self) -> None:
        self.table.resizeColumnsToContents()
        for column in range(self.table.columnCount() - 1):
            self.table.setColumnWidth(column, self.table.columnWidth(column) + round(14 * self.unit))

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        super().apply_theme(theme, unit)
        self.table.verticalHeader().setDefaultSectionSize(round(36 * unit))
        self.table.horizontalHeader().setFixedHeight(round(28 * unit))
        self._fit()
