"""The pictures of power and of proposed advance, for paper first."""

from typing import Any

import numpy as np

from stream.study.force.power import TunePower
from stream.study.tables.advice import Advice
from ui.report.canvas import Canvas, look
from ui.text.proposals import STEADY

GREY, DARK = "#DADADA", "#404040"


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
