"""Attach a speed calibration to sessions: what is in force is 'speed', what was in force before keeps a dated name."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from stream.calibrate.speed.calfile import SpeedCalibration, dump_calibration, origin_findings
from stream.car import parse_car
from stream.errors import InputError
from stream.findings import Finding
from stream.record import layout
from stream.record.change import change_session, set_calibration
from stream.record.session import Session, open_session
from stream.study.load import CALIBRATION, calibration_in


def apply_calibration(calibration: SpeedCalibration, paths: Sequence[str | Path]) -> list[tuple[str | Path, Finding]]:
    """Attach a calibration to sessions; returns for which of them it is stale or foreign, and why.

    Every session is checked before any is changed. Raises InputError, StorageError; a session is changed whole or
    not at all.
    """
    whole = [Path(path).resolve() for path in paths]
    if twice := next((path for path, one in zip(paths, whole, strict=True) if whole.count(one) > 1), None):
        raise InputError(f"{twice}: is given twice; name each session once")
    found: list[tuple[str | Path, Finding]] = []
    for path in paths:
        with open_session(path) as session:
            found += [(path, finding) for finding in _origin(calibration, session)]
    attributes = calibration_attributes(calibration)
    for path in paths:
        change_session(path, lambda file: put_in_force(file, attributes))
    return found


def calibration_attributes(calibration: SpeedCalibration) -> dict[str, Any]:
    """What stands under /calibrations/NAME: enough for any tool, and `toml`, which has everything."""
    c = calibration
    source = ", ".join(f"{one.path} of {one.started_utc}" if one.started_utc else one.path for one in c.sessions)
    attributes: dict[str, Any] = {
        "model": c.model,
        "numbers": np.array([c.slope_rpm_per_unit, c.intercept_rpm]),
        "covariance": np.array([[c.u_slope**2, c.covariance], [c.covariance, c.u_intercept**2]]),
        "scale_error_pct": c.scale_error_pct,
        "made_utc": c.when,
        "source_session": source,
        "channel": c.channel,
        "unit": c.unit,
        "toml": dump_calibration(c),
    }
    if c.knots:
        attributes["knots"] = np.array(c.knots)
        attributes["knot_covariance"] = np.array(c.knot_covariance)
    return attributes


def put_in_force(file: Any, attributes: dict[str, Any]) -> None:
    """For an edit: make this the calibration in force; the one before it is kept, unless it is the same."""
    group = file.require_group(layout.CALIBRATIONS)
    if CALIBRATION in group:
        old = group[CALIBRATION].attrs
        if str(old.get("toml", "")) == attributes["toml"]:
            return
        group.move(CALIBRATION, _dated_name(group, str(old.get("made_utc", ""))))
    set_calibration(file, CALIBRATION, attributes)


def _dated_name(group: Any, made_utc: str) -> str:
    """'speed-20260601T093000Z', with a number behind it where that is taken."""
    stamp = "".join(letter for letter in made_utc.replace("+00:00", "Z") if letter.isalnum()) or "undated"
    name, number = f"{CALIBRATION}-{stamp}", 1
    while name in group:
        number += 1
        name = f"{CALIBRATION}-{stamp}-{number}"
    return name


def _origin(calibration: SpeedCalibration, session: Session) -> list[Finding]:
    car = parse_car(session.car_text, f"{session.path}: the car file in it")
    speed = car.need("engine_speed", "apply")
    calibration_in(session)  # a damaged one is told before anything is changed
    return origin_findings(
        calibration,
        car=car.car.name,
        channel=speed.name,
        unit=speed.unit,
        pulses_per_turn=car.engine.pulses_per_turn,
        session_started=session.started_utc,
    )
