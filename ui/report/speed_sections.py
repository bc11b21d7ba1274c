"""Sections on engine speed: the calibration in force, and the holds."""

from datetime import datetime
from functools import partial
from pathlib import Path

import numpy as np

from stream.calibrate.speed.calfile import SpeedCalibration
from stream.live.mean import half_width_95
from stream.study.dataset import Dataset
from ui.report import pictures
from ui.report.gather import Gathered
from ui.report.model import Facts, Part, Picture, Section, Table, Words, minds
from ui.text.figures import figures, moment, one_line, signed, whole
from ui.text.findings import say, say_all

MODELS = {"line": "straight line", "through-zero": "line through zero", "piecewise": "broken line"}


def calibration(found: Gathered) -> Section:
    """Each calibration in force, and which sessions have none."""
    fits: dict[str, tuple[SpeedCalibration, list[str]]] = {}
    without: list[Dataset] = []
    for session in found.sessions:
        fit = session.calibration
        if fit is None:
            without.append(session)
        else:
            fits.setdefault(repr(fit), (fit, []))[1].append(session.path.name)
    parts: list[Part] = []
    for session in without:
        slope, zero = session.line
        unit = session.car.need("engine_speed", "a report").unit
        line = "rpm as recorded" if unit == "rpm" else f"rpm = {slope:g} × {unit or 'signal'} {zero:+g}"
        parts.append(Words(f"{session.path.name}: provisional line of the car file, {line}, of unknown uncertainty."))
    for fit, names in fits.values():
        parts += _one(fit, names, len(fits) + bool(without) > 1)
    return Section("Calibration of engine speed", tuple(parts))


def holds(found: Gathered) -> Section:
    """Every hold, and every stretch in which the signal was stuck."""
    rows, stuck = [], []
    unit = next((session.load_unit for session in found.sessions if session.load_unit), "")
    loads = [abs(hold.load_mean) for session in found.sessions for hold in session.holds if hold.load_mean is not None]
    fine = max(loads, default=1.0) / 10  # the same decimals for all
    for place, session in enumerate(found.sessions, start=1):
        scale = session.line[0] if session.calibration is None else session.calibration.slope_rpm_per_unit
        for number, (hold, mark) in enumerate(zip(session.holds, session.hold_marks, strict=True), start=1):
            uncertainty = half_width_95(hold.signal_sem, hold.n_effective) * abs(scale)
            rows.append(
                (
                    f"{place}.{number}",
                    f"{hold.start_s:.1f}",
                    f"{hold.end_s:.1f}",
                    whole(hold.speed_rpm),
                    f"{uncertainty:.0f}" if uncertainty >= 1 else "<1",
                    f"{hold.speed_sd_rpm:.0f}",
                    signed(hold.drift_rpm_per_s),
                    "" if hold.load_mean is None else figures(hold.load_mean, fine),
                    whole(mark.target_rpm),
                    "" if mark.accepted else "dropped by hand",
                )
            )
        stuck += [
            Words(
                f"Session {place}: the speed signal was stuck at the {one.at} of its range, {one.signal:.4g}, from "
                f"{one.start_s:.1f} to {one.end_s:.1f} s.",
                "mind",
            )
            for one in session.pinned
        ]
    if not rows:
        return Section("Holds", (Words("No hold: speed was never steady for long enough."), *stuck))
    load_head = f"load {unit}".strip()
    heads = ("hold", "from s", "to s", "rpm", "± rpm", "wander rpm", "drift rpm/s", load_head, "target rpm", "")
    keep = [column for column in range(len(heads)) if column < 8 or any(row[column] for row in rows)]
    table = Table(
        tuple(heads[column] for column in keep),
        tuple(tuple(row[column] for column in keep) for row in rows),
        frozenset({keep.index(9)} if 9 in keep else ()),
        "Numbered session.hold. ± is the 95 % interval of the mean from the hold's own wander; the uncertainty of the "
        "calibration comes on top. Load is as recorded, no zero taken off.",
    )
    return Section("Holds", (table, *stuck))


def _one(fit: SpeedCalibration, names: list[str], say_which: bool) -> list[Part]:
    unit = fit.unit or "unit"
    facts = [
        ("In force for", ", ".join(names) if say_which else "all sessions"),
        ("Made", f"{_when(fit.when)} from {', '.join(Path(one.path).name for one in fit.sessions)}"),
        ("Shape", MODELS.get(fit.model, fit.model)),
        ("Slope", _with_uncertainty(fit.slope_rpm_per_unit, fit.u_slope, f"rpm per {unit}")),
        (f"At 0 {unit}", _with_uncertainty(fit.intercept_rpm, fit.u_intercept, "rpm")),
        ("Scale of the reference", f"± {fit.scale_error_pct:g} %, shared by all points and part of the band below"),
        ("Largest departure", f"{fit.largest_departure_pct_span:.1f} % of the span"),
        ("Good from", f"{whole(fit.valid_from)} to {whole(fit.valid_to)} rpm"),
    ]
    if fit.dead_below_rpm is not None:
        facts.append(("Dead band", f"the signal does not move below about {fit.dead_below_rpm:.0f} rpm"))
    if fit.ceiling_above_rpm is not None:
        facts.append(("Ceiling", f"the signal does not rise above about {fit.ceiling_above_rpm:.0f} rpm"))
    parts: list[Part] = [
        Facts(tuple((name, one_line(value)) for name, value in facts)),
        _band_table(fit),
        Picture(
            partial(pictures.draw_calibration, fit=fit),
            96,
            "Above: held speeds, the line and its 95 % band, the reference's own scale error in it. Below: how far "
            "each held speed departs from the line; the band is the uncertainty of the line, not of a single point.",
        ),
    ]
    fine = max((abs(point.signal) for point in fit.points), default=1.0) / 100
    points = tuple(
        (
            figures(point.signal, fine),
            whole(point.target_rpm),
            signed(point.residual_rpm),
            "" if point.why is None else f"left out: {say(point.why)}",
        )
        for point in fit.points
    )
    if points:
        parts.append(Table((f"signal {fit.unit}".strip(), "target rpm", "departure rpm", ""), points, frozenset({3})))
    return parts + minds(say_all(fit.findings))


def _when(stamp: str) -> str:
    try:
        return moment(datetime.fromisoformat(stamp))
    except ValueError:
        return stamp


def _with_uncertainty(value: float, uncertainty: float, unit: str) -> str:
    return f"{figures(value, uncertainty)} ± {figures(uncertainty, uncertainty)} {unit} (standard uncertainty)"


def _band_table(fit: SpeedCalibration) -> Table:
    speeds = np.linspace(fit.valid_from, fit.valid_to, 5)
    rows = []
    for speed in speeds:
        signal = fit.signal(float(speed))
        low, high = fit.interval(signal)
        half = float(high - low) / 2
        rows.append((f"{round(speed, -1):.0f}", f"{signal:.2f}", figures(half, half)))
    return Table(
        ("rpm", f"signal {fit.unit}".strip(), "± rpm (95 %)"),
        tuple(rows),
        note="What a speed read by this line is worth, the reference's scale error counted in.",
    )
