"""The car file: channels and their roles, gearing, mass, and the settings of the live stage.

TOML, read by tomllib and checked into records; errors name the key path. A key that is not known is
kept as a warning, not an error: a newer Steadypull may have written it.
"""

import math
from pathlib import Path
from typing import Any, Final, Literal

import msgspec

from stream.errors import InputError
from stream.findings import Finding, warning
from stream.typed import MisfitError, as_record, read_text, read_toml

Role = Literal[
    "engine_speed",
    "load",
    "lambda",
    "advance",
    "manifold_pressure",
    "throttle",
    "road_speed",
    "temperature",
    "knock",
    "fuel_trim",
    "time",
    "other",
]
Bridge = Literal["quarter", "half-bending", "full-bending", "full-axial", "full-torsion"]

SPEED_UNITS = ("V", "mV", "Hz", "rpm")
LOAD_UNITS = ("mV/V", "V", "microstrain", "N")
ONE_OF_A_KIND: Final[tuple[Role, ...]] = ("engine_speed", "load", "time")  # a car has one channel of each at most
FLOOR_WIDENING = 1.3  # what a provisional line may be wrong by, either way
_LARGEST = 1e9  # of any number: far above what a car has, far below what arithmetic minds
_SMALLEST = 1e-9
_LOWEST = {("live", "cutoff_hz"): 0.05, ("live", "rate_hz"): 0.1, ("hold", "min_s"): 0.1}  # below it nothing is found
_FLOAT32_MAX = 3.4e38  # what samples can hold


class CarBody(msgspec.Struct, frozen=True, kw_only=True):
    """[car]: name, and what the road-load work needs. Mass is as driven, people included."""

    name: str
    mass_kg: float | None = None
    rolling_radius_m: float | None = None
    drag_area_m2: float | None = None
    rolling_coefficient: float | None = None


class Gearing(msgspec.Struct, frozen=True, kw_only=True):
    """[gearing]: engine turns per wheel turn = final_drive * ratios[gear - 1]."""

    final_drive: float | None = None
    ratios: tuple[float, ...] = ()


class Engine(msgspec.Struct, frozen=True, kw_only=True):
    """[engine]. `advance_max_deg`: no proposal of advance above it, degrees before top dead centre. `boosted`: whether
    it is filled above the ambient pressure; None: not known."""

    pulses_per_turn: float | None = None
    redline_rpm: float | None = None
    advance_max_deg: float | None = None
    boosted: bool | None = None


class LiveRule(msgspec.Struct, frozen=True, kw_only=True):
    """[live]: the low-pass corner and the rate at which decisions are made, Hz."""

    cutoff_hz: float = 10.0
    rate_hz: float = 100.0


class HoldRule(msgspec.Struct, frozen=True, kw_only=True):
    """[hold]: what counts as a steady speed."""

    min_s: float = 3.0
    band_pct: float = 1.5
    band_rpm: float = 60.0
    drift_pct_per_s: float = 0.5
    drift_rpm_per_s: float = 20.0


class PullRule(msgspec.Struct, frozen=True, kw_only=True):
    """[pull]: what counts as a full-load run when the gear is not known."""

    min_span_rpm: float = 1500.0


class Limit(msgspec.Struct, frozen=True, kw_only=True):
    """[[limit]]: a channel that is watched; above and below in the channel's unit, at least one of them given."""

    channel: str
    above: float | None = None
    below: float | None = None
    during: Literal["always", "pull"] = "always"


class Channel(msgspec.Struct, frozen=True, kw_only=True):
    """[[channel]]: one measured quantity. `column` is its name in a CSV log; `name` where left out. `gauge`: a pressure
    above the ambient one, not an absolute one."""

    name: str
    role: Role
    unit: str = ""
    column: str | None = None
    range: tuple[float, float] | None = None
    rpm_per_unit: float | None = None
    rpm_at_zero: float = 0.0
    lag_s: float | None = None
    bridge: Bridge | None = None
    gauge_factor: float | None = None
    sign: Literal[-1, 1] = 1
    newtons_per_unit: float | None = None
    side: str | None = None
    gauge: bool = False

    @property
    def csv_column(self) -> str:
        """The header cell that carries this channel in a CSV log."""
        return self.name if self.column is None else self.column

    @property
    def rpm_line(self) -> tuple[float, float]:
        """(rpm per unit, rpm at zero): the provisional line. A channel in rpm needs none.

        Raises InputError where another unit has no rpm_per_unit.
        """
        if self.rpm_per_unit is not None:
            return self.rpm_per_unit, self.rpm_at_zero
        if self.unit == "rpm":
            return 1.0, self.rpm_at_zero
        raise InputError(
            f"channel {self.name!r}: rpm_per_unit is missing; "
            f"give the rpm of one {self.unit or 'unit'}, ±30 % is near enough"
        )


class Car(msgspec.Struct, frozen=True, kw_only=True):
    """A whole car file, checked.

    `text` is the file as written, `where` what errors call it, `findings` what was odd but usable.
    """

    car: CarBody
    channel: tuple[Channel, ...]
    limit: tuple[Limit, ...] = ()
    gearing: Gearing = Gearing()
    engine: Engine = Engine()
    live: LiveRule = LiveRule()
    hold: HoldRule = HoldRule()
    pull: PullRule = PullRule()
    text: str = ""
    where: str = "car file"
    findings: tuple[Finding, ...] = ()

    @property
    def limited(self) -> tuple[str, ...]:
        """The channels that have a limit, each once."""
        return tuple(dict.fromkeys(one.channel for one in self.limit))

    def by_role(self, role: Role) -> Channel | None:
        """The first channel with this role, or None."""
        return next((channel for channel in self.channel if channel.role == role), None)

    def by_name(self, name: str) -> Channel | None:
        """The channel with this name, or None."""
        return next((channel for channel in self.channel if channel.name == name), None)

    def need(self, role: Role, what_for: str) -> Channel:
        """The channel with this role. Raises InputError, naming the cure, where the car file has none."""
        channel = self.by_role(role)
        if channel is None:
            raise InputError(
                f"{self.where}: {what_for} needs a channel with role {role!r}; "
                f'add a [[channel]] table with role = "{role}"'
            )
        return channel

    def speed_line(self, what_for: str) -> tuple[float, float]:
        """(rpm per unit, rpm at zero) of the engine-speed channel. Raises InputError, naming the cure, where the car
        file has no such channel or no line for it."""
        channel = self.need("engine_speed", what_for)
        try:
            return channel.rpm_line
        except InputError as error:
            raise InputError(f"{self.where}: {error}") from None

    @property
    def signal_channels(self) -> tuple[Channel, ...]:
        """The channels that carry samples, in order: all but time."""
        return tuple(channel for channel in self.channel if channel.role != "time")


def load_car(path: str | Path) -> Car:
    """Read and check a car file. Raises InputError that names the file and the line or key path."""
    path = Path(path)
    missing = InputError(f"{path}: no such car file; make one, or give another", "no-car-file", path=path)
    return parse_car(read_text(path, "car file", missing), str(path))


def parse_car(text: str, where: str = "car file") -> Car:
    """Check the text of a car file; `where` names it in errors. Raises InputError."""
    kept = _PARSED.get(text)
    if kept is None:
        kept = _parse(text, where)
        if len(_PARSED) >= _MOST_PARSED:
            _PARSED.clear()
        _PARSED[text] = kept
    return msgspec.structs.replace(kept, where=where)


_PARSED: dict[str, Car] = {}  # by text: the sessions of a folder carry the same car file again and again
_MOST_PARSED = 32


def _parse(text: str, where: str) -> Car:
    known, findings = _drop_unknown(read_toml(text, where, "car file"))
    for name in _LISTS:
        if not isinstance(known.get(name, []), list):
            raise InputError(f"{where}: {name}: must be a list of tables; write [[{name}]], with two brackets")
    if "car" not in known:
        raise _wrong(where, "car", 'is missing; add a [car] table with a name, as in name = "my car"')
    try:
        car = as_record({"channel": [], **known}, Car)
    except MisfitError as error:
        raise _wrong(where, error.key, error.what) from None
    _check(car, where)
    return msgspec.structs.replace(car, text=text, where=where, findings=tuple(findings))


_TABLES: dict[str, type[msgspec.Struct]] = {
    "car": CarBody,
    "gearing": Gearing,
    "engine": Engine,
    "live": LiveRule,
    "hold": HoldRule,
    "pull": PullRule,
}


_LISTS: dict[str, type[msgspec.Struct]] = {"channel": Channel, "limit": Limit}


def _drop_unknown(raw: dict[str, Any]) -> tuple[dict[str, Any], list[Finding]]:
    """The known part of a parsed file, and a finding for each key that is not known."""
    findings: list[Finding] = []

    def keep(table: Any, kind: type[msgspec.Struct], path: str) -> Any:
        if not isinstance(table, dict):
            return table
        names = {field.encode_name for field in msgspec.structs.fields(kind)}
        findings.extend(warning("car-key-unknown", key=f"{path}.{key}") for key in table if key not in names)
        return {key: value for key, value in table.items() if key in names}

    known: dict[str, Any] = {}
    for key, value in raw.items():
        if key in _TABLES:
            known[key] = keep(value, _TABLES[key], key)
        elif key in _LISTS and isinstance(value, list):
            known[key] = [keep(item, _LISTS[key], f"{key}[{number}]") for number, item in enumerate(value)]
        elif key in _LISTS:
            known[key] = value
        else:
            findings.append(warning("car-key-unknown", key=key))
    return known, findings


def _wrong(where: str, key: str, text: str) -> InputError:
    """The error of a key; its values are `key`, such as channel[0].range, and `what` is wrong there."""
    return InputError(f"{where}: {key}: {text}", key=key, what=text)


def _check(car: Car, where: str) -> None:
    """What the types cannot say: uniqueness, ranges, units by role, positive numbers."""
    if not car.signal_channels:
        raise _wrong(where, "channel", "a car needs one channel that is not time; add a [[channel]] table")
    if not car.car.name.strip():
        raise _wrong(where, "car.name", "is empty; give the car a name")
    seen: dict[str, int] = {}
    for number, channel in enumerate(car.channel):
        path = f"channel[{number}]"
        if channel.name in seen:
            first = seen[channel.name]
            raise _wrong(where, f"{path}.name", f"{channel.name!r} is already channel[{first}]; names are unique")
        if not channel.name.strip() or not channel.name.isprintable():
            what = f"{channel.name!r} is empty or has control characters; use plain text"
            raise _wrong(where, f"{path}.name", what)
        seen[channel.name] = number
        _check_channel(channel, where, path)
    for role in ONE_OF_A_KIND:
        doubles = [channel.name for channel in car.channel if channel.role == role]
        if len(doubles) > 1:
            raise _wrong(where, "channel", f"{' and '.join(doubles)} both have role {role!r}; keep one")
    for number, limit in enumerate(car.limit):
        _check_limit(car, limit, f"{where}: limit[{number}]")
    for table, key, value in _positive_numbers(car):
        if value is None:
            continue
        if not (math.isfinite(value) and value > 0):
            raise _wrong(where, f"{table}.{key}", f"{value} is not a positive number; mend the value")
        lowest = _LOWEST.get((table, key), _SMALLEST)
        if not lowest <= value <= _LARGEST:
            raise _wrong(where, f"{table}.{key}", f"{value:g} cannot be used; give {lowest:g} to {_LARGEST:g}")


def _check_limit(car: Car, limit: Limit, path: str) -> None:
    if car.by_name(limit.channel) is None:
        names = ", ".join(channel.name for channel in car.signal_channels)
        raise InputError(f"{path}.channel: no channel {limit.channel!r}; it has {names}")
    if limit.above is None and limit.below is None:
        raise InputError(f"{path}: neither above nor below is given; add the value that must not be passed")
    for key, value in (("above", limit.above), ("below", limit.below)):
        if value is not None and not math.isfinite(value):
            raise InputError(f"{path}.{key}: {value} is not a finite number; mend the value")
    if limit.above is not None and limit.below is not None and limit.below >= limit.above:
        raise InputError(f"{path}: below {limit.below:g} is not under above {limit.above:g}; nothing would be allowed")


def _check_channel(channel: Channel, where: str, path: str) -> None:
    def wrong(key: str, what: str) -> InputError:
        return _wrong(where, f"{path}.{key}", what)

    if channel.role == "engine_speed":
        if channel.unit and channel.unit not in SPEED_UNITS:
            raise wrong("unit", f"{channel.unit!r} is not a unit of engine speed; use one of {', '.join(SPEED_UNITS)}")
        if channel.rpm_per_unit is not None and not _SMALLEST <= abs(channel.rpm_per_unit) <= _LARGEST:
            raise wrong(
                "rpm_per_unit",
                f"{channel.rpm_per_unit} cannot be used; give a number that is not zero, at most {_LARGEST:g}",
            )
        if not abs(channel.rpm_at_zero) <= _LARGEST:
            raise wrong(
                "rpm_at_zero", f"{channel.rpm_at_zero} cannot be used; give a finite number, at most {_LARGEST:g}"
            )
    if channel.role == "load" and channel.unit and channel.unit not in LOAD_UNITS:
        raise wrong("unit", f"{channel.unit!r} is not a unit of load; use one of {', '.join(LOAD_UNITS)}")
    if channel.range is not None and not channel.range[0] < channel.range[1]:
        raise wrong("range", f"{list(channel.range)} is not [lowest, highest]; put the lower number first")
    if channel.range is not None and any(math.isfinite(end) and abs(end) > _FLOAT32_MAX for end in channel.range):
        raise wrong("range", f"{list(channel.range)} is beyond 32-bit numbers; leave it out for no limit")
    if channel.lag_s is not None and not 0 <= channel.lag_s < 10:
        raise wrong("lag_s", f"{channel.lag_s} is not a lag in seconds; give a number from 0 to 10")
    if channel.gauge_factor is not None and not channel.gauge_factor > 0:
        raise wrong("gauge_factor", f"{channel.gauge_factor} is not positive; read it off the gauge's packet")


def _positive_numbers(car: Car) -> list[tuple[str, str, float | None]]:
    """(table, key, value) of every number that must be above zero where it is given."""
    numbers: list[tuple[str, str, float | None]] = []
    for table, struct in (
        ("car", car.car),
        ("gearing", car.gearing),
        ("engine", car.engine),
        ("live", car.live),
        ("hold", car.hold),
        ("pull", car.pull),
    ):
        for field in msgspec.structs.fields(type(struct)):
            value = getattr(struct, field.name)
            if isinstance(value, tuple):
                numbers.extend((table, f"{field.name}[{index}]", item) for index, item in enumerate(value))
            elif isinstance(value, (int, float)) and not isinstance(value, bool):
                numbers.append((table, field.name, float(value)))
    return numbers
