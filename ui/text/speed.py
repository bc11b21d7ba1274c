"""Sentences. Speed calibration, and the words of the Calibrate screen."""

from collections.abc import Mapping
from typing import Any

import numpy as np

from stream.calibrate.link.bridge import ForceFit, ShuntVerdict
from stream.calibrate.speed.calfile import SpeedCalibration
from stream.live.records import Hold
from stream.record.tables import Zero
from ui.text.figures import figures, plus_minus, sentence, signed, whole
from ui.text.findings import Sentence, say_all
from ui.text.survey import shunt_words

ZERO_THERE = "The stretch that this session proposes is a zero already. Move the range to take another one."


def thousands(rpm: float) -> str:
    """A speed to the nearest ten, thousands set apart: 1 900."""
    return f"{round(rpm, -1 if rpm < 10_000 else -2):,.0f}".replace(",", " ")


def _ambiguous(values: Mapping[str, Any]) -> str:
    rows = list(zip(values["start_s"], values["used_rpm"], values["other_rpm"], strict=True))
    named = ", ".join(f"{start:.1f} s as {used:g} or {other:g} rpm" for start, used, other in rows[:4])
    more = f" and {len(rows) - 4} more" if len(rows) > 4 else ""
    return (
        f"ambiguous: the row can be read in two ways, nearly as well: the hold at {named}{more}; the first is used. "
        "Check it, or name the holds by their start (fit … --at START_S=RPM)"
    )


def _suspect(values: Mapping[str, Any]) -> str:
    side = "below" if values["off_rpm"] < 0 else "above"
    return (
        f"suspect: the hold at {values['start_s']:.1f} s lies {abs(values['off_rpm']):.0f} rpm {side} its target by "
        f"the other points (studentised residual {values['studentised']:+.1f}); was another speed held or read?"
    )


def _unsteady(values: Mapping[str, Any]) -> str:
    head = f"the hold at {values['start_s']:.1f} s is not used: by the fitted line it"
    if values["drift_rpm_per_s"] is not None:
        return f"{head} drifts by {values['drift_rpm_per_s']:+.0f} rpm/s"
    return f"{head} swings by ±{values['swing_rpm']:.0f} rpm, and a hold stays within ±{values['band_rpm']:.0f} rpm"


def _restless(values: Mapping[str, Any]) -> str:
    starts = [f"{start:.1f} s" for start in values["start_s"]]
    shown = ", ".join(starts[:4]) + (f" and {len(starts) - 4} more" if len(starts) > 4 else "")
    return f"not quite steady by the fitted line, and used all the same: the hold at {shown}; hold them more evenly"


SENTENCES: dict[str, Sentence] = {
    "row-driven-down": "the targets rise but the row was driven downwards; holds are matched by speed",
    "row-ambiguous": _ambiguous,
    "mark-against-row": (
        "the hold at {start_s:.1f} s was marked {marked_rpm:g} rpm by hand, where the row says {row_rpm:g}; the "
        "mark is used"
    ),
    "guide-marks-reread": (
        "the guided drive had taken {holds} holds to other speeds than the whole row shows (pulses a turn would have "
        "run from {slowest:.1f} to {fastest:.1f}); they are read again. Check the speeds below, or give them yourself"
    ),
    "pulses-not-constant": (
        "the ripple does not fit these speeds: pulses a turn would run from {slowest:.2f} at the slowest hold to "
        "{fastest:.2f} at the fastest, and it must be one number. The holds are probably taken to the wrong targets: "
        "check them, and name the holds by their start"
    ),
    "no-piecewise-model": "no monotone piecewise model fits these points; a line is used",
    "converter-bent": (
        "the converter is not straight (F test p = {p:.2g}, AICc lower by {aicc_lower:.0f}): a monotone curve with "
        "{knots} knots is used in place of the line"
    ),
    "line-through-zero": (
        "the line passes through zero within ±{small_rpm:.0f} rpm (intercept {intercept_rpm:.1f} ± {wide_rpm:.1f} rpm, "
        "AICc lower): the model without an intercept is used"
    ),
    "scatter-above-stated": (
        "the points scatter by {scatter_rpm:.0f} rpm, more than the stated reading error of {reading_error_rpm:g} rpm "
        "explains; the uncertainty is widened by {factor:.2f}"
    ),
    "scatter-below-stated": (
        "the points scatter by only {scatter_rpm:.0f} rpm: the stated reading error of {reading_error_rpm:g} rpm is "
        "larger than they show; the uncertainty stays as stated"
    ),
    "wrong-shape": (
        "repeated holds agree better with each other than with the model (lack of fit F = {f:.1f}, p = {p:.2g}): its "
        "shape is not that of the converter"
    ),
    "few-points": "{points} points leave little to judge by; hold more speeds",
    "short-row": "the points span only {span_rpm:.0f} rpm; outside them the line is a guess: hold speeds farther apart",
    "two-speeds": "two speeds cannot show whether the converter is straight; hold a third",
    "dead-band": lambda values: (
        f"the signal does not move below about {thousands(values['rpm'])} rpm: no speed under it can be measured"
    ),
    "ceiling": lambda values: (
        f"the signal stops rising at about {thousands(values['rpm'])} rpm: no speed above it can be measured"
    ),
    "suspect-hold": _suspect,
    "stray-hold": "the hold at {start_s:.1f} s (about {rpm:.0f} rpm) has no target and is not used",
    "no-target": "no target: the hold at {start_s:.1f} s is about {rpm:.0f} rpm",
    "targets-without-hold": lambda values: (
        f"no hold was found for {', '.join(f'{rpm:g}' for rpm in values['targets_rpm'])} rpm"
    ),
    "curve-in-use": "slope and intercept are those of the best straight line; speeds come from the curve's knots",
    "unsteady-hold": _unsteady,
    "restless-holds": _restless,
    "dropped-by-hand": "left out by hand",
    "stuck-bottom": "the signal is stuck at the bottom, at {signal:.3g}: it does not follow the engine there",
    "stuck-top": "the signal is stuck at the top, at {signal:.3g}: it does not follow the engine there",
    "calibration-of-another-car": "foreign calibration: it was made for {made_for!r}, this session is of {car!r}",
    "calibration-of-another-channel": lambda values: (
        f"foreign calibration: it is of channel {values['made_for']!r} in {values['made_unit'] or 'no unit'}, this "
        f"session has {values['channel']!r} in {values['unit'] or 'no unit'}"
    ),
    "calibration-of-other-pulses": (
        "stale calibration: it was made with {made_with:g} pulses a turn, the car file now has {now:g}"
    ),
    "calibration-old": "stale calibration: made {days} days from this session; hold a few speeds again to prove it",
}

SHORT_REASONS = {
    "no-target": "no target",
    "stuck-bottom": "stuck at the bottom",
    "stuck-top": "stuck at the top",
    "suspect-hold": "suspect",
    "unsteady-hold": "not steady",
    "dropped-by-hand": "left out by hand",
}
"""Why a point is not used, in a table's cell."""


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


def zero_taken(mean: float, u_mean: float, unit: str) -> str:
    """What was taken, with its 95 %."""
    return f"Taken: {plus_minus(mean, u_mean)} {unit} (95\u00a0%)."


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
