"""steadypull car: makes a car file by asking."""

from collections.abc import Callable
from typing import Any, get_args

import click

from ui.cli.options import new_file
from ui.text.car_fields import COMMENTS, FURTHER, HEAD

UNKNOWN = "-"


@click.command("car")
@click.option("-o", "out", default="CAR.toml", metavar="CAR.toml", help="The new car file.  [CAR.toml]")
def command(out: str) -> int:
    """Make a car file by asking. Enter takes what stands in brackets; - says that you do not know.

    The numbers in brackets are those of an invented car: type your own.
    """
    from stream.car import parse_car
    from stream.car_file import car_text
    from stream.errors import StorageError

    target = new_file("-o", out)
    click.echo("Enter takes what stands in [brackets], an invented car's; - says: not known.", err=True)
    tables = _ask_car()
    channels = [_ask_speed(tables["engine"]["redline_rpm"])]
    if _yes("Does a strain-gauged link measure load?"):
        channels.append(_ask_load(channels))
    _ask_further(channels)
    text = car_text(tables, channels, head=HEAD, comments=COMMENTS)
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


def _ask_car() -> dict[str, dict[str, Any]]:
    """[car], [gearing], [engine]."""
    car: dict[str, Any] = {
        "name": _text("What do you call the car?", "hill-climb special"),
        "mass_kg": _number("Mass as driven, people included, kg", 790.0),
        "rolling_radius_m": _number("Rolling radius of the driven wheels, m", 0.281),
        "drag_area_m2": _number("Drag area, m2 (drag coefficient x frontal area)", 0.58),
        "rolling_coefficient": _number("Rolling coefficient of the tyres", 0.013),
    }
    gearing: dict[str, Any] = {
        "final_drive": _number("Final drive ratio", 4.3),
        "ratios": _list("Gear ratios from first gear up", (3.0, 1.95, 1.38, 1.0)),
    }
    engine: dict[str, Any] = {
        "pulses_per_turn": _number("Pulses of the tap per turn of the crankshaft", 4.0),
        "redline_rpm": _number("Redline, rpm", 7400.0, needed=True) or 0.0,
    }
    return {"car": car, "gearing": gearing, "engine": engine}


def _ask_speed(redline: float) -> dict[str, Any]:
    from stream.car_file import line_through

    unit = _choice("Unit of the engine-speed channel", ("V", "mV", "Hz", "rpm"), "V")
    name = _text("Name of the engine-speed channel", "speed_v")
    channel: dict[str, Any] = {"name": name, "role": "engine_speed", "unit": unit}
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
        channel["rpm_per_unit"], channel["rpm_at_zero"] = line_through(standing, top, redline)
    channel["range"] = _range(unit, (0.0, 4.9) if unit == "V" else None)
    channel["lag_s"] = _number("Lag of the converter's smoothing, s (R x smoothing capacitor)", 0.02, zero=True)
    return channel


def _ask_load(channels: list[dict[str, Any]]) -> dict[str, Any]:
    from stream.car import LOAD_UNITS, Bridge

    unit = _choice("Unit of the link's channel", LOAD_UNITS, "mV/V")
    taken = _names(channels)
    name = _text("Name of the link's channel", "link", wrong=lambda text: text in taken, why="that name is taken")
    channel: dict[str, Any] = {"name": name, "role": "load", "unit": unit}
    channel["range"] = _range(unit, (-2.0, 2.0) if unit == "mV/V" else None)
    if unit in ("mV/V", "V"):
        channel["bridge"] = _choice("How the gauges sit", get_args(Bridge), "full-bending")
        channel["gauge_factor"] = _number("Gauge factor, off the packet", 2.08)
    channel["sign"] = 1 if _yes("Does the reading rise when the car is pushed forwards?") else -1
    return channel


def _ask_further(channels: list[dict[str, Any]]) -> None:
    """Channels beyond the two, and the time column of a CSV log."""
    taken = _names(channels)
    while True:
        role = _choice("Another channel? Its role, or - for none", (*FURTHER, "other", UNKNOWN), UNKNOWN)
        if role == UNKNOWN:
            break
        name = _text("Its name", role, wrong=lambda text: text in taken, why="that name is taken")
        taken.add(name)
        unit = _text("Its unit", FURTHER.get(role, UNKNOWN))
        channels.append({"name": name, "role": role, "unit": None if unit == UNKNOWN else unit})
    column = _text(
        "Time column of your CSV logs, or - for none",
        UNKNOWN,
        wrong=lambda text: text in taken,
        why="that is a channel's name",
    )
    if column != UNKNOWN:
        channels.append({"name": column, "role": "time", "unit": "s"})


def _names(channels: list[dict[str, Any]]) -> set[str]:
    return {channel["name"] for channel in channels}


def _range(unit: str, usual: tuple[float, float] | None) -> tuple[float, ...]:
    shown = f"Lowest and highest believable reading, {unit}, with a comma between"
    return _list(shown, usual, wrong=lambda v: len(v) != 2 or v[0] >= v[1], why="give the lower, then the higher")


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
