"""Session files of pulls on two settings of advance, with whatever a knock channel may carry: raw samples made here.

Load has its best at 27 degrees and loses 6e-4 of itself a squared degree (the curve of this file alone), so that from
18 degrees more advance is wanted, and a harmful proposal is one step away.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from tests.pull_logs import LogPlan
from tests.sessions import STARTED, write_session

RATE = 200.0
BEST_DEG, LOSS = 27.0, 6e-4
CAR = """\
[car]
name = "{name}"
[engine]
{engine}
[[channel]]
name = "rpm"
role = "engine_speed"
unit = "rpm"
[[channel]]
name = "link"
role = "load"
unit = "mV/V"
"""


@dataclass
class Drive:
    """One session as it was driven: rows at RATE."""

    rpm: np.ndarray
    load: np.ndarray
    time: np.ndarray
    pulls: list[tuple[float, float]]  # (start, end) of each run at full load, s
    rng: np.random.Generator

    @property
    def pulling(self) -> np.ndarray:
        """Rows at full load."""
        return np.any([(self.time >= a) & (self.time <= b) for a, b in self.pulls], axis=0)

    def between(self, low: float, high: float) -> np.ndarray:
        """Rows between two speeds."""
        return (self.rpm >= low) & (self.rpm < high)

    def noise(self, share: float = 0.05) -> np.ndarray:
        """1 with noise."""
        return 1 + share * self.rng.standard_normal(len(self.rpm))


Signal = Callable[[Drive], np.ndarray]


@dataclass
class Made:
    """What a session is made of. `channels`: name to (role, unit, samples of a drive); `more` closes the car file."""

    tune: str
    degrees: float
    channels: dict[str, tuple[str, str, Signal]] = field(default_factory=dict)
    pulls: int = 3
    lifts: Sequence[int] = ()
    more: str = ""
    engine: str = ""
    car: str = "hill-climb special"
    scale: float = 1.0
    seed: int = 1
    ranges: dict[str, tuple[float, float]] = field(default_factory=dict)


def drive(made: Made) -> Drive:
    """The motion of a session, drawn by `LogPlan`, its load by the advance."""
    torque = 1 - LOSS * (made.degrees - BEST_DEG) ** 2
    plan = LogPlan(made.seed, pulls=made.pulls, lifts=tuple(made.lifts), scatter=0.002, gain=650.0 / torque)
    rpm, load = plan.motion()
    every = round(1000 / RATE)
    rpm, load = rpm[::every], load[::every]
    rng = np.random.default_rng([made.seed, 7])
    rising = (np.gradient(rpm) * RATE > 60) & (load > 0.3)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], rising.astype(int), [0]))))
    runs = [(a / RATE, b / RATE) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a > RATE / 2]
    pulling = load > 0.3
    load = np.where(pulling, load * torque, load) + 0.005 * rng.standard_normal(len(load))
    return Drive(rpm, load, np.arange(len(rpm)) / RATE, runs, rng)


def write(path: Path, made: Made, started: datetime = STARTED) -> Path:
    """Record the session as the program records one."""
    driven = drive(made)
    text = CAR.format(name=made.car, engine=made.engine)
    columns = [driven.rpm, driven.load]
    for name, (role, unit, signal) in made.channels.items():
        text += f'[[channel]]\nname = "{name}"\nrole = "{role}"\nunit = "{unit}"\n'
        if name in made.ranges:
            text += f"range = {list(made.ranges[name])}\n"
        columns.append(np.asarray(signal(driven), dtype=float))
    samples = np.column_stack(columns).astype(np.float32)
    return write_session(path, samples, RATE, text + made.more, tune=made.tune, started=started)


def write_day(folder: Path, *made: Made) -> list[Path]:
    """Sessions one after the other, a quarter of an hour apart."""
    return [
        write(folder / f"{place}-{one.tune}.h5", one, STARTED + timedelta(minutes=15 * place))
        for place, one in enumerate(made)
    ]


def table(path: Path, **tunes: float) -> Path:
    """ADVANCE.csv: each tune at one advance from 1000 to 8000 rpm, every 500."""
    rows = [f"{tune},{rpm},{degrees:g}" for tune, degrees in tunes.items() for rpm in range(1000, 8001, 500)]
    path.write_text("\n".join(["tune,rpm,advance", *rows]) + "\n")
    return path
