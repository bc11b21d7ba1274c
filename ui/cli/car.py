"""steadypull car: makes a car file by asking."""

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, get_args

import click

from ui.cli.options import new_file

if TYPE_CHECKING:
    from tomlkit import TOMLDocument
    from tomlkit.items import Table

UNKNOWN = "-"
FURTHER = ("lambda", "advance", "manifold_pressure", "throttle", "road_speed", "temperature", "knock", "fuel_trim")
UNITS = {
    "lambda": "lambda",
    "advance": "deg",
    "manifold_pressure": "kPa",
    "throttle": "%",
    "road_speed": "km/h",
    "temperature": "degC",
    "knock": "V",
    "fuel_trim": "%",
}


@click.command("car")
@click.option("-o", "out", default="CAR.toml", metavar="CAR.toml", help="The new car file.  [CAR.toml]")
def command(out: str) -> int:
    """Make a car file by asking. Enter takes what stands in brackets; - says that you do not know.

    The numbers in brackets are those of an invented car: type your own.
    """
    import tomlkit

    from stream.car import parse_car
    from stream.errors import StorageError

    target = new_file("-o", out)
    click.echo("Enter takes what stands in [brackets], an invented car's; - says: not known.", err=True)
    document = tomlkit.document()
    document.add(tomlkit.comment("A car file. Change it with any text editor."))
    redline = _ask_car(document)
    _ask_speed(document, redline)
    if _yes("Does a strain-gauged link measure load?"):
        _ask_load(document)
    _ask_further(document)
    text = tomlkit.dumps(document)
    parse_car(text, out)
    try:
        with open(target or out, "x", encoding="utf-8") as file:  # noqa: PTH123 - 'x' never opens one that is there
            file.write(text)
    except OSError as error:
        raise StorageError(f"{out}: cannot be written ({error.strerror}); choose another folder") from None
    click.echo(
        f"{out}: written. Next: hold a row of steady speeds with 'steadypull drive', then 'steadypull fit'", err=True
    )
    return 0


def _ask_car(document: "TOMLDocument") -> float:
    """[car], [gearing], [engine]; returns redline, rpm."""
    import tomlkit

    car = tomlkit.table()
    car.add("name", _text("What do you call the car?", "hill-climb special"))
    _put(car, "mass_kg", _number("Mass as driven, people included, kg", 790.0), "as driven, people included")
    _put(car, "rolling_radius_m", _number("Rolling radius of the driven wheels, m", 0.281), "axle to road, loaded")
    _put(car, "drag_area_m2", _number("Drag area, m2 (drag coefficient x frontal area)", 0.58))
    _put(car, "rolling_coefficient", _number("Rolling coefficient of the tyres", 0.013))
    document.add("car", car)
    gearing = tomlkit.table()
    _put(gearing, "final_drive", _number("Final drive ratio", 4.3))
    ratios = _list("Gear ratios from first gear up", (3.0, 1.95, 1.38, 1.0))
    if ratios:
        gearing.add("ratios", list(ratios))
    if len(gearing):
        document.add("gearing", gearing)
    engine = tomlkit.table()
    _put(engine, "pulses_per_turn", _number("Pulses of the tap per turn of the crankshaft", 4.0))
    redline = _number("Redline, rpm", 7400.0, needed=True) or 0.0
    _put(engine, "redline_rpm", redline)
    document.add("engine", engine)
    return redline


def _ask_speed(document: "TOMLDocument", redline: float) -> None:
    unit = _choice("Unit of the engine-speed channel", ("V", "mV", "Hz", "rpm"), "V")
    channel = _channel(_text("Name of the engine-speed channel", "speed_v"), "engine_speed", unit)
    if unit != "rpm":
        click.echo("Two readings give a first line; within 30 % is near enough, a fit makes it exact.", err=True)
        standing = _number(f"Reading with the engine standing, {unit}", 0.25, needed=True, signed=True) or 0.0
        top = (
            _number(
                f"Reading at redline, {unit}",
                4.55,
                needed=True,
                signed=True,
                wrong=lambda value: value == standing,
                why="the two readings must differ",
            )
            or 0.0
        )
        slope = redline / (top - standing)
        _put(channel, "rpm_per_unit", round(slope, 3), "provisional, until a fit")
        channel.add("rpm_at_zero", round(-slope * standing, 2))
    _put_range(channel, unit, (0.0, 4.9) if unit == "V" else None)
    lag = _number("Lag of the converter's smoothing, s (R x smoothing capacitor)", 0.02, zero=True)
    if lag is not None:
        _put(channel, "lag_s", lag, "what the converter's smoothing delays")
    document.append("channel", _aot(document, channel))


def _ask_load(document: "TOMLDocument") -> None:
    from stream.car import LOAD_UNITS, Bridge

    unit = _choice("Unit of the link's channel", LOAD_UNITS, "mV/V")
    taken = _names(document)
    name = _text("Name of the link's channel", "link", wrong=lambda text: text in taken, why="that name is taken")
    channel = _channel(name, "load", unit)
    _put_range(channel, unit, (-2.0, 2.0) if unit == "mV/V" else None)
    if unit in ("mV/V", "V"):
        channel.add("bridge", _choice("How the gauges sit", get_args(Bridge), "full-bending"))
        _put(channel, "gauge_factor", _number("Gauge factor, off the packet", 2.08))
    channel.add("sign", 1 if _yes("Does the reading rise when the car is pushed forwards?") else -1)
    document.append("channel", _aot(document, channel))


def _ask_further(document: "TOMLDocument") -> None:
    """Channels beyond the two, and the time column of a CSV log."""
    taken = _names(document)
    while True:
        role = _choice("Another channel? Its role, or - for none", (*FURTHER, "other", UNKNOWN), UNKNOWN)
        if role == UNKNOWN:
            break
        name = _text("Its name", role, wrong=lambda text: text in taken, why="that name is taken")
        taken.add(name)
        unit = _text("Its unit", UNITS.get(role, UNKNOWN))
        document.append("channel", _aot(document, _channel(name, role, "" if unit == UNKNOWN else unit)))
    column = _text(
        "Time column of your CSV logs, or - for none",
        UNKNOWN,
        wrong=lambda text: text in taken,
        why="that is a channel's name",
    )
    if column != UNKNOWN:
        document.append("channel", _aot(document, _channel(column, "time", "s")))


def _names(document: "TOMLDocument") -> set[str]:
    return {channel["name"] for channel in document.unwrap()["channel"]}


def _aot(document: "TOMLDocument", channel: "Table") -> Any:
    """The list of channels with one more."""
    import tomlkit

    rows = document.pop("channel") if "channel" in document else tomlkit.aot()
    rows.append(channel)
    return rows


def _channel(name: str, role: str, unit: str) -> "Table":
    import tomlkit

    channel = tomlkit.table()
    channel.add("name", name)
    channel.add("role", role)
    if unit:
        channel.add("unit", unit)
    return channel


def _put(table: "Table", key: str, value: float | None, comment: str = "") -> None:
    import tomlkit

    if value is None:
        return
    item = tomlkit.item(int(value) if value == int(value) and abs(value) >= 1 else value)
    if comment:
        item.comment(comment)
    table.add(key, item)


def _put_range(channel: "Table", unit: str, usual: tuple[float, float] | None) -> None:
    import tomlkit

    shown = f"Lowest and highest believable reading, {unit}, with a comma between"
    limits = _list(shown, usual, wrong=lambda v: len(v) != 2 or v[0] >= v[1], why="give the lower, then the higher")
    if limits:
        item = tomlkit.item(list(limits))
        item.comment("outside it: clipped")
        channel.add("range", item)


# -- questions ---------------------------------------------------------------------------------------------------


def _ask(question: str, default: str, read: Callable[[str], Any]) -> Any:
    """Ask until `read` takes the answer; it raises ValueError, in words, for one that it cannot."""
    while True:
        answer = str(click.prompt(question, default=default, err=True, type=str)).strip()
        try:
            return read(answer)
        except ValueError as error:
            click.echo(f"  {answer!r}: {error}; once more", err=True)


def _text(question: str, default: str, wrong: Callable[[str], bool] | None = None, why: str = "") -> str:
    def read(answer: str) -> str:
        if not answer or not answer.isprintable():
            raise ValueError("give plain text")
        if wrong is not None and wrong(answer):
            raise ValueError(why)
        return answer

    return str(_ask(question, default, read))


def _number(
    question: str,
    default: float,
    *,
    needed: bool = False,
    signed: bool = False,
    zero: bool = False,
    wrong: Callable[[float], bool] | None = None,
    why: str = "",
) -> float | None:
    def read(answer: str) -> float | None:
        if answer == UNKNOWN and not needed:
            return None
        value = _float(answer)
        if not signed and (value < 0 or (value == 0 and not zero)):
            raise ValueError("give a number above zero")
        if wrong is not None and wrong(value):
            raise ValueError(why)
        return value

    answer: float | None = _ask(question, f"{default:g}", read)
    return answer


def _list(
    question: str,
    default: tuple[float, ...] | None,
    wrong: Callable[[tuple[float, ...]], bool] | None = None,
    why: str = "",
) -> tuple[float, ...]:
    def read(answer: str) -> tuple[float, ...]:
        if answer == UNKNOWN:
            return ()
        values = tuple(_float(cell) for cell in answer.replace(";", ",").split(","))
        if wrong is None and any(value <= 0 for value in values):
            raise ValueError("give numbers above zero, separated by commas")
        if wrong is not None and wrong(values):
            raise ValueError(why)
        return values

    shown = UNKNOWN if default is None else ", ".join(f"{value:g}" for value in default)
    values: tuple[float, ...] = _ask(question, shown, read)
    return values


def _float(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        raise ValueError("not a number (decimals with a point)") from None
    if not abs(value) < float("inf"):
        raise ValueError("not a finite number")
    return value


def _choice(question: str, choices: tuple[str, ...], default: str) -> str:
    def read(answer: str) -> str:
        if answer not in choices:
            raise ValueError("use one of " + " ".join(choices))
        return answer

    return str(_ask(f"{question} ({' '.join(choice for choice in choices if choice != UNKNOWN)})", default, read))


def _yes(question: str) -> bool:
    def read(answer: str) -> bool:
        if answer.lower() not in ("y", "yes", "n", "no"):
            raise ValueError("answer yes or no")
        return answer.lower().startswith("y")

    return bool(_ask(question, "yes", read))
