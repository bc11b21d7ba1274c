"""A drive, integrated: the true motion 200 times a second, and what the driver did when."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from stream.sources.rehearsal.car import COLUMNS, STEP_S, TICK_S, Body, Car, Road, Row, Weather
from stream.sources.rehearsal.driver import Driver, Mark, Needle
from stream.sources.rehearsal.engine import Engine, Tune
from stream.sources.rehearsal.script import Step
from stream.units import Floats

_STEPS: Final = round(TICK_S / STEP_S)


@dataclass(frozen=True, slots=True)
class Motion:
    """True quantities at times k * STEP_S, float64 (n,): see COLUMNS of car.py for names and units."""

    values: Floats
    marks: tuple[Mark, ...]
    engine: Engine

    @property
    def time_s(self) -> Floats:
        """Seconds from the start, (n,)."""
        return np.arange(len(self.values), dtype=np.float64) * STEP_S

    @property
    def duration_s(self) -> float:
        """Seconds the drive took."""
        return STEP_S * len(self.values)

    def __getitem__(self, column: str) -> Floats:
        found: Floats = self.values[:, COLUMNS.index(column)]
        return found

    def at(self, column: str, time_s: Floats) -> Floats:
        """A column at other times, linear between steps."""
        return np.asarray(np.interp(time_s, self.time_s, self[column]), dtype=np.float64)


def simulate(script: tuple[Step, ...], tune: Tune, weather: Weather, needle: Needle, seed: int) -> Motion:
    """Drive the script. The same arguments give the same motion to the bit."""
    road_seed, driver_seed = np.random.SeedSequence(seed).spawn(2)
    engine = Engine(tune)
    car = Car(engine, Body())
    road = Road(weather, np.random.default_rng(road_seed))
    driver = Driver(car, script, needle, np.random.default_rng(driver_seed))
    rows: list[Row] = []
    for _ in driver.act():
        road.act(car)
        for _ in range(_STEPS):
            rows.append(car.step())
    return Motion(np.array(rows, dtype=np.float64).reshape(-1, len(COLUMNS)), tuple(driver.marks), engine)
