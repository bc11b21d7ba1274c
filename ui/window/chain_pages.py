"""Pages to look something up: the plan of the measuring chain, a survey, air factors, and what words mean."""

import html
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

from pyqtgraph.Qt import QtWidgets

from stream.errors import InputError
from ui.text import cautions
from ui.text.chain import Part, Sheet, plan_parts, survey_parts
from ui.text.findings import say_all
from ui.window.begin_pages import FormPage
from ui.window.forms import button, choice, line
from ui.window.job_desk import JobDesk, JobPage, file_row
from ui.window.launch import FieldError, numbers_of
from ui.window.panels import label
from ui.window.theme import Theme

TOLD, OTHER_PUMP = "not known; fill in Input threshold and Tap at idle", "with charge moved {other} a cycle"
Number = tuple[str, str, str, str, str]  # key as `plan_of` has it, caption, what stands in it, unit, hint
PLAN: Final[tuple[Number, ...]] = (
    ("pulses", "Pulses a turn", "4", "", "Of the tap, a turn of the crankshaft."),
    ("redline", "Redline", "7400", "rpm", "The highest speed that must be seen."),
    ("idle", "Idle", "800", "rpm", "The lowest."),
    ("supply", "Converter's supply", "5", "V", ""),
    ("output-headroom", "Output headroom", "1.5", "V", "How far below its supply the output stage stops; data sheet."),
    ("output", "Output at redline", "", "V", "Empty: supply less headroom, 4.5 V at most."),
    ("pump-current", "Pump current", "150", "µA", "The most its pump delivers; data sheet."),
    ("input-threshold", "Input threshold", "", "V", "Amplitude its input needs, hysteresis included."),
    ("tap-at-idle", "Tap at idle", "", "V", "Amplitude of the tap's pulses there, where it grows with speed."),
    ("ceiling", "Ceiling", "", "Hz", "Of a converter that is there already."),
    ("ripple", "Ripple at idle", "60", "rpm", "What may be left, peak to peak."),
    ("response", "Response", "100", "ms", "How soon the output must have followed, within 2 %."),
    ("pull", "A hard pull", "1500", "rpm/s", "How fast the engine gains speed."),
    ("tolerance", "Capacitor's tolerance", "5", "%", "Of the timing capacitor."),
    ("input-range", "Analogue input", "5", "V", "What it covers."),
    ("excitation", "Bridge supply", "5", "V", ""),
    ("gain", "Amplifier's gain", "500", "", ""),
    ("gauge-factor", "Gauge factor", "2", "", "Off the gauges' packet."),
    ("band", "Rev band", "250", "rpm", "Width in which pulls are studied."),
    ("wheel-hop", "Wheel hop", "12", "Hz", "Where the axle bounces: 10 to 15 on most cars."),
)
MAY_BE_EMPTY: Final = ("output", "input-threshold", "tap-at-idle", "ceiling")
AIR_FIRST: Final = (
    "The factors come here",
    "What a torque is multiplied by to stand for standard air: SAE J1349, ISO 1585.",
)
BRIDGES: Final = ("full-bending", "full-axial", "full-torsion", "half-bending", "half-poisson", "quarter")


class Paper(QtWidgets.QTextBrowser):
    """Lines and tables to be read, chosen and copied."""

    def show_parts(self, parts: Sequence[Part]) -> None:
        """Write them; what people named is never taken for markup."""
        self.setHtml("".join(_written(part) for part in parts))

    def show_lines(self, lines: Sequence[str]) -> None:
        """Write lines, the first of them as a heading."""
        first, *rest = lines
        self.setHtml(f"<h3>{html.escape(first)}</h3>" + "".join(f"<p>{html.escape(text)}</p>" for text in rest))


def _written(part: Part) -> str:
    if isinstance(part, str):
        head, colon, rest = part.partition(": ")
        if colon and len(head) < 40:
            return f"<p><b>{html.escape(head[:1].upper() + head[1:])}:</b> {html.escape(rest)}</p>"
        return f"<p>{html.escape(part[:1].upper() + part[1:])}</p>"
    return _table(part)


def _table(sheet: Sheet) -> str:
    def cell(tag: str, column: int, text: str) -> str:
        side = "left" if column in sheet.left else "right"
        nowrap = ' style="white-space: nowrap"' if column in sheet.left else ""
        return f'<{tag} align="{side}"{nowrap}>{html.escape(text)}</{tag}>'

    heads = "".join(cell("th", place, text) for place, text in enumerate(sheet.heads))
    rows = "".join(
        "<tr>" + "".join(cell("td", place, text) for place, text in enumerate(row)) + "</tr>" for row in sheet.rows
    )
    return f'<table cellpadding="5"><tr>{heads}</tr>{rows}</table>'


class AnswerPage(FormPage):
    """A form on the left, what comes of it on the right."""

    share = (56, 44)
    stacked = False  # the form over the answer, where it is a line or two

    def __init__(self, desk: JobDesk) -> None:
        super().__init__(desk)
        self.paper = Paper()
        self.caution = label("caption")
        self.caution.setWordWrap(True)
        self.frame = frame = self.body.takeAt(0).widget()
        row = QtWidgets.QVBoxLayout() if self.stacked else QtWidgets.QHBoxLayout()
        row.addWidget(frame, self.share[0])
        row.addWidget(self.paper, self.share[1])
        self.body.addLayout(row, 1)
        self.body.addWidget(self.caution)

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        super().apply_theme(theme, unit)
        if self.stacked:
            self.frame.setFixedHeight(self.form.sizeHint().height() + round(40 * unit))
        self.paper.setStyleSheet(
            f"QTextBrowser {{ background: {theme.panel}; border: 0; font-size: {round(16 * unit)}px; "
            f"padding: {round(8 * unit)}px; }}"
        )


class PlanPage(AnswerPage):
    """The chain on paper before anything is built: frequencies, the converter's parts, what the input resolves."""

    title = "Plan the chain"

    def __init__(self, desk: JobDesk) -> None:
        super().__init__(desk)
        for key, caption, text, unit, hint in PLAN:
            field = line("", 12)
            field.setText(text)
            field.setToolTip(hint)
            field.editingFinished.connect(self.go)
            self.form.add(key, caption, [field], unit, hint)
        for key, caption, choices, hint in (
            ("pump", "Charge is moved", ("twice", "once"), "In a cycle: half of it each time, or all of it once."),
            ("bits", "Bits of the input", ("8", "10", "12", "16", "18", "24"), ""),
            ("bridge", "How the gauges sit", BRIDGES, ""),
        ):
            box = choice(choices)
            box.activated.connect(self.go)
            self.form.add(key, caption, [box], hint=hint)
        self.form.put("bits", "12")
        self.form.field_width = 150
        self.caution.setText(cautions.CHAIN)
        self.put_buttons(button("Work it out", self.go, primary=True))

    def begin(self, what: Any = None) -> None:
        """Redline and pulses are those of the car file, where there is one."""
        car = self.desk.memory.car
        if car is not None:
            from stream.car import load_car

            try:
                engine = load_car(car).engine
            except InputError:
                engine = None
            for key, value in (
                ("pulses", getattr(engine, "pulses_per_turn", None)),
                ("redline", getattr(engine, "redline_rpm", None)),
            ):
                if value is not None:
                    self.form.put(key, f"{value:g}")
        self.go()

    def go(self) -> None:
        """Work the plan out for what stands in the fields."""
        parts = self.attempt(self._plan)
        if parts is not None:
            self.paper.show_parts(parts)

    def _plan(self) -> list[Part]:
        from stream.calibrate.chain.plan import plan_of

        asked: dict[str, float | None] = {}
        for key, *_ in PLAN:
            values = numbers_of(key, self.form.text(key), "4")
            if len(values) > 1 or (not values and key not in MAY_BE_EMPTY):
                raise FieldError(key, "one number is wanted")
            asked[key] = values[0] if values else None
        bridge: Any = self.form.text("bridge")
        pump: Any = self.form.text("pump")
        try:
            plan = plan_of(asked, bits=int(self.form.text("bits")), bridge=bridge, pump=pump)
        except InputError as error:
            name = error.values.get("name")
            if name is None:
                raise
            raise FieldError(str(name), str(error)) from None
        return plan_parts(plan, TOLD, OTHER_PUMP)


class SurveyPage(AnswerPage):
    """What a drive tells of the measuring chain, and what to change."""

    title = "Survey"
    share = (0, 100)
    stacked = True

    def __init__(self, desk: JobDesk) -> None:
        super().__init__(desk)
        field = file_row(self, line("a session"), "A session to survey", "h5", "Sessions")
        self.form.add("session", "Session", field)
        self.form.field_width = 900
        self.caution.setText(cautions.SHORT)
        self.put_buttons(button("Survey it", self.go, primary=True))

    def begin(self, what: Any = None) -> None:
        """A session with held speeds is offered: it tells most."""
        found = self.desk.found
        first = [*found.holds, *found.pulls]
        if what or (first and not self.form.text("session")):
            self.form.put("session", str(what or first[0].path))
            self.go()

    def go(self) -> None:
        """Survey the session off the window's thread."""
        path = self.form.text("session")
        self.form.clear()
        if not path:
            self.form.complain("session", "choose a session")
            return
        self.run("surveying", lambda _: survey_paper(Path(path).expanduser()), self.paper.show_parts)

    def failed(self, trouble: str) -> None:
        """The session is what can be mended."""
        self.form.complain("session", trouble)


def survey_paper(path: Path) -> list[Part]:
    """The survey of a session, and what must be said with it. Raises InputError."""
    from stream.study.survey.survey import survey_session

    survey = survey_session(path)
    return [*survey_parts(survey), *(f"note: {words}" for words in say_all(survey.remarks))]


class AirPage(AnswerPage):
    """Correction factors of full-throttle torque to standard air."""

    title = "Air"

    def __init__(self, desk: JobDesk) -> None:
        super().__init__(desk)
        add = self.form.add
        add("temperature", "Temperature", [line("18", 8)], "°C", "Of the air that the engine takes in.")
        add("pressure", "Pressure", [line("1002", 8)], "hPa", "Where the car stands; with an altitude, at sea level.")
        add("humidity", "Relative humidity", [line("55", 8)], "%")
        add("altitude", "Altitude", [line("", 8)], "m", "Only where the pressure is that of a weather report.")
        self.form.field_width = 150
        self.paper.show_lines(AIR_FIRST)
        self.put_buttons(button("Work it out", self.go, primary=True))

    def go(self) -> None:
        """Work the factors out."""
        lines = self.attempt(self._lines)
        if lines is not None:
            self.paper.show_lines(lines)

    def _lines(self) -> list[str]:
        from stream.study.force.air import air_factors, range_findings

        values: dict[str, float | None] = {}
        for key in ("temperature", "pressure", "humidity", "altitude"):
            found = numbers_of(key, self.form.text(key), "18")
            if len(found) > 1 or (not found and key != "altitude"):
                raise FieldError(key, "one number is wanted")
            values[key] = found[0] if found else None
        temperature, pressure, humidity = (values[key] or 0.0 for key in ("temperature", "pressure", "humidity"))
        air = air_factors(temperature, pressure, humidity, values["altitude"])
        if air.sae_j1349 is None or air.iso_1585 is None:
            first = "No factor: out of the standards' range"
        else:
            first = f"SAE J1349: {air.sae_j1349:.4f} · ISO 1585: {air.iso_1585:.4f}"
        station = air.dry_pressure_hpa + air.vapour_pressure_hpa
        return [
            first,
            *(f"Warning: {words}." for words in say_all(range_findings(temperature, air))),
            f"Pressure where the car stands {station:.1f} hPa, of it water vapour {air.vapour_pressure_hpa:.1f} hPa.",
            "Full throttle without boost only; on both sides of a comparison or on neither.",
        ]


class WordsPage(JobPage):
    """What a term, a fault or a warning means: to be searched."""

    title = "Words"

    def __init__(self, desk: JobDesk) -> None:
        super().__init__(desk)
        self.search = line("Search: residual, zero, wheelspin …", 60)
        self.list, self.paper = QtWidgets.QListWidget(), Paper()
        row = QtWidgets.QHBoxLayout()
        row.addWidget(self.list, 35)
        row.addWidget(self.paper, 65)
        self.body.addWidget(self.search)
        self.body.addLayout(row, 1)
        self.search.textChanged.connect(self._find)
        self.list.currentTextChanged.connect(self._show)

    def begin(self, what: Any = None) -> None:
        """`what` is a term to open."""
        self.search.setText(str(what or ""))
        self._find()

    @property
    def first(self) -> QtWidgets.QWidget:
        """The search."""
        return self.search

    def _find(self) -> None:
        from ui.text.reference import pages

        wanted = self.search.text().casefold().replace(" ", "-")
        known = pages()
        hits = [name for name, one in known.items() if one.kind != "exit-code" and wanted in name]
        hits += [
            name
            for name, one in known.items()
            if one.kind != "exit-code" and name not in hits and self.search.text().casefold() in one.about.casefold()
        ]
        self.list.clear()
        self.list.addItems(hits)
        if hits:
            self.list.setCurrentRow(0)
        else:
            self.paper.show_lines(["No such word"])

    def _show(self, name: str) -> None:
        from ui.text.reference import in_words, pages

        one = pages().get(name)
        if one is not None:
            self.paper.show_lines(in_words(one))

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        super().apply_theme(theme, unit)
        big = f"background: {theme.panel}; border: 0; font-size: {round(18 * unit)}px; padding: {round(8 * unit)}px;"
        self.list.setStyleSheet(
            f"QListWidget {{ {big} }} QListWidget::item {{ padding: {round(6 * unit)}px; }} "
            f"QListWidget::item:selected {{ background: {theme.line}; color: {theme.text}; }}"
        )
        self.paper.setStyleSheet(f"QTextBrowser {{ {big} }}")
