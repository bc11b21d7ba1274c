"""Days of the rehearsal car for `study_advice.py`: each seed its own car, engine, fuel table, needle and weather."""

from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from unittest.mock import patch

import numpy as np

from stream.sources.rehearsal import engine, motion, sensors
from stream.sources.rehearsal.car import Body, Weather
from stream.sources.rehearsal.driver import Needle
from stream.sources.rehearsal.record import Recording, record
from stream.sources.rehearsal.scenario import demo_car_text, pull_script
from stream.sources.rehearsal.script import Coast, PullAway, Shift, Stand, Step, Stop, Track, TurnRound
from stream.sources.rehearsal.sensors import Chain, converter_line
from tests.stream.study.rehearsed import BEGAN, kept

LINE = "rpm_per_unit = 1720.0       # provisional, until a fit\nrpm_at_zero = -430.0\n"
TABLE_RPM = np.arange(500.0, 8001.0, 250.0)


@dataclass(frozen=True, slots=True)
class Day:
    """What one seed draws. Turning parts are 2 to 6 % of the mass; the needle's scale error is within its 1 %."""

    seed: int
    body: Body
    weather: Weather
    needle: Needle
    off_best: dict[str, float]
    best_shift: tuple[float, float]
    hump: tuple[float, float, float, float]
    exhaust_s: float

    def best(self, rpm: np.ndarray) -> np.ndarray:
        """This day's engine: its best advance, degrees."""
        return 14.0 + 18.0 * (1.0 - np.exp(-rpm / 3200.0)) + self.best_shift[0] + self.best_shift[1] * (rpm / 4e3 - 1)

    def mixture(self, rpm: np.ndarray, pressure: np.ndarray) -> np.ndarray:
        """This day's fuel table: got over wanted λ less one."""
        size, middle, width, low = self.hump
        return size * np.exp(-(((rpm - middle) / width) ** 2)) * np.clip((pressure - 0.4) / 0.5, 0, 1) + low * (
            rpm < 2000
        )

    @contextmanager
    def in_the_model(self) -> Iterator[None]:
        """The rehearsal model with this day's car, engine and fuel table."""
        with ExitStack() as stack:
            stack.enter_context(patch.object(motion, "Body", lambda: self.body))
            stack.enter_context(patch.object(engine, "best_advance", self.best))
            stack.enter_context(patch.object(sensors, "mixture_error", self.mixture))
            stack.enter_context(patch.object(sensors, "_EXHAUST_S", self.exhaust_s))
            for name, off in self.off_best.items():
                degrees = tuple((self.best(TABLE_RPM) + off).tolist())
                tune = engine.Tune(name, tuple(TABLE_RPM.tolist()), degrees)
                stack.enter_context(patch.dict(engine.TUNES, {name: tune}))
            yield

    def car_text(self, channels: Sequence[str]) -> str:
        """Mass and radius as they are; the speed line with the needle's scale error, as a fit would have it."""
        text = demo_car_text(channels).replace("mass_kg = 790.0 ", f"mass_kg = {self.body.mass} ")
        slope, zero = converter_line(Chain().converter)
        scale = 1 + self.needle.scale_error
        return text.replace(LINE, f"rpm_per_unit = {slope * scale:.3f}\nrpm_at_zero = {zero * scale:.3f}\n")


def draw(seed: int, own_car: bool = False) -> Day:
    """The day of a seed; `own_car` keeps the scenario's car and varies all else."""
    rng = np.random.default_rng([seed, 2026])
    mass = float(rng.uniform(600, 1400))
    body = Body(
        mass=mass,
        drag_area=float(rng.uniform(0.45, 0.75)),
        rolling_coefficient=float(rng.uniform(0.010, 0.017)),
        wheel_inertia=float(rng.uniform(0.02, 0.06)) * mass * 0.281**2 / 2,
    )
    weather = Weather(
        headwind=float(rng.normal(0, 1.5)),
        gust=float(rng.uniform(0.2, 0.8)),
        grade=float(rng.normal(0, 0.003)),
        unevenness=float(rng.uniform(0, 0.003)),
    )
    return Day(
        seed,
        Body() if own_car else body,
        weather,
        Needle(float(np.clip(rng.normal(0, 0.006), -0.01, 0.01)), 25.0),
        off_best={
            "heron": float(rng.uniform(-9, -6)),
            "plover": float(rng.uniform(-4, -1)),
            "wren": float(rng.uniform(2, 6)),
        },
        best_shift=(float(rng.uniform(-4, 4)), float(rng.uniform(-3, 3))),
        hump=(
            float(rng.uniform(-0.06, 0.06)),
            float(rng.uniform(3000, 6000)),
            float(rng.uniform(600, 1200)),
            float(rng.uniform(-0.03, 0.03)),
        ),
        exhaust_s=float(rng.uniform(0.08, 0.25)),
    )


def driven(
    folder: Path,
    day: Day,
    script: tuple[Step, ...],
    number: int = 0,
    tune: str = "heron",
    gear: int = 3,
    rate_hz: float = 500.0,
    extras: Sequence[str] = (),
    zeros: bool = True,
) -> tuple[Path, Recording]:
    """One session of the day on disk. The direction on the runway alternates from session to session."""
    path = folder / f"{day.seed}-{number}-{tune}.h5"
    weather = replace(day.weather, direction=1 if number % 2 == 0 else -1)
    with day.in_the_model():
        recording = record(
            script, tune, Chain(rate_hz=rate_hz, extra=tuple(extras)), weather, day.needle, 1000 * day.seed + number
        )
        kept(
            path,
            recording,
            BEGAN + timedelta(minutes=12 * number),
            day.car_text(extras),
            "gap" if zeros else None,
            gear,
        )
    return path, recording


def coast_script(runs: int = 2, how: Step | None = None) -> tuple[Step, ...]:
    """Coastdowns from about 110 km/h, each the other way; `how` puts another way of slowing in their place."""
    up: tuple[Step, ...] = (PullAway(), Shift(2), Track(5000.0, 900.0), Shift(3), Track(6300.0, 900.0))
    way = how or Coast(90.0, to_mps=4.0)
    return (Stand(3.0), *(step for _ in range(runs) for step in (*up, way, Stop(), TurnRound())))


def pulls(count: int = 3) -> tuple[Step, ...]:
    """Pulls between two stands for zeros."""
    return pull_script(count)
