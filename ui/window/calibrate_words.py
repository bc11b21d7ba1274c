"""The words of the Calibrate screen: figures rounded to what they are worth. No Qt in here."""

import numpy as np

from stream.calibrate.calfile import SpeedCalibration
from stream.calibrate.shunt import ShuntVerdict
from stream.calibrate.weights import ForceFit
from stream.record.tables import Zero
from ui.window.calibrate_desk import Line, Work

STATES = {"used": "used", "out": "left out", "free": "no target"}


def headline(work: Work) -> str:
    """The calibration in one line, or what keeps it."""
    fit = work.calibration
    if fit is None:
        return work.trouble
    worst = max(half_width(fit, fit.valid_from), half_width(fit, fit.valid_to))
    return f"{fit.valid_from:.0f} to {fit.valid_to:.0f} rpm is known to ±{_up(worst)} rpm or better (95 %)"


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
        f"{fit.residual_sd_rpm:.0f} rpm; the reference's own {fit.scale_error_pct:g} % is in the ±"
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
        "" if line.residual_rpm is None else f"{line.residual_rpm:+.0f}".replace("-", "−"),
        STATES[line.state],
    )


def zero_cells(zero: Zero) -> tuple[str, ...]:
    """from, to, zero with its doubt (95 %), how."""
    doubt = 1.96 * zero.doubt
    return (f"{zero.start_s:.1f}", f"{zero.end_s:.1f}", f"{rounded(zero.mean, zero.doubt)} ± {doubt:.2g}", zero.how)


def shunt_lines(verdict: ShuntVerdict) -> str:
    """What a shunt shows."""
    due, moved = verdict.expected_mv_per_v, verdict.measured_mv_per_v
    return f"due {due:+.3f} mV/V, moved {moved:+.3f} mV/V. {verdict.words[:1].upper()}{verdict.words[1:]}."


def weight_lines(fit: ForceFit, unit: str) -> str:
    """What the weights show."""
    doubt = 1.96 * fit.u_newtons_per_unit
    first = f"1 {unit or 'unit'} is {rounded(fit.newtons_per_unit, fit.u_newtons_per_unit)} ± {doubt:.2g} N (95 %)."
    return " ".join([first, *(f"{line[:1].upper()}{line[1:]}." for line in fit.warnings)])


def _up(rpm: float) -> str:
    return f"{10 * np.ceil(rpm / 10):.0f}" if rpm >= 100 else f"{np.ceil(rpm):.0f}"
