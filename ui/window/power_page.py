"""The Power page: force, torque and power at the wheels by rev band, and the steady-equivalent line beside it."""

from functools import partial
from itertools import pairwise

from pyqtgraph.Qt import QtWidgets

from stream.study.force.power import Power, PowerBand, TunePower
from ui.text.figures import tune_name
from ui.text.findings import codes_said, ranked, say_all
from ui.text.reference import hover
from ui.text.tables import STEADY, STEADY_NOTE
from ui.window import study_work as work
from ui.window.cells_table import CellsModel, cells_view, size_table
from ui.window.compare_items import Line
from ui.window.curve_plot import CurvePlot
from ui.window.panels import label
from ui.window.study_page import EMPTY_DETAIL, EMPTY_TITLE, StudyPage, may_shrink
from ui.window.theme import Theme

ONE_WAY, BOTH_WAYS = "slope and wind not known", "each pull against the one before"


class PowerPage(StudyPage):
    """Worked out from all opened sessions; a tune at a time is shown."""

    no_answer = "No power"
    decides = f"What follows from these numbers, a person decides. {STEADY_NOTE}"
    caution = (
        "More power is more heat: watch knock, mixture and exhaust heat. A closed road, a second person at the screen; "
        "local law rules, and no number here replaces a licensed professional."
    )

    def __init__(self) -> None:
        super().__init__("power")
        self.result: Power | None = None
        self.tune = QtWidgets.QComboBox()
        self.ways = QtWidgets.QComboBox()
        self.ways.addItems([ONE_WAY, BOTH_WAYS])
        self.ways.setToolTip("Pulls in turns up and down the road: slope and wind then show, and are taken off.")
        for part in (label("caption", "Tune"), self.tune, label("caption", "Road"), self.ways):
            self.top.addWidget(part)
        self.coastdown = QtWidgets.QPushButton("Coastdown…")
        self.coastdown.setToolTip("Road load A, B and C from rolling in neutral")
        self.top.addStretch(1)
        self.top.addWidget(self.status)
        self.top.addWidget(self.coastdown)
        self.power = CurvePlot("Power, kW")
        self.torque, self.force = CurvePlot("Wheel torque, Nm"), CurvePlot("Force, N")
        self.cells = CellsModel(parent=self)
        self.table = cells_view(self.cells)
        self.figure = QtWidgets.QWidget()
        self.grid = QtWidgets.QGridLayout(self.figure)
        self.grid.addWidget(self.power, 0, 0, 1, 2)
        self.grid.addWidget(self.torque, 1, 0)
        self.grid.addWidget(self.force, 1, 1)
        self.grid.setRowStretch(0, 54)
        self.grid.setRowStretch(1, 46)
        for part in (self.figure, self.table):
            may_shrink(part)
            self.body.addWidget(part, 50)
        self.tune.activated.connect(self.show_tune)
        self.ways.activated.connect(self.begin)
        self.empty()

    def empty(self) -> None:
        """No result."""
        self.result = None
        self.tune.clear()
        self._show(None)
        detail = "" if self.paths else EMPTY_DETAIL
        self.say("idle", "Not worked out yet" if self.paths else EMPTY_TITLE, detail)

    def begin(self) -> None:
        """Work power out for the sessions."""
        paths, both_ways = self.paths, self.ways.currentText() == BOTH_WAYS
        if paths:
            self.run("working power out", lambda _: work.work_out_power(paths, both_ways), self.take)

    def take(self, result: Power) -> None:
        """Show a result, the tune that was shown before where it is still there."""
        before = self.tune.currentText()
        self.result = result
        self.tune.clear()
        for one in result.tunes:
            self.tune.addItem(tune_name(one.tune))
        self.tune.setCurrentIndex(max(0, self.tune.findText(before)) if result.tunes else -1)
        self.show_tune()

    def show_tune(self) -> None:
        """Show the tune that is chosen."""
        if self.result is None:
            return
        place = self.tune.currentIndex()
        tune = self.result.tunes[place] if 0 <= place < len(self.result.tunes) else None
        self._show(tune)
        shown = [finding for finding in self.result.findings if finding.code != "power-tunes"]  # one at a time anyway
        with codes_said() as codes:
            self.say(*work.power_title(self.result, tune), say_all(ranked(shown)))
        self.foot.setToolTip(hover(codes))

    def _show(self, tune: TunePower | None) -> None:
        bands = () if tune is None else tune.bands
        self.cells.show_cells(work.POWER_HEADS, [] if tune is None else work.power_rows(tune))
        step = min((b.rpm - a.rpm for a, b in pairwise(bands)), default=250.0)

        def line(value: str, u: str, solid: bool = True) -> Line:
            return Line(tuple(partial(_point, value, u)(band) for band in bands), trial=solid)

        if not bands:
            for plot in (self.power, self.torque, self.force):
                plot.show_lines([], ())
            return
        wheels = line("wheel_power_kw", "u_wheel_power_kw")
        steady = line("steady_equivalent_kw", "u_steady_equivalent_kw", False)
        self.power.show_lines([wheels, steady], ("at the wheels", STEADY), step)
        self.torque.show_lines([line("wheel_torque_nm", "u_wheel_torque_nm")], (), step)
        self.force.show_lines([line("force_n", "u_force_n")], (), step)

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        super().apply_theme(theme, unit)
        self.grid.setContentsMargins(0, 0, 0, 0)
        self.grid.setSpacing(round(10 * unit))
        for plot in (self.power, self.torque, self.force):
            plot.apply_theme(theme, unit)
        size_table(self.table, unit, lines=2)


def _point(value: str, u: str, band: PowerBand) -> tuple[float, float, float | None, float | None]:
    middle, half = float(getattr(band, value)), 1.96 * float(getattr(band, u))
    return band.rpm, middle, middle - half, middle + half
