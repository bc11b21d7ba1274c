"""The words of the Calibrate screen."""

import numpy as np

from stream.calibrate.link.bridge import ForceFit, ShuntVerdict
from stream.calibrate.speed.calfile import SpeedCalibration
from stream.live.records import Hold
from stream.record.tables import Zero
from ui.text.chain import shunt_words
from ui.text.figures import figures, plus_minus, signed, whole
from ui.text.findings import say_all
from ui.text.lines import sentence

STATES = {"used": "used", "out": "left out", "free": "no target"}


def headline(fit: SpeedCalibration | None, trouble: str) -> str:
    """The calibration in one line, or what keeps it."""
    if fit is None:
        return trouble
    worst = max(half_width(fit, fit.valid_from), half_width(fit, fit.valid_to))
    return f"{fit.valid_from:.0f} to {fit.valid_to:.0f} rpm is known to ±{_up(worst)} rpm or better (95\u00a0%)"


def formula(fit: SpeedCalibration | None, unit: str) -> str:
    """The line itself, to as many figures as its uncertainty allows, and where that comes from."""
    if fit is None:
        return ""
    sign = "+" if fit.intercept_rpm >= 0 else "−"
    slope = figures(fit.slope_rpm_per_unit, fit.u_slope)
    zero = figures(abs(fit.intercept_rpm), fit.u_intercept)
    kind = {"line": "rpm", "through-zero": "through zero: rpm", "piecewise": "a curve, nearest line: rpm"}[fit.model]
    used = sum(point.used for point in fit.points)
    return (
        f"{kind} = {slope} × {unit or 'signal'} {sign} {zero}, from {used} holds that scatter by "
        f"{fit.residual_sd_rpm:.0f} rpm; the reference's own {fit.scale_error_pct:g} % is in the ±. "
        "Dotted lines: lowest and highest speed held"
    )


def half_width(fit: SpeedCalibration, rpm: float) -> float:
    """Half of the 95 % interval at a speed, rpm."""
    low, high = fit.interval(fit.signal(rpm))
    return float(high - low) / 2.0


def cells(
    number: int, hold: Hold, target_rpm: float | None, residual_rpm: float | None, state: str, unit: str
) -> tuple[str, ...]:
    """number, when, signal, target, residual, state; the first column's tick is the table's own."""
    decimals = 3 if unit == "V" else 1
    return (
        str(number),
        f"{hold.start_s:.0f} s",
        f"{hold.signal_mean:.{decimals}f}",
        whole(target_rpm),
        signed(residual_rpm),
        STATES[state],
    )


def zero_cells(zero: Zero) -> tuple[str, ...]:
    """from, to, zero with its uncertainty (95 %), how."""
    return (f"{zero.start_s:.1f}", f"{zero.end_s:.1f}", plus_minus(zero.mean, zero.doubt), zero.how)


def shunt_lines(verdict: ShuntVerdict) -> str:
    """What a shunt shows."""
    due, moved = verdict.expected_mv_per_v, verdict.measured_mv_per_v
    return f"due {due:+.3f} mV/V, moved {moved:+.3f} mV/V. {sentence(shunt_words(verdict))}"


def weight_lines(fit: ForceFit, unit: str) -> str:
    """What the weights show; the number for the car file only where the reading follows the weights."""
    lines = say_all(fit.findings)
    if abs(fit.newtons_per_unit) > 4.0 * fit.u_newtons_per_unit:
        found = plus_minus(fit.newtons_per_unit, fit.u_newtons_per_unit)
        lines.insert(0, f"1 {unit or 'unit'} is {found} N (95\u00a0%)")
        lines.append(f"For the car file: newtons_per_unit = {figures(fit.newtons_per_unit, fit.u_newtons_per_unit)}")
    return " ".join(sentence(line) for line in lines)


def _up(rpm: float) -> str:
    return f"{10 * np.ceil(rpm / 10):.0f}" if rpm >= 100 else f"{np.ceil(rpm):.0f}"
