"""The words of the Calibrate screen: figures rounded to what they are worth. No Qt in here."""

import numpy as np

from stream.calibrate.link.shunt import ShuntVerdict
from stream.calibrate.link.weights import ForceFit
from stream.calibrate.speed.calfile import SpeedCalibration
from stream.record.tables import Zero
from ui.window.calibrate_desk import Line, Work

STATES = {"used": "used", "out": "left out", "free": "no target"}


def headline(work: Work) -> str:
    """The calibration in one line, or what keeps it."""
    fit = work.calibration
    if fit is None:
        return work.trouble
    worst = max(half_width(fit, fit.valid_from), half_width(fit, fit.valid_to))
    return f"{fit.valid_from:.0f} to {fit.valid_to:.0f} rpm is known to ±{_up(worst)} rpm or better (95\u00a0%)"


def formula(work: Work) -> str:
    """The line itself, to as many figures as its doubt allows, and where its doubt comes from."""
    fit = work.calibration
    if fit is None:
        return ""
    sign = "+" if fit.intercept_rpm >= 0 else "−"
    slope = rounded(fit.slope_rpm_per_unit, fit.u_slope)
    zero = rounded(abs(fit.intercept_rpm), fit.u_intercept)
    kind = {"line": "rpm", "through-zero": "through zero: rpm", "piecewise": "a curve, nearest line: rpm"}[fit.model]
    used = sum(point.used for point in fit.points)
    return (
        f"{kind} = {slope} × {work.unit or 'signal'} {sign} {zero}, from {used} holds that scatter by "
        f"{fit.residual_sd_rpm:.0f} rpm; the reference's own {fit.scale_error_pct:g} % is in the ±. "
        "Dotted lines: lowest and highest speed held"
    )


def half_width(fit: SpeedCalibration, rpm: float) -> float:
    """Half of the 95 % interval at a speed, rpm."""
    low, high = fit.interval(fit.signal(rpm))
    return float(high - low) / 2.0


def rounded(value: float, doubt: float) -> str:
    """A value to the first figure of its doubt and one more."""
    if not (np.isfinite(doubt) and doubt > 0):
        return f"{value:.6g}"
    decimals = int(np.clip(1 - np.floor(np.log10(doubt)), 0, 6))
    return f"{value:.{decimals}f}"


def cells(line: Line, unit: str) -> tuple[str, ...]:
    """number, when, signal, target, off by, state; the first column's tick is the table's own."""
    decimals = 3 if unit == "V" else 1
    return (
        str(line.number),
        f"{line.hold.start_s:.0f} s",
        f"{line.hold.signal_mean:.{decimals}f}",
        "" if line.target_rpm is None else f"{line.target_rpm:.0f}",
        "" if line.residual_rpm is None else signed(line.residual_rpm),
        STATES[line.state],
    )


def signed(rpm: float) -> str:
    """A difference in whole rpm, with its sign; 0 has none."""
    whole = round(rpm)
    return f"{whole:+d}".replace("-", "−") if whole else "0"


def zero_cells(zero: Zero) -> tuple[str, ...]:
    """from, to, zero with its doubt (95 %), how."""
    return (f"{zero.start_s:.1f}", f"{zero.end_s:.1f}", with_doubt(zero.mean, zero.doubt), zero.how)


def with_doubt(value: float, doubt: float) -> str:
    """A value with its 95 % doubt, both to the same decimals; `doubt` is standard."""
    if not (np.isfinite(doubt) and doubt > 0):
        return f"{value:.6g}"
    wide = 1.96 * doubt
    decimals = int(np.clip(1 - np.floor(np.log10(wide)), 0, 6))
    step = 10.0 ** max(0.0, np.floor(np.log10(wide)) - 1)
    shown = (f"{number if decimals else round(number / step) * step:.{decimals}f}" for number in (value, wide))
    return " ± ".join(shown).replace("-", "−")


def shunt_lines(verdict: ShuntVerdict) -> str:
    """What a shunt shows."""
    due, moved = verdict.expected_mv_per_v, verdict.measured_mv_per_v
    return f"due {due:+.3f} mV/V, moved {moved:+.3f} mV/V. {verdict.words[:1].upper()}{verdict.words[1:]}."


def weight_lines(fit: ForceFit, unit: str) -> str:
    """What the weights show; the number for the car file only where the reading follows the weights."""
    lines = list(fit.warnings)
    if abs(fit.newtons_per_unit) > 4.0 * fit.u_newtons_per_unit:
        found = with_doubt(fit.newtons_per_unit, fit.u_newtons_per_unit)
        lines.insert(0, f"1 {unit or 'unit'} is {found} N (95\u00a0%)")
        lines.append(f"For the car file: newtons_per_unit = {rounded(fit.newtons_per_unit, fit.u_newtons_per_unit)}")
    return " ".join(f"{line[:1].upper()}{line[1:].rstrip('.?')}." for line in lines)


def _up(rpm: float) -> str:
    return f"{10 * np.ceil(rpm / 10):.0f}" if rpm >= 100 else f"{np.ceil(rpm):.0f}"
