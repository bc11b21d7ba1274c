"""SPEED.toml: a speed calibration that a person can read, with when, from which sessions, for which car."""

from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import msgspec

from stream.calibrate.speed.speed_model import SpeedFit
from stream.errors import InputError
from stream.findings import Finding, warning
from stream.record.names import write_text
from stream.typed import MisfitError, as_record, read_text, read_toml

FORMAT = "steadypull-speed"
FORMAT_VERSION = 1
_OLD_DAYS = 365
_HEAD = (
    "A speed calibration: rpm = intercept_rpm + slope_rpm_per_unit * signal.",
    "u_* and covariance are standard (k = 1); the reference's scale error is shared by all points and comes on top.",
)


class SourceSession(msgspec.Struct, frozen=True, kw_only=True):
    """The identity of a session: its file name and when it began (ISO 8601, UTC)."""

    path: str
    started_utc: str = ""


class SpeedCalibration(SpeedFit, frozen=True, kw_only=True):
    """A SpeedFit with its origin: when it was made (ISO 8601, UTC), from which sessions, for which chain."""

    format: str = FORMAT
    format_version: int = FORMAT_VERSION
    when: str = ""
    car: str = ""
    sessions: tuple[SourceSession, ...] = ()
    channel: str = ""
    unit: str = ""
    pulses_per_turn: float | None = None
    reading_error_rpm: float | None = None


def calibration_of(
    fit: SpeedFit,
    *,
    car: str,
    sessions: Sequence[SourceSession],
    channel: str,
    unit: str,
    pulses_per_turn: float | None = None,
    reading_error_rpm: float | None = None,
    when: datetime | None = None,
) -> SpeedCalibration:
    """The fit with its origin; `when` is now where left out."""
    stamp = (when or datetime.now(UTC)).astimezone(UTC).isoformat(timespec="seconds")
    return SpeedCalibration(
        **{name: getattr(fit, name) for name in SpeedFit.__struct_fields__},
        when=stamp,
        car=car,
        sessions=tuple(sessions),
        channel=channel,
        unit=unit,
        pulses_per_turn=pulses_per_turn,
        reading_error_rpm=reading_error_rpm,
    )


def dump_calibration(calibration: SpeedCalibration, say: Callable[[Finding], str] | None = None) -> str:
    """The text of SPEED.toml. A key that cannot be known is left out, for TOML has no null.

    say: makes a sentence of a finding; with it the file also has the keys `warnings` and `why_not` of the JSON.
    """
    import tomlkit

    document = tomlkit.document()
    for line in _HEAD:
        document.add(tomlkit.comment(line))
    keys = _without_none(msgspec.to_builtins(calibration))
    if say is not None:
        keys["warnings"] = [say(finding) for finding in calibration.findings]
        for row, point in zip(keys["points"], calibration.points, strict=True):
            row["why_not"] = "" if point.why is None else say(point.why)
    first = [
        "format",
        "format_version",
        "when",
        "car",
        "channel",
        "unit",
        "pulses_per_turn",
        "reading_error_rpm",
    ]
    tables = ["sessions", "points", "findings"]
    for key in [*first, *(name for name in keys if name not in first and name not in tables)]:
        if key in keys and keys[key] != []:
            document.add(key, tomlkit.item(keys[key]))
    for key in tables:
        rows = tomlkit.aot()
        for row in keys.get(key, []):
            rows.append(tomlkit.item(row))
        if len(rows):
            document.add(key, rows)
    return tomlkit.dumps(document)


def save_calibration(
    calibration: SpeedCalibration, path: str | Path, say: Callable[[Finding], str] | None = None
) -> None:
    """Write SPEED.toml whole or not at all. Raises StorageError where it cannot be written."""
    write_text(Path(path), dump_calibration(calibration, say))


def load_calibration(path: str | Path) -> SpeedCalibration:
    """Read and check SPEED.toml. Raises InputError that names the file and the line or key."""
    path = Path(path)
    missing = InputError(
        f"{path}: no such calibration; fit a session with held speeds to make one", "no-calibration", path=str(path)
    )
    return parse_calibration(read_text(path, "calibration", missing), str(path))


def parse_calibration(text: str, where: str = "calibration") -> SpeedCalibration:
    """Check the text of a SPEED.toml; `where` names it in errors. Raises InputError."""
    raw = read_toml(text, where, "calibration")
    if raw.get("format") != FORMAT:
        raise InputError(
            f'{where}: format: is not "{FORMAT}"; give the file that a fit wrote',
            "not-a-calibration",
            where=where,
            format=FORMAT,
        )
    version = raw.get("format_version", FORMAT_VERSION)
    if isinstance(version, int) and version > FORMAT_VERSION:
        raise InputError(f"{where}: format_version: {version} is newer than this Steadypull reads; update it")
    try:
        calibration = as_record(raw, SpeedCalibration)
    except MisfitError as error:
        raise InputError(f"{where}: {error}, or fit again") from None
    if calibration.slope_rpm_per_unit == 0 or not all(map(_finite, _numbers(calibration))):
        raise InputError(f"{where}: slope_rpm_per_unit: the line cannot be used; fit again")
    return calibration


def origin_findings(
    calibration: SpeedCalibration,
    *,
    car: str,
    channel: str,
    unit: str,
    pulses_per_turn: float | None = None,
    session_started: datetime | None = None,
) -> list[Finding]:
    """What speaks against using this calibration for a session: another car or chain, or a year between them."""
    found = []
    if calibration.car and calibration.car != car:
        found.append(warning("calibration-of-another-car", made_for=calibration.car, car=car))
    if calibration.channel and (calibration.channel, calibration.unit) != (channel, unit):
        found.append(
            warning(
                "calibration-of-another-channel",
                made_for=calibration.channel,
                made_unit=calibration.unit,
                channel=channel,
                unit=unit,
            )
        )
    known = calibration.pulses_per_turn
    if known is not None and pulses_per_turn is not None and known != pulses_per_turn:
        found.append(warning("calibration-of-other-pulses", made_with=known, now=pulses_per_turn))
    if session_started is not None and (made := _moment(calibration.when)) is not None:
        days = abs((session_started.astimezone(UTC) - made).days)
        if days > _OLD_DAYS:
            found.append(warning("calibration-old", days=days))
    return found


def _moment(text: str) -> datetime | None:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment


def _numbers(calibration: SpeedCalibration) -> list[float]:
    c = calibration
    knots = [value for knot in c.knots for value in knot]
    return [c.slope_rpm_per_unit, c.intercept_rpm, c.u_slope, c.u_intercept, c.covariance, c.scale_error_pct, *knots]


def _finite(value: float) -> bool:
    return abs(value) < float("inf")


def _without_none(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _without_none(item) for key, item in value.items() if item is not None}
    if isinstance(value, (list, tuple)):
        return [_without_none(item) for item in value]
    return value
