"""The zero that a person declares while driving: the last quiet seconds, standing or rolling in neutral.

The stretch ends with the sample before which the key took effect, and how long it is stands in the command that is
kept, so that a replay measures the same samples.
"""

import math
from collections import deque

import numpy as np

from stream.block import Block, StreamInfo
from stream.calibrate.link.zero import measure_zero
from stream.car import Car
from stream.errors import InputError
from stream.findings import Finding, note, warning
from stream.live.records import LiveRows
from stream.record.tables import Command, Zero
from stream.study.edit import IDLE_RPM, PROVISIONAL, ROLLING, STANDING
from stream.units import MPS_PER_UNIT, Floats, plain_unit

STRETCHES_S = (8.0, 5.0, 3.0)  # chosen: the longest one that is quiet counts
KEPT_S = 12.0


class ZeroKey:
    """Feed it the session's blocks; `take` gives the zero of the seconds that came last."""

    def __init__(self, car: Car, info: StreamInfo) -> None:
        self._rate = info.rate_hz
        self._load = car.by_role("load")
        self._speed = car.need("engine_speed", "a zero")
        self._line = car.speed_line("a zero")
        self._at = {name: place for place, name in enumerate(info.names)}
        road = car.by_role("road_speed")
        known = road is not None and road.name in self._at and plain_unit(road.unit) in MPS_PER_UNIT
        self._road = road if known else None
        self._parts: deque[tuple[int, Block]] = deque()
        self._strongest: float | None = None
        self._zeros: list[Zero] = []

    @property
    def end(self) -> int:
        """Index of the sample that comes next, from the session's first one."""
        return self._parts[-1][0] + len(self._parts[-1][1]) if self._parts else 0

    def hear(self, first: int, block: Block, rows: LiveRows) -> None:
        """The next block, whose first sample has the index `first` in the session, and its live rows."""
        self._parts.append((first, block))
        while len(self._parts) > 1 and self._parts[1][0] < self.end - KEPT_S * self._rate:
            self._parts.popleft()
        loads = np.abs(rows.load[np.isfinite(rows.load)])
        if len(loads):
            self._strongest = max(self._strongest or 0.0, float(loads.max()))

    def take(self, rolling: bool) -> tuple[Zero, Command]:
        """The zero of the last quiet seconds, and what is to be kept of the key.

        Raises InputError, with the reason: no load, moving, not at idle, not quiet, samples missing or clipped.
        """
        refused: InputError | None = None
        for seconds in STRETCHES_S:
            try:
                zero = self._measure(self.end, seconds, rolling)
            except InputError as error:
                refused = error  # of the shortest stretch: what speaks against the last seconds
                continue
            self._zeros.append(zero)
            how = "rolling" if rolling else "standing"
            return zero, Command(index=self.end, kind="zero", value=f"{how} {seconds:g}")
        raise refused or InputError("no zero: nothing came yet")

    def again(self, command: Command) -> Zero:
        """The zero of a recording that is replayed, of the same samples. Raises InputError where it is none."""
        how, _, seconds = command.value.partition(" ")
        try:
            length = float(seconds)
        except ValueError:
            raise InputError(f"zero: {command.value!r} names no stretch; take it again") from None
        first = command.index - round(length * self._rate)
        values = self._load_of(self._samples(first, command.index), command.index - first)
        # what spoke against it was looked at when the key was pressed; the same samples give the same mean
        zero = measure_zero(
            values,
            self._rate,
            start_s=first / self._rate,
            end_s=command.index / self._rate,
            how=ROLLING if how == "rolling" else STANDING,
            full_scale=math.inf,
        )
        self._zeros.append(zero)
        return zero

    def _load_of(self, samples: Floats, wanted: int) -> Floats:
        """The load of samples, none of which may be missing or clipped."""
        load = self._load
        if load is None or load.name not in self._at:
            raise InputError("zero: no load is measured")
        values = samples[:, self._at[load.name]].astype(np.float64)
        if len(samples) < wanted or not np.isfinite(values).all():
            text = f"the last {wanted / self._rate:.0f} s are not all there; wait a moment and take it again"
            raise InputError(f"zero: {text}")
        if load.range is not None and ((values < load.range[0]) | (values > load.range[1])).any():
            raise InputError(f"zero: {load.name} is outside its range; mend the link")
        return values

    def _measure(self, end: int, seconds: float, rolling: bool) -> Zero:
        first = end - round(seconds * self._rate)
        start_s, end_s = first / self._rate, end / self._rate
        samples = self._samples(first, end)
        values = self._load_of(samples, end - first)
        if any(start_s < zero.end_s for zero in self._zeros):
            raise InputError("zero: the last one was taken just now; wait for another 3 s")
        volts = samples[:, self._at[self._speed.name]]
        rpm = float(np.nanmean(volts)) * self._line[0] + self._line[1] if np.isfinite(volts).any() else math.nan
        bound = IDLE_RPM * (1.0 if self._speed.unit == "rpm" else PROVISIONAL)
        if rpm > bound:
            raise InputError(f"zero: the engine turns at {rpm:.0f} rpm; out of gear, at idle, and take it again")
        road = None if rolling else self._road_kmh(samples)
        how = ROLLING if rolling else STANDING
        return measure_zero(
            values, self._rate, start_s=start_s, end_s=end_s, how=how, full_scale=self._strongest, road_speed_kmh=road
        )

    def _samples(self, first: int, end: int) -> Floats:
        """Samples of these indices that are there, (samples, channels)."""
        parts = [
            block.samples[max(0, first - at) : max(0, end - at)]
            for at, block in self._parts
            if at < end and at + len(block) > first
        ]
        return np.concatenate(parts) if parts else np.empty((0, len(self._at)))

    def _road_kmh(self, samples: Floats) -> Floats | None:
        if self._road is None:
            return None
        kmh = samples[:, self._at[self._road.name]].astype(np.float64) * MPS_PER_UNIT[plain_unit(self._road.unit)] * 3.6
        kmh = kmh[np.isfinite(kmh)]
        return kmh if len(kmh) else None


def zero_taken(zero: Zero, car: Car, *, kept: bool) -> Finding:
    """That a zero was taken; `kept`: it stands in a session."""
    load = car.by_role("load")
    return note(
        "zero-taken",
        rolling=zero.how == ROLLING,
        mean=zero.mean,
        unit="" if load is None else load.unit,
        seconds=zero.end_s - zero.start_s,
        kept=kept,
    )


def refused(error: InputError) -> Finding:
    """That none was taken, and why."""
    return warning("zero-refused", reason=str(error))
