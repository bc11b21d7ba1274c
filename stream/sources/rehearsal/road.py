"""The airfield: a steady wind with gusts, and a runway that is not quite level."""

import math
from dataclasses import dataclass

import numpy as np

from stream.sources.rehearsal.car import Car

TICK_S = 0.02  # the road and the driver act 50 times a second


@dataclass(frozen=True, slots=True)
class Weather:
    """Wind along the runway, m/s; `gust` a standard deviation; grade rise per run; `direction` 1 or -1."""

    headwind: float = 1.5
    gust: float = 0.5
    grade: float = 0.002
    unevenness: float = 0.002
    direction: int = 1


CALM = Weather(headwind=0.0, gust=0.0, grade=0.0, unevenness=0.0)


class Road:
    """Sets wind and grade in the car's controls, tick by tick."""

    def __init__(self, weather: Weather, rng: np.random.Generator) -> None:
        self._weather = weather
        self._rng = rng
        self._gust = 0.0
        self._kicks: list[float] = []

    def act(self, car: Car) -> None:
        """One tick of weather: gusts fade over about four seconds, the runway rolls every 350 m."""
        if not self._kicks:
            self._kicks = self._rng.standard_normal(2048).tolist()
        weather, keep = self._weather, math.exp(-TICK_S / 4.0)
        direction = weather.direction * car.controls.heading
        self._gust = keep * self._gust + weather.gust * math.sqrt(1.0 - keep * keep) * self._kicks.pop()
        car.controls.headwind = direction * weather.headwind + self._gust
        roll = weather.unevenness * math.sin(2.0 * math.pi * car.distance / 350.0)
        car.controls.grade = direction * weather.grade + roll
