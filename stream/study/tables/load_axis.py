"""Manifold pressure and throttle as a session logged them, made absolute kPa and per cent; and where load is high.

What cannot be an absolute pressure, or a throttle, is refused where a table rests on it: a channel in another unit
would lay the drive over the wrong cells.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stream.car import Channel
from stream.errors import InputError
from stream.findings import Finding, note, warning
from stream.study.dataset import Dataset, EvenRows
from stream.study.force.air import LOWEST_HPA, Ambient, ambient, kpa_per_unit, manifold_channel
from stream.study.tables.table_axes import PRESSURE_TOP_KPA, SHARE_TOP, Axis
from stream.study.tables.user_table import AdvanceList, UserTable
from stream.units import PCT_PER_UNIT, Flags, Floats, conversion, plain_unit

HIGH_SHARE_OF_AMBIENT = 0.75
HIGH_THROTTLE_PCT = 60.0
STANDARD_KPA = 101.325  # ISO 2533
RUNNING_RPM = 500.0
LEAST_MANIFOLD_KPA = 10.0  # on the overrun an engine still shows 15 to 25 kPa; common practice, no source
WIDE_OPEN_PCT = 80.0
VOLTS_TOP = 6.0  # a throttle sensor's voltage ends at 5 V; common practice, no source
STILL_KPA = 1.0  # chosen: manifold pressure that moves less than this while the throttle moves is not measured
MOVED_PCT = 25.0


@dataclass(frozen=True, slots=True)
class LoadAxes:
    """Manifold pressure (absolute) and throttle of one session on its rows, (rows,); None: not recorded or not usable.

    `trouble` says why, where the channel was recorded.
    """

    path: str
    pressure_kpa: Floats | None
    throttle_pct: Floats | None
    ambient: Ambient
    trouble: dict[str, InputError]
    findings: tuple[Finding, ...]

    def on(self, table: UserTable) -> Floats:
        """The table's second axis, in the table's own unit. Raises InputError where it cannot be had."""
        own = self.pressure_kpa if table.axis == "manifold_pressure" else self.throttle_pct
        if own is not None:
            return own / to_base(table)
        if table.axis in self.trouble:
            raise self.trouble[table.axis]
        raise InputError(
            f"{self.path}: no channel with role {table.axis!r}, the axis of {table.path}; log it, or use a table with "
            "the other axis"
        )

    def base(self, axis: Axis) -> Floats:
        """One of the two, kPa or per cent. Raises InputError where it cannot be had."""
        own = self.pressure_kpa if axis == "manifold_pressure" else self.throttle_pct
        if own is None:
            raise self.trouble.get(axis) or InputError(
                f"{self.path}: no channel with role {axis!r}; log it", "no-load-axis"
            )
        return own

    def high(self) -> Flags:
        """Rows at high load, by whichever of the two was logged."""
        rows = len(next(one for one in (self.pressure_kpa, self.throttle_pct) if one is not None))
        found = np.zeros(rows, dtype=np.bool_)
        if self.pressure_kpa is not None:
            found |= np.nan_to_num(self.pressure_kpa) >= HIGH_SHARE_OF_AMBIENT * self.ambient.kpa
        if self.throttle_pct is not None:
            found |= np.nan_to_num(self.throttle_pct) >= self.high_throttle_pct
        return found

    @property
    def high_throttle_pct(self) -> float:
        """The throttle from which load is high, %: 60 of full opening.

        Where no pressure tells the load, the greatest opening of the drive is taken as full: what was logged may be
        a pedal, or a throttle that never shows 100 %.
        """
        if self.pressure_kpa is not None or self.throttle_pct is None:
            return HIGH_THROTTLE_PCT
        most = float(np.nanpercentile(self.throttle_pct, 99.5))
        return HIGH_THROTTLE_PCT * min(most / 100, 1.0)


def to_base(table: UserTable) -> float:
    """What the second axis of a table is multiplied by to be in kPa, or in per cent."""
    factor = conversion(table.unit, "%" if table.axis == "throttle" else "kPa")
    if factor is None:
        raise InputError(f"{table.path}: {table.unit!r} is no unit of {table.axis}; write kPa, hPa, bar, psi, or %")
    return factor[0]


def high_columns(table: UserTable, ambient: Sequence[Ambient], least_throttle: float = HIGH_THROTTLE_PCT) -> Flags:
    """(m,) columns of a table whose reach touches high load, at the lowest ambient pressure of the sessions, or from
    `least_throttle` %.

    A controller draws straight lines between breakpoints: a cell reaches to its neighbours, the last one to any load.
    """
    top = np.append(table.second[1:], np.inf) * to_base(table)
    least = least_throttle
    if table.axis == "manifold_pressure":
        least = HIGH_SHARE_OF_AMBIENT * min(one.kpa for one in ambient)
        if not table.named:  # it may be throttle after all
            least = min(least, least_throttle)
    return np.asarray(top >= least)


def load_axes(data: Dataset, rows: EvenRows) -> LoadAxes:
    """Read both quantities of one session."""
    findings: list[Finding] = []
    trouble: dict[str, InputError] = {}
    throttle = pressure = None
    try:
        throttle = _throttle(data, rows, findings)
    except InputError as error:
        trouble["throttle"] = error
    channel = manifold_channel(data)
    air = _ambient(data, rows, throttle, channel)
    try:
        pressure = None if channel is None else _pressure(data, rows, channel, air, throttle, findings)
    except InputError as error:
        trouble["manifold_pressure"] = error
    for role, refusal in trouble.items():
        findings.append(warning("load-channel-unusable", session=data.path.name, role=role, why=refusal.code))
    return LoadAxes(str(data.path), pressure, throttle, air, trouble, tuple(findings))


def second_axis(
    data: Dataset, rows: EvenRows, advance: AdvanceList | UserTable
) -> tuple[Floats | None, tuple[Finding, ...]]:
    """(the second axis of an advance table on these rows, in its unit, kPa for a list of tunes; what was found).

    None where it was not logged. Raises InputError where it cannot be the axis of a grid: an unknown unit lays the
    drive over the wrong cells. For a list of tunes it is then no pressure, and a finding says so.
    """
    axes = load_axes(data, rows)
    if isinstance(advance, UserTable):
        own = axes.pressure_kpa if advance.axis == "manifold_pressure" else axes.throttle_pct
        if own is None and advance.axis not in axes.trouble:
            return None, axes.findings
        return axes.on(advance), axes.findings
    return axes.pressure_kpa, axes.findings


def ambient_finding(ambient: Sequence[Ambient]) -> Finding:
    """What high load is reckoned from; a warning where nobody said the air of the day."""
    lowest = min(ambient, key=lambda one: one.kpa)
    values: dict[str, float | str] = {
        "kpa": lowest.kpa,
        "source": lowest.source,
        "high_kpa": HIGH_SHARE_OF_AMBIENT * lowest.kpa,
    }
    return Finding("high-load-from", "warning" if lowest.source == "standard" else "note", values)


def _ambient(data: Dataset, rows: EvenRows, throttle: Floats | None, channel: Channel | None) -> Ambient:
    """By the rule that all studies share; where that is silent, off an open throttle; else the standard one."""
    known = ambient(data)[0]
    if known is not None:
        return known
    factor = None if channel is None else kpa_per_unit(channel.unit)
    if channel is None or channel.gauge or factor is None or throttle is None:
        return Ambient(STANDARD_KPA, "standard")
    kpa = rows.channels[channel.name] * factor
    wide = np.isfinite(kpa) & (throttle >= WIDE_OPEN_PCT) & (rows.speed_rpm > RUNNING_RPM)
    if wide.sum() * rows.step_s >= 1.0:
        level = float(np.percentile(kpa[wide], 95))
        if LOWEST_HPA <= 10 * level < 10 * STANDARD_KPA:
            return Ambient(level, "wide-open")
    return Ambient(STANDARD_KPA, "standard")


def _pressure(
    data: Dataset, rows: EvenRows, channel: Channel, ambient: Ambient, throttle: Floats | None, findings: list[Finding]
) -> Floats:
    """Absolute, kPa. Raises InputError where it cannot be that."""
    where = f"{data.path}: channel {channel.name!r}"
    values = rows.channels[channel.name]
    running = np.isfinite(values) & (rows.speed_rpm > RUNNING_RPM)
    factor = kpa_per_unit(channel.unit)
    if factor is None and channel.unit.strip():
        raise InputError(
            f"{where} is in {channel.unit!r}, no unit of pressure; write kPa, hPa, bar, psi or inHg", "load-unit"
        )
    if factor is None:
        last = float(np.percentile(values[running], 99.5)) if running.any() else 0.0
        if channel.gauge or not PRESSURE_TOP_KPA[0] <= last <= 10 * PRESSURE_TOP_KPA[0]:
            raise InputError(
                f"{where} has no unit and ends at {last:.3g}; write its unit in the car file, as in kPa", "load-unit"
            )
        factor = 1.0
        findings.append(warning("pressure-unit-missing", channel=channel.name, session=data.path.name))
    kpa = np.asarray(values * factor, dtype=np.float64)
    if channel.gauge:
        kpa = kpa + ambient.kpa
        findings.append(note("gauge-pressure", channel=channel.name, kpa=ambient.kpa, source=ambient.source))
    if running.any():
        low, last = np.percentile(kpa[running], [0.5, 99.5])
        if low < LEAST_MANIFOLD_KPA or last > PRESSURE_TOP_KPA[1]:
            raise InputError(
                f"{where} runs from {low:.3g} to {last:.3g} kPa with the engine running: no absolute manifold "
                "pressure; mend its unit, or write gauge = true",
                "load-range",
            )
        if throttle is not None and _stands_still(kpa[running], throttle[running]):
            raise InputError(
                f"{where} stands still while the throttle moves; mend the sensor, leave this session out", "load-still"
            )
    return kpa


def _stands_still(kpa: Floats, throttle: Floats) -> bool:
    opening = throttle[np.isfinite(throttle)]
    if len(opening) < 10:
        return False
    moved = float(np.ptp(np.percentile(opening, [5, 95])))
    return moved > MOVED_PCT and float(np.ptp(np.percentile(kpa, [2, 98]))) < STILL_KPA


def _throttle(data: Dataset, rows: EvenRows, findings: list[Finding]) -> Floats | None:
    """Per cent of full opening. Raises InputError where the channel cannot be that."""
    channel = data.first("throttle")
    if channel is None or not np.isfinite(values := rows.channels[channel.name]).any():
        return None
    where, unit = f"{data.path}: channel {channel.name!r}", plain_unit(channel.unit)
    low, last = np.nanpercentile(values, [0.5, 99.5])
    factor = PCT_PER_UNIT.get(unit)
    if unit and factor is None:
        raise InputError(f"{where} is in {channel.unit!r}; log the opening in % or as a share from 0 to 1", "load-unit")
    if factor == 100 or (not unit and last <= SHARE_TOP):
        values, low, last = values * 100, low * 100, last * 100
        if not unit:
            findings.append(note("throttle-unit-missing", channel=channel.name, session=data.path.name))
    elif last <= SHARE_TOP and float(np.nanpercentile(rows.speed_rpm, 95)) > 2000:
        raise InputError(
            f'{where} never passes {last:.3g} %: a share from 0 to 1; write unit = "1" in the car file', "load-unit"
        )
    elif last < VOLTS_TOP and data.pulls:
        raise InputError(
            f"{where} never passes {last:.3g} % though the drive has full-load pulls: perhaps volts; scale it to % of "
            "full opening",
            "load-unit",
        )
    if low < -5 or last > 110:
        raise InputError(
            f"{where} runs from {low:.3g} to {last:.3g} %: no throttle opening; mend its unit or scale", "load-range"
        )
    return np.asarray(values, dtype=np.float64)
