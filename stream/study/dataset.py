"""Dataset: a session as the study sees it, opened once; everything on the session's clock, made when first asked for.

    with open_dataset(path) as data:                 # or open_datasets(paths), in the order they were begun
        data.time_s, data.speed_rpm, data.load       # the live clock, (ticks,) each; data.signal in the channel's unit
        data.channel("throttle")                     # another channel on the same clock, by role; None: not recorded
        data.channel("manifold_pressure", "kPa")     # in another unit
        data.even(("lambda", "throttle"), 10.0)      # several channels on an even clock: `EvenRows`
        data.stretch(channel, 3.0, 8.0, "zero")      # raw samples of a stretch, none missing or clipped
        data.mean_over(["lambda"], 3.0, 8.0)         # means of raw samples
        data.holds, data.pulls, data.pinned          # in rpm of the calibration in force; `recorded_…` by the line
        data.to_pandas(), data.to_xarray()           # the live rows as a frame, where that library is installed
        data.zeros, data.weather, data.heard, data.gear, data.speed_lag, data.load_scale

Times are seconds from the session's first sample, lost time included; the live filter's delay is off already, the
converter's lag (`speed_lag`) is not, except in `EvenRows`. Load is as recorded; times `load_scale` it has the car
file's sign and newtons. Holds and pulls come from the session's tables; where it lacks them (it was cut off, or another
tool wrote it) they are found in memory by the same live stage. What has been made stays usable after `close`.
"""

from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from types import TracebackType
from typing import Any, cast

import msgspec
import numpy as np

from stream.calibrate.speed.calfile import SpeedCalibration, parse_calibration
from stream.car import Car, Channel, Role, parse_car
from stream.errors import InputError
from stream.events import Event
from stream.frames import columns_to_pandas, columns_to_xarray
from stream.live.records import Hold, LiveRows, Pinned, Pull, join_rows
from stream.live.stage import LiveStage
from stream.record.session import Session, open_session
from stream.record.tables import Heard, HoldMark, PullMark, Weather, Zero
from stream.study.joined import JoinedSession, car_with
from stream.units import Flags, Floats, conversion, in_float64

ROWS_COMPARED = 1 << 20  # at a time
ROWS_AT_A_GLANCE = 256
CALIBRATION = "speed"  # the calibration that is in force, under /calibrations
EVEN_HZ = 10.0
# A lag worked out of parts is as good as its capacitor: ±20 % (letter code M of IEC 60062), evenly spread.
LAG_TOLERANCE = 0.20
UNKNOWN_LAG_U_S = (
    0.02  # chosen: a converter whose lag nobody gave is taken as 0, with what a usual one has as uncertainty
)


@dataclass(frozen=True, slots=True)
class EvenRows:
    """A session on an even clock; NaN is missing.

    time_s, speed_rpm, load   (rows,); the converter's lag is off engine speed; load as recorded
    channels                  channel name to (rows,), means of its samples in its own unit, those outside its range
                              left out
    step_s                    seconds from row to row
    """

    time_s: Floats
    speed_rpm: Floats
    load: Floats
    channels: dict[str, Floats]
    step_s: float


@dataclass(frozen=True, slots=True)
class _Found:
    """Live rows and what was found in them, speeds by `line` (rpm per unit, rpm at zero)."""

    live: LiveRows
    holds: tuple[Hold, ...]
    hold_marks: tuple[HoldMark, ...]
    pinned: tuple[Pinned, ...]
    pulls: tuple[Pull, ...]
    pull_marks: tuple[PullMark, ...]
    line: tuple[float, float]


class Dataset:
    """One session, read. Made by `open_dataset`; `session` is the open file beneath."""

    def __init__(self, session: Session, car: Car | None = None) -> None:
        self.path: Path = session.path
        self.car: Car = _own_car(session) if car is None else car
        self.foreign_car = car is not None and car.text.strip() != session.car_text.strip()
        if any(one.joined is not None for one in getattr(session, "also", ())):
            wider = JoinedSession(session)
            self.car = car_with(self.car, wider.channels, str(session.path))
            session = cast(Session, wider)
        self.session = session
        self.tune, self.note, self.gear, self.started_utc = (
            session.tune,
            session.note,
            session.gear,
            session.started_utc,
        )
        self.names: tuple[str, ...] = session.info.names
        self.rows, self.rate_hz = session.rows, session.rate_hz
        self.duration_s, self.lost_samples = session.duration_s, session.lost_samples
        self.zeros: tuple[Zero, ...] = session.zeros
        self.weather: Weather | None = session.conditions
        self.heard: tuple[Heard, ...] = session.heard
        self.calibration: SpeedCalibration | None = calibration_in(session)
        self._channels: dict[str, Floats] = {}
        self._middles: dict[str, bytes] = {}
        self._even: dict[tuple[float, tuple[str, ...]], EvenRows] = {}

    def __enter__(self) -> "Dataset":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Give the file back; what has been made already stays."""
        self.session.close()

    # -- what the car file and the session say --------------------------------------------------------------------

    @property
    def load_unit(self) -> str:
        """The unit of the load channel, '' where there is none."""
        load = self.car.by_role("load")
        return "" if load is None else load.unit

    @property
    def load_scale(self) -> tuple[float, str]:
        """(what recorded load is multiplied by, the unit it then has). Raises InputError without a load channel."""
        load = self.car.need("load", "a study of load")
        if load.name not in self.names:
            raise InputError(
                f"{self.path}: no load was recorded: its channels are {', '.join(self.names)}, and load would be "
                f"{load.name!r}",
                "no-load",
            )
        if load.newtons_per_unit is not None:
            return load.sign * load.newtons_per_unit, "N"
        return float(load.sign), load.unit

    @property
    def speed_lag(self) -> tuple[float, float]:
        """(lag of engine speed behind load, its standard uncertainty), s."""
        speed = self.car.need("engine_speed", "a study of pulls")
        if speed.lag_s is not None:
            return speed.lag_s, LAG_TOLERANCE * speed.lag_s / 3**0.5
        return 0.0, 0.0 if speed.unit == "rpm" else UNKNOWN_LAG_U_S

    @cached_property
    def events(self) -> tuple[Event, ...]:
        """What happened, in order."""
        return self.session.events

    def recorded(self, *roles: Role) -> tuple[Channel, ...]:
        """The channels of these roles that the session holds, in the car file's order."""
        return tuple(one for one in self.car.channel if one.role in roles and one.name in self.names)

    def first(self, role: Role) -> Channel | None:
        """The first recorded channel of a role, or None."""
        return next(iter(self.recorded(role)), None)

    def to_pandas(self) -> Any:
        """The live rows as a pandas DataFrame over time_s: speed_rpm, load, signal; units in its `attrs`."""
        return columns_to_pandas(("time_s", self.time_s), self._columns())

    def to_xarray(self) -> Any:
        """The live rows as an xarray Dataset over time_s, with `units` attributes."""
        about = {"tune": self.tune, "started_utc": self.started_utc.isoformat(), "session": str(self.path)}
        return columns_to_xarray(("time_s", self.time_s), self._columns(), about)

    def _columns(self) -> dict[str, tuple[Floats, str]]:
        unit = self.car.need("engine_speed", "the study of a session").unit
        return {
            "speed_rpm": (self.speed_rpm, "rpm"),
            "load": (self.load, self.load_unit),
            "signal": (self.signal, unit),
        }

    # -- the live clock -------------------------------------------------------------------------------------------

    @property
    def time_s(self) -> Floats:
        """The live clock, (ticks,)."""
        return self._found.live.time_s

    @cached_property
    def signal(self) -> Floats:
        """The filtered engine-speed signal in its channel's unit, (ticks,); NaN where nothing can be said."""
        live = self._found.live
        if np.isnan(live.signal).all() and not np.isnan(live.speed_rpm).all():
            live = _live_rows(LiveStage(_own_car(self.session), self.session.info), self.session)
        return in_float64(live.signal)

    @cached_property
    def speed_rpm(self) -> Floats:
        """Engine speed by the calibration in force, else by the car file's provisional line, (ticks,)."""
        if self.calibration is None:
            return in_float64(self._found.live.speed_rpm)
        return np.asarray(self.calibration.rpm(self.signal), np.float64)

    @cached_property
    def load(self) -> Floats:
        """Load as recorded, filtered, (ticks,)."""
        return in_float64(self._found.live.load)

    @property
    def line(self) -> tuple[float, float]:
        """The provisional line behind `recorded_holds` and `recorded_pulls`: rpm per unit, rpm at zero."""
        return self._found.line

    def rpm(self, signal: Floats) -> Floats:
        """Engine speed of a raw or filtered signal, by the calibration in force, else the provisional line."""
        if self.calibration is not None:
            return np.asarray(self.calibration.rpm(signal), np.float64)
        slope, zero = self.car.need("engine_speed", "the study of a session").rpm_line
        return slope * signal + zero

    def channel(self, role: Role, unit: str | None = None) -> Floats | None:
        """The first recorded channel of a role on the live clock, in `unit` where that is given, (ticks,).

        A tick's value is the mean of the samples around it; those outside the channel's range are left out. None where
        no such channel was recorded, or its unit cannot be turned into the one wanted.
        """
        found = self.first(role)
        if found is None:
            return None
        factor, added = (1.0, 0.0) if unit is None else conversion(found.unit, unit) or (None, 0.0)
        return None if factor is None else factor * self.on_live_clock(found) + added

    def on_live_clock(self, channel: Channel) -> Floats:
        """A recorded channel on the live clock, in its own unit, (ticks,), as `channel` has it."""
        if channel.name not in self._channels:
            step = max(1, round(self.rate_hz * float(np.median(np.diff(self.time_s))))) if len(self.time_s) > 1 else 1
            index = np.rint(self.time_s * self.rate_hz).astype(np.int64)
            offset = int(index[0] % step) - step // 2 if len(index) else 0
            count = int((index[-1] - offset) // step) + 1 if len(index) else 0
            means = self._means([channel], offset, step, count)[channel.name]
            place = (index - offset) // step  # the filter's delay is off: the first ticks lie before the first sample
            found = np.where(place >= 0, means[place], np.nan) if count else np.empty(0)
            self._channels[channel.name] = found
        return self._channels[channel.name]

    # -- found by the live stage ----------------------------------------------------------------------------------

    @cached_property
    def _found(self) -> _Found:
        session = self.session
        line = self.car.need("engine_speed", "the study of a session").rpm_line
        if session.has_findings and len(live := session.live()):
            with suppress(InputError):  # the line that made the tables is that of the session's own car file
                line = _own_car(session).need("engine_speed", "the study of a session").rpm_line
            return _Found(
                live, session.holds, session.hold_marks, session.pinned, session.pulls, session.pull_marks, line
            )
        stage = LiveStage(self.car, session.info, None, session.tune, session.gear)
        live = _live_rows(stage, session)
        holds, pulls = tuple(stage.holds), tuple(stage.pulls)
        marks, pull_marks = (HoldMark(),) * len(holds), (PullMark(),) * len(pulls)
        return _Found(live, holds, marks, tuple(stage.pinned), pulls, pull_marks, line)

    @property
    def recorded_holds(self) -> tuple[Hold, ...]:
        """Holds with speeds by the provisional line."""
        return self._found.holds

    @property
    def recorded_pulls(self) -> tuple[Pull, ...]:
        """Pulls with speeds by the provisional line."""
        return self._found.pulls

    @property
    def pinned(self) -> tuple[Pinned, ...]:
        """Stretches in which the speed signal was stuck."""
        return self._found.pinned

    @property
    def hold_marks(self) -> tuple[HoldMark, ...]:
        """What a person said of each hold."""
        return self._found.hold_marks

    @property
    def pull_marks(self) -> tuple[PullMark, ...]:
        """What a person said of each pull."""
        return self._found.pull_marks

    @cached_property
    def holds(self) -> tuple[Hold, ...]:
        """Holds with speeds by the calibration in force."""
        if self.calibration is None:
            return self.recorded_holds
        return tuple(calibrated_hold(hold, self.line, self.calibration) for hold in self.recorded_holds)

    @cached_property
    def pulls(self) -> tuple[Pull, ...]:
        """Pulls with speeds by the calibration in force."""
        if self.calibration is None:
            return self.recorded_pulls
        return tuple(self._calibrated(pull) for pull in self.recorded_pulls)

    def _calibrated(self, pull: Pull) -> Pull:
        """As the live stage says it: speed at the first tick of the pull, and the highest in it."""
        rows = slice(*np.searchsorted(self.time_s, [pull.start_s - 1e-6, pull.end_s + 1e-6]))
        inside = self.speed_rpm[rows]
        inside = inside[np.isfinite(inside)]
        if not len(inside):
            return pull
        return msgspec.structs.replace(pull, start_rpm=float(inside[0]), end_rpm=float(inside.max()))

    # -- raw samples ----------------------------------------------------------------------------------------------

    def even(self, roles: Sequence[Role], rate_hz: float = EVEN_HZ) -> EvenRows:
        """All channels of these roles on an even clock of about `rate_hz`, or the session's own where that is slower.

        A row is a whole number of samples. Raises InputError where the file turns out to be damaged.
        """
        wanted = self.recorded(*roles)
        key = (rate_hz, tuple(channel.name for channel in wanted))
        if key not in self._even:
            time_s, channels, step_s = self.means(wanted, rate_hz)
            self._even[key] = EvenRows(
                time_s,
                on_clock(time_s + self.speed_lag[0], self.time_s, self.speed_rpm, step_s),
                on_clock(time_s, self.time_s, self.load, step_s),
                channels,
                step_s,
            )
        return self._even[key]

    def means(self, wanted: Sequence[Channel], rate_hz: float) -> tuple[Floats, dict[str, Floats], float]:
        """(even clock of about `rate_hz`, channel name to means of its samples there, seconds from row to row)."""
        step = max(1, round(self.rate_hz / rate_hz))
        count = (self.rows + self.lost_samples) // step
        time_s = (np.arange(count, dtype=np.float64) * step + 0.5 * (step - 1)) / self.rate_hz
        return time_s, self._means(wanted, 0, step, count), step / self.rate_hz

    def stretch(self, channel: Channel, start_s: float, end_s: float, what: str) -> Floats:
        """Raw samples of a channel between two times, (samples,).

        Raises InputError: not a stretch of this session, samples lost or outside the channel's range in it.
        """
        if not (np.isfinite(start_s) and np.isfinite(end_s) and 0 <= start_s < end_s):
            raise InputError(
                f"{what}: {start_s:g} to {end_s:g} s is no stretch; give a start and a later end, in seconds"
            )
        if end_s > self.duration_s + 1e-6:
            raise InputError(f"{what}: {end_s:g} s is behind the end of {self.path}, {self.duration_s:.1f} s; mend it")
        values = self.raw(channel, start_s, end_s)
        if len(values) < round((end_s - start_s) * self.rate_hz) - 1 or not np.all(np.isfinite(values)):
            raise InputError(
                f"{what}: samples are missing between {start_s:g} and {end_s:g} s; take a stretch without a gap"
            )
        if channel.range is not None and np.any((values < channel.range[0]) | (values > channel.range[1])):
            raise InputError(
                f"{what}: {channel.name} is outside its range between {start_s:g} and {end_s:g} s; mend the link"
            )
        return values

    def raw(self, channel: Channel, start_s: float = 0.0, end_s: float = np.inf) -> Floats:
        """Samples of a recorded channel as they came, between two times, (samples,); lost ones take no place."""
        first, end = self.session.row_at(start_s), self.session.row_at(min(end_s, self.duration_s))
        return in_float64(self.session.raw(channel.name, first, end))

    def middle(self, name: str) -> bytes:
        """What tells a drive's channel from another's at a glance: some samples from the middle, equal where those
        are."""
        if name not in self._middles:
            first = self.rows // 2
            values = self.session.raw(name, first, first + ROWS_AT_A_GLANCE) + np.float32(0.0)  # -0 is 0
            self._middles[name] = np.where(np.isnan(values), np.float32(np.nan), values).tobytes()
        return self._middles[name]

    def mean_over(self, names: Sequence[str], start_s: float, end_s: float) -> dict[str, float]:
        """Mean of raw samples between two times, by channel name; channels without a finite one are left out."""
        first, end = self.session.row_at(start_s), self.session.row_at(end_s)
        means = {}
        for name in names:
            values = in_float64(self.session.raw(name, first, end))
            values = values[np.isfinite(values)]
            if len(values):
                means[name] = float(values.mean())
        return means

    def _means(self, wanted: Sequence[Channel], offset: int, step: int, count: int) -> dict[str, Floats]:
        """Means over `step` samples each, from sample `offset` on, (count,); one pass over the file."""
        if not wanted or not count:
            return {channel.name: np.full(count, np.nan) for channel in wanted}
        columns = [self.names.index(channel.name) for channel in wanted]
        total, hits = np.zeros((len(wanted), count + 1)), np.zeros((len(wanted), count + 1))
        index = self.session.sample_index()
        for row, samples in self.session.slabs():
            place = (index[row : row + len(samples)] - offset) // step
            place = np.where((place >= 0) & (place < count), place, count)
            for number, (channel, column) in enumerate(zip(wanted, columns, strict=True)):
                values = in_float64(samples[:, column])
                good = usable(values, channel)
                total[number] += np.bincount(place[good], values[good], minlength=count + 1)
                hits[number] += np.bincount(place[good], minlength=count + 1)
        means = np.divide(total, hits, out=np.full(total.shape, np.nan), where=hits > 0)[:, :count]
        return {channel.name: means[number] for number, channel in enumerate(wanted)}


def open_dataset(path: str | Path, car: Car | None = None) -> Dataset:
    """Open a session for the study; `car` in place of the car file that it carries.

    Raises InputError, one line with the cure.
    """
    session = open_session(path)
    try:
        return Dataset(session, car)
    except BaseException:
        session.close()
        raise


def open_datasets(
    paths: Sequence[str | Path], car: Car | None = None, tell: Callable[[int], object] = lambda _: None
) -> list[Dataset]:
    """Several sessions, in the order they were begun; `tell` is told how many are open. Raises InputError where a file,
    or a drive, is given twice."""
    each_once(paths)
    opened: list[Dataset] = []
    try:
        for path in paths:
            data = open_dataset(path, car)
            opened.append(data)
            refuse_same_drive(data, opened[:-1])
            tell(len(opened))
    except BaseException:
        for data in opened:
            data.close()
        raise
    return sorted(opened, key=lambda data: data.started_utc)


def each_once(paths: Sequence[str | Path]) -> None:
    """Raise InputError where a session is given twice, by whatever name."""
    seen: set[Path] = set()
    for path in paths:
        whole = Path(path).resolve()
        if whole in seen:
            raise InputError(f"{path}: is given twice; name each session once")
        seen.add(whole)


def refuse_same_drive(data: Dataset, others: Sequence[Dataset]) -> None:
    """Raise InputError where another file holds the drive of this one: what it shows would count twice."""
    if (other := same_drive(data, others)) is not None:
        raise InputError(
            f"{data.path}: is the same drive as {other.path}; give each drive once",
            "same-drive-twice",
            path=data.path,
            other=other.path,
        )


def same_drive(data: Dataset, others: Iterable[Dataset]) -> Dataset | None:
    """The first of the others with the same samples of engine speed and load (of all channels, where it has neither):
    a copy, a replay, a log imported twice, a session with a controller's log merged into it.

    Samples are read only where rate and count are equal already, all of them only where the middle ones are equal.
    """
    names = tuple(one.name for one in data.recorded("engine_speed", "load")) or data.names
    for other in others:
        if not data.rows or (other.rate_hz, other.rows) != (data.rate_hz, data.rows):
            continue
        if (
            set(names) <= set(other.names)
            and all(data.middle(name) == other.middle(name) for name in names)
            and all(_same_samples(data, other, name) for name in names)
        ):
            return other
    return None


def _same_samples(one: Dataset, other: Dataset, name: str) -> bool:
    for start in range(0, one.rows, ROWS_COMPARED):
        part = slice(start, start + ROWS_COMPARED)
        parts = [data.session.raw(name, part.start, part.stop) for data in (one, other)]
        if not np.array_equal(parts[0], parts[1], equal_nan=True):
            return False
    return True


def calibration_in(session: Session) -> SpeedCalibration | None:
    """The speed calibration in force in an open session. Raises InputError where it is damaged."""
    attributes = session.calibrations().get(CALIBRATION)
    if attributes is None:
        return None
    text = attributes.get("toml", "")
    text = text.decode() if isinstance(text, bytes) else str(text)
    return parse_calibration(text, f"{session.path}: calibrations/{CALIBRATION}")


def calibrated_hold(hold: Hold, line: tuple[float, float], calibration: SpeedCalibration | None) -> Hold:
    """A hold with its rpm by the calibration instead of `line`; what scales with rpm follows its slope there."""
    if calibration is None:
        return hold
    step = max(abs(hold.signal_mean) * 1e-3, 1e-6)
    low, rpm, high = calibration.rpm(np.array([-step, 0.0, step]) + hold.signal_mean)
    ratio = float(abs((high - low) / (2 * step)) / abs(line[0]))
    return msgspec.structs.replace(
        hold, speed_rpm=float(rpm), speed_sd_rpm=hold.speed_sd_rpm * ratio, drift_rpm_per_s=hold.drift_rpm_per_s * ratio
    )


def calibrated_pull(pull: Pull, line: tuple[float, float], calibration: SpeedCalibration | None) -> Pull:
    """A pull of a running stage, whose signal is not kept, with its speeds by the calibration instead of `line`."""
    if calibration is None:
        return pull
    start, end = calibration.rpm((np.array([pull.start_rpm, pull.end_rpm]) - line[1]) / line[0])
    return msgspec.structs.replace(pull, start_rpm=float(start), end_rpm=float(end))


def on_clock(wanted_s: Floats, time_s: Floats, values: Floats, step_s: float) -> Floats:
    """Values at wanted times, on the line between finite neighbours; NaN where none is within 1.5 steps."""
    good = np.isfinite(values)
    if not good.any():
        return np.full(len(wanted_s), np.nan)
    time_s, values = time_s[good], values[good]
    result = np.interp(wanted_s, time_s, values, left=np.nan, right=np.nan)
    after = np.clip(np.searchsorted(time_s, wanted_s), 1, len(time_s) - 1)
    near = np.minimum(np.abs(wanted_s - time_s[after]), np.abs(wanted_s - time_s[after - 1]))
    return np.where(near <= 1.5 * step_s, result, np.nan)


def usable(values: Floats, channel: Channel) -> Flags:
    """Samples of a channel that say something: finite, and in the range of the car file."""
    good = np.isfinite(values)
    if channel.range is not None:
        good &= (values >= channel.range[0]) & (values <= channel.range[1])
    return good


def _own_car(session: Session) -> Car:
    return parse_car(session.car_text, f"{session.path}: the car file in it")


def _live_rows(stage: LiveStage, session: Session) -> LiveRows:
    """The live rows of a whole session, made again in memory."""
    rows = [stage.push(block) for block in session.blocks()]
    return join_rows([*rows, stage.finish()])
