"""The car of a session: its own, or the one given beside it."""

from collections.abc import Iterable
from typing import TYPE_CHECKING

from stream.car import Car, load_car, parse_car
from ui.cli.live_text import warn

if TYPE_CHECKING:
    from stream.record.session import Session
    from stream.study.dataset import Dataset
    from stream.study.speed import HeldSession


def given_car(car_path: str | None) -> Car | None:
    """The car file given beside sessions, its warnings said; None where none was given."""
    if car_path is None:
        return None
    car = load_car(car_path)
    warn(car.warnings)
    return car


def say_foreign(sessions: "Iterable[Dataset | HeldSession]", car_path: str | None) -> None:
    """A warning for each session whose own car file differs from the one given."""
    warn(
        f"{car_path} differs from the car file in {data.path}; {car_path} is used"
        for data in sessions
        if data.foreign_car
    )


def car_of(session: "Session", car_path: str | None) -> Car:
    """The car file given with --car, with a warning where it differs from the session's own; else the session's own.

    Raises InputError where neither can be used.
    """
    car = given_car(car_path)
    if car is None:
        return parse_car(session.car_text, f"{session.path}: the car file in it")
    if session.car_text.strip() != car.text.strip():
        warn([f"{car_path} differs from the car file in {session.path}; {car_path} is used"])
    return car
