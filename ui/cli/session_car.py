"""The car of a session: its own, or the one given beside it."""

from typing import TYPE_CHECKING

from stream.car import Car, load_car, parse_car
from ui.cli.live_text import warn

if TYPE_CHECKING:
    from stream.record.session import Session


def car_of(session: "Session", car_path: str | None) -> Car:
    """The car file given with --car, with a warning where it differs from the session's own; else the session's own.

    Raises InputError where neither can be used.
    """
    own = f"{session.path}: the car file in it"
    if car_path is None:
        return parse_car(session.car_text, own)
    car = load_car(car_path)
    warn(car.warnings)
    if session.car_text.strip() != car.text.strip():
        warn([f"{car_path} differs from the car file in {session.path}; {car_path} is used"])
    return car
