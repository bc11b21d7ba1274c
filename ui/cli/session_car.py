"""The car of a session: its own, or the one given beside it."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from stream.car import Car, load_car, parse_car
from ui.cli.live_text import warn

if TYPE_CHECKING:
    from stream.record.session import Session


def car_for(paths: Sequence[str], car_path: str | None) -> Car | None:
    """The car file given with --car, with a warning for each session whose own differs; None where none was given."""
    from stream.record.session import open_session

    if car_path is None:
        return None
    car = load_car(car_path)
    warn(car.warnings)
    for path in paths:
        with open_session(path) as session:
            _warn_where_it_differs(session, car, car_path)
    return car


def car_of(session: "Session", car_path: str | None) -> Car:
    """The car file given with --car, with a warning where it differs from the session's own; else the session's own.

    Raises InputError where neither can be used.
    """
    own = f"{session.path}: the car file in it"
    if car_path is None:
        return parse_car(session.car_text, own)
    car = load_car(car_path)
    warn(car.warnings)
    _warn_where_it_differs(session, car, car_path)
    return car


def _warn_where_it_differs(session: "Session", car: Car, car_path: str) -> None:
    if session.car_text.strip() != car.text.strip():
        warn([f"{car_path} differs from the car file in {session.path}; {car_path} is used"])
