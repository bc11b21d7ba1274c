"""The pictures of a report. Each draws on a canvas, for paper first: dashes, markers and fillings tell things apart
where there is no colour.
"""

from typing import Any

import numpy as np

from stream.calibrate.speed.calfile import SpeedCalibration
from stream.study.compare.answer import Comparison
from stream.study.compare.curve import Curves
from stream.study.dataset import Dataset
from stream.study.force.power import TunePower
from stream.study.tables.gate import Advice
from ui.report.canvas import Canvas, drawable, look
from ui.text.maps import CellMap, Dot, Fill, Line, Palette, strokes
from ui.text.tables import STEADY

GREY, DARK = "#DADADA", "#404040"


def draw_drive(canvas: Canvas, session: Dataset) -> None:
    """Engine speed over a session, with holds and pulls marked."""
    axes = canvas.axes(margins=(0.62, 0.22, 0.12, 0.06))
    time, speed = session.time_s, session.speed_rpm
    step = max(1, len(time) // 3000)
    axes.plot(time[::step], speed[::step], color="black", linewidth=0.7)
    for pull in session.pulls:
        clean = pull.verdict == "clean"
        axes.axvspan(
            pull.start_s,
            pull.end_s,
            facecolor=GREY if clean else "white",
            edgecolor=DARK,
            hatch=None if clean else "/////",
            linewidth=0.4,
            zorder=0.5,
        )
    for hold in session.holds:
        axes.plot(
            [hold.start_s, hold.end_s],
            [hold.speed_rpm] * 2,
            color="#D55E00",
            linewidth=3,
            alpha=0.8,
            solid_capstyle="butt",
        )
    axes.set_xlim(0, max(session.duration_s, 1.0))
    axes.set_ylim(bottom=0)
    axes.set_ylabel("rpm")
    axes.xaxis.set_major_formatter("{x:g} s")


def draw_calibration(canvas: Canvas, fit: SpeedCalibration) -> None:
    """Points, line and band above; what each point departs from the line below."""
    used = [point for point in fit.points if point.used and point.target_rpm is not None]
    unused = [point for point in fit.points if not point.used and point.target_rpm is not None]
    signals = [point.signal for point in (*used, *unused)] or [fit.signal(fit.valid_from), fit.signal(fit.valid_to)]
    pad = 0.05 * (max(signals) - min(signals) or 1.0)
    x = np.linspace(min(signals) - pad, max(signals) + pad, 200)
    middle, (low, high) = fit.rpm(x), fit.interval(x)
    upper = canvas.axes((0, 0.42, 1, 1), (0.62, 0.1, 0.12, 0.3))
    upper.plot(x, middle, color="black", label="line" if not fit.knots else "broken line")
    lower = canvas.axes((0, 0, 1, 0.42), (0.62, 0.42, 0.12, 0.1), sharex=upper)
    lower.axhline(0, color="black", linewidth=0.9)
    for axes, shift in ((upper, 0.0), (lower, middle)):
        axes.fill_between(x, low - shift, high - shift, color=GREY, linewidth=0, label="95 % band", zorder=0.6)
        for edge in (low, high):
            axes.plot(x, edge - shift, color=DARK, linewidth=0.6, linestyle="--")
    for points, marker, label in ((used, "o", "held speed"), (unused, "x", "left out")):
        if not points:
            continue
        volts = np.array([point.signal for point in points])
        targets = np.array([point.target_rpm for point in points])
        for axes, values in ((upper, targets), (lower, targets - fit.rpm(volts))):
            axes.plot(volts, values, linestyle="", color="#D55E00", markersize=5, marker=marker, label=label)
    upper.set_ylabel("rpm")
    upper.tick_params(labelbottom=False)
    lower.set_ylabel("departure, rpm")
    lower.set_xlabel(drawable(f"signal, {fit.unit}" if fit.unit else "signal"))
    _legend(upper)


def draw_curves(canvas: Canvas, result: Curves, width_rpm: float) -> None:
    """Mean load in each rev band with its 95 % interval, a line for each tune."""
    axes = canvas.axes()
    count = len(result.tunes)
    for number, tune in enumerate(result.tunes):
        shift = (number - (count - 1) / 2) * 0.12 * width_rpm if count > 1 else 0.0  # so that whiskers stand apart
        rpm = np.array([band.rpm for band in tune.bands])
        mean = np.array([band.mean for band in tune.bands])
        half = np.array([0.0 if band.high is None else band.high - band.mean for band in tune.bands])
        style = look(number)
        axes.errorbar(
            rpm + shift,
            mean,
            yerr=half,
            capsize=2,
            elinewidth=0.8,
            label=drawable(tune.tune or "no name"),
            markerfacecolor="white" if number % 2 else style["color"],
            **style,
        )
    axes.set_xlabel("engine speed, rpm")
    axes.set_ylabel(drawable(f"load, {result.unit}" if result.unit else "load"))
    _legend(axes)


def draw_comparison(canvas: Canvas, result: Comparison) -> None:
    """Change of load by rev band, dots with whiskers around zero; the overall change stands apart on the right."""
    axes = canvas.axes((0, 0, 0.84, 1))
    beside = canvas.axes((0.84, 0, 1, 1), (0.08, 0.42, 0.12, 0.3), sharey=axes)
    for band in result.bands:
        if band.change_pct is not None:
            _dot(axes, band.rpm, band.change_pct, band.low_pct, band.high_pct, band.resolved)
    overall = result.overall
    if overall.change_pct is not None:
        _dot(beside, 0.0, overall.change_pct, overall.low_pct, overall.high_pct, overall.resolved)
    for part in (axes, beside):
        part.axhline(0, color="black", linewidth=1.0)
        part.margins(y=0.08)
    beside.set_xlim(-1, 1)
    beside.set_xticks([0], ["overall"])
    beside.tick_params(labelleft=False)
    axes.set_xlabel("engine speed, rpm")
    axes.set_ylabel("change of load, %")
    for label, filled, marker in (("resolved", "black", "s"), ("not resolved", "white", "o")):
        axes.plot([], [], marker=marker, linestyle="", color="black", markerfacecolor=filled, label=label)
    _legend(axes)


def _dot(axes: Any, x: float, middle: float, low: float | None, high: float | None, resolved: bool) -> None:
    if low is not None and high is not None:
        axes.errorbar(
            [x],
            [middle],
            yerr=[[middle - low], [high - middle]],
            color="black",
            capsize=2.5,
            elinewidth=0.9,
            linestyle="",
        )
    axes.plot(
        [x],
        [middle],
        marker="s" if resolved else "o",
        markersize=5.5 if resolved else 4.5,
        linestyle="",
        color="black",
        markerfacecolor="black" if resolved else "white",
    )


def _legend(axes: Any) -> None:
    axes.legend(loc="lower left", bbox_to_anchor=(0, 1.0), ncols=5, borderaxespad=0.2, handlelength=3.2)


PAPER = Palette("#FFFFFF", "#111111", "#4D5762", "#B4BFC7", "#0067A8", "#B93A00", "#FFFFFF")
POINTS = 72.0  # an inch


def draw_cells(canvas: Canvas, shown: CellMap) -> None:
    """A map of a table's cells."""
    from matplotlib.collections import LineCollection
    from matplotlib.patches import Circle, Rectangle

    width, height = canvas.width * POINTS, canvas.height * POINTS
    axes = canvas.axes(margins=(0.0, 0.0, 0.0, 0.0), xlim=(0.0, width), ylim=(height, 0.0))
    axes.set_axis_off()
    for order, one in enumerate(strokes(shown, PAPER, width, height, least_text=3.5), 1):
        if isinstance(one, Fill):
            style: dict[str, Any] = {"fill": False, "edgecolor": one.colour, "linewidth": one.edge}
            style = style if one.edge else {"facecolor": one.colour, "linewidth": 0.0}
            axes.add_patch(Rectangle((one.x, one.y), one.width, one.height, zorder=order, **style))
        elif isinstance(one, Line):
            ends = [((one.x, one.y), (one.to_x, one.to_y))]
            axes.add_collection(
                LineCollection(ends, colors=one.colour, linewidths=one.width, zorder=order), autolim=False
            )
        elif isinstance(one, Dot):
            axes.add_patch(Circle((one.x, one.y), one.radius, color=one.colour, linewidth=0.0, zorder=order))
        else:
            place = {"ha": "right" if one.to_right else "center", "va": "center_baseline", "zorder": order}
            weight = "bold" if one.bold else "normal"
            axes.text(one.x, one.y, drawable(one.text), size=one.size, color=one.colour, weight=weight, **place)


def draw_power(canvas: Canvas, tune: TunePower) -> None:
    """Power at the wheels with the steady-equivalent line, and torque at the wheels, by rev band."""
    power, torque = canvas.axes((0, 0, 0.6, 1)), canvas.axes((0.6, 0, 1, 1))
    rpm = np.array([band.rpm for band in tune.bands])
    for number, (axes, value, u, label) in enumerate(
        (
            (power, "wheel_power_kw", "u_wheel_power_kw", "at the wheels"),
            (power, "steady_equivalent_kw", "u_steady_equivalent_kw", STEADY),
            (torque, "wheel_torque_nm", "u_wheel_torque_nm", "at the wheels"),
        )
    ):
        middle = np.array([getattr(band, value) for band in tune.bands])
        half = 1.96 * np.array([getattr(band, u) for band in tune.bands])
        steady = number == 1
        axes.fill_between(
            rpm,
            middle - half,
            middle + half,
            linewidth=0.4,
            zorder=0.7 if steady else 0.6,
            facecolor="none" if steady else GREY,
            edgecolor=DARK if steady else GREY,
            hatch="////" if steady else None,
        )
        style = look(int(steady))
        axes.plot(rpm, middle, label=label, markerfacecolor="white" if steady else style["color"], **style)
    power.set_ylabel("power, kW")
    torque.set_ylabel("torque, Nm")
    for axes in (power, torque):
        axes.set_xlabel("engine speed, rpm")
        axes.set_ylim(bottom=0)
        axes.legend(loc="lower left", bbox_to_anchor=(0, 1.0), ncols=2, borderaxespad=0.2, handlelength=3.2)


def draw_advance(canvas: Canvas, advice: Advice) -> None:
    """Advance at full load now and proposed, with the interval of the best."""
    axes = canvas.axes()
    cells = [cell for cell in advice.cells if cell.second_axis is None and cell.now is not None]
    rpm = np.array([cell.rpm for cell in cells])
    rows: tuple[tuple[str, list[float], dict[str, Any]], ...] = (
        ("now", [cell.now or 0.0 for cell in cells], {**look(0), "markerfacecolor": "white"}),
        ("proposed", [np.nan if cell.proposed is None else cell.proposed for cell in cells], look(1)),
    )
    for label, values, style in rows:
        axes.plot(rpm, values, label=label, **style)
    low, high = axes.get_ylim()
    for cell in cells:
        if cell.low is None and cell.high is None:
            continue
        ends = (low if cell.low is None else cell.low, high if cell.high is None else cell.high)
        axes.plot([cell.rpm] * 2, ends, color=DARK, linewidth=0.9, zorder=1.5)
        for end, bound, arrow in ((ends[0], cell.low, "v"), (ends[1], cell.high, "^")):
            axes.plot([cell.rpm], [end], marker=arrow if bound is None else "_", color=DARK, markersize=5, zorder=1.5)
    axes.set_xlabel("engine speed, rpm")
    axes.set_ylabel("advance, ° before TDC")
    axes.legend(loc="lower left", bbox_to_anchor=(0, 1.0), ncols=2, borderaxespad=0.2, handlelength=3.2)
