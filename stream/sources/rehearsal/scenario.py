"""The invented scenario: a rear-drive hill-climb special on a disused airfield, and its drives."""

from collections.abc import Sequence
from typing import Final

import numpy as np

from stream.live.records import PullFault
from stream.sources.rehearsal.car import Weather
from stream.sources.rehearsal.driver import Needle
from stream.sources.rehearsal.engine import Tune
from stream.sources.rehearsal.record import Recording, record
from stream.sources.rehearsal.script import Coast, Pull, PullAway, Shift, Stand, Step, Stop, Track
from stream.sources.rehearsal.sensors import EXTRA, Chain

TARGETS: Final[tuple[float, ...]] = (1500.0, 2000.0, 3000.0, 4000.0, 5000.0, 6000.0, 6500.0)
_NEEDLE_SCALE_SD = 0.006
_NEEDLE_READING_SD_RPM = 25.0

_CAR = """\
[car]
name = "hill-climb special"
mass_kg = 790.0             # as driven, people included
rolling_radius_m = 0.281
drag_area_m2 = 0.58
rolling_coefficient = 0.013

[gearing]
final_drive = 4.3
ratios = [3.0, 1.95, 1.38, 1.0]

[engine]
pulses_per_turn = 4
redline_rpm = 7400

[live]
cutoff_hz = 10.0
rate_hz = 100.0

[[channel]]
name = "speed_v"
role = "engine_speed"
unit = "V"
range = [0.0, 4.9]          # outside it: clipped
rpm_per_unit = 1720.0       # provisional, until a fit
rpm_at_zero = -430.0
lag_s = 0.02                # what the converter's smoothing delays

[[channel]]
name = "link"
role = "load"
unit = "mV/V"
range = [-2.0, 2.0]
bridge = "full-bending"
gauge_factor = 2.08
sign = 1
"""


def demo_car_text(extra: Sequence[str] = (), time_column: str | None = None) -> str:
    """The scenario's car file; `extra` adds channels of extra.py, `time_column` that of a CSV log."""
    text = _CAR
    for name in extra:
        channel = EXTRA[name]
        text += f'\n[[channel]]\nname = "{name}"\nrole = "{channel.role}"\n'
        text += f'unit = "{channel.unit}"\n' if channel.unit else ""
    if time_column is not None:
        text += f'\n[[channel]]\nname = "time"\ncolumn = "{time_column}"\nrole = "time"\nunit = "s"\n'
    return text


def _dashboard(seed: int) -> Needle:
    """The dashboard's needle: one per car, so its scale error is drawn once per seed."""
    scale = float(np.clip(np.random.default_rng([seed, 7]).normal(0.0, _NEEDLE_SCALE_SD), -0.01, 0.01))
    return Needle(scale, _NEEDLE_READING_SD_RPM)


def hold_script(targets: Sequence[float] = TARGETS, dwell_s: float = 7.0, gear: int = 2) -> tuple[Step, ...]:
    """Idle, a row of held speeds in one gear with a 2 s pause on the way, a slow sweep, and home.

    Gear 0 is parked in neutral, without the sweep.
    """
    holds: list[Step] = []
    for number, target in enumerate(targets):
        if number == 3:
            between = (targets[2] + target) / 2.0
            holds.append(Track(between, dwell_s=2.0, kind="pause"))
        holds.append(Track(target, dwell_s=dwell_s + 0.5 * (number % 3), kind="hold"))
    if not gear:
        return (Stand(10.0), *holds, Track(1000.0), Stand(8.0))
    return (
        Stand(10.0),
        PullAway(),
        *(Shift(number) for number in range(2, gear + 1)),
        *holds,
        Track(3600.0),
        Track(4700.0, rate_rpm_s=40.0, kind="sweep"),
        Track(1800.0),
        Coast(6.0),
        Stop(),
        Stand(8.0),
    )


def pull_script(
    pulls: int = 4,
    gear: int = 3,
    faults: Sequence[PullFault] = (),
    from_rpm: float = 2200.0,
    to_rpm: float = 6900.0,
) -> tuple[Step, ...]:
    """Stand for a zero, `pulls` clean pulls and one for each fault, roll free, stand for a second zero."""
    wanted: list[PullFault | None] = [None] * pulls
    for number, fault in enumerate(faults):  # flawed ones among the clean, as it happens on the road
        wanted.insert(min(2 * number + 1, len(wanted)), fault)
    steps: list[Step] = [Stand(6.0), PullAway(), Shift(2)]
    steps += [step for number in range(3, gear + 1) for step in (Track(3200.0, 700.0), Shift(number))]
    for flaw in wanted:
        steps += [
            Track(from_rpm, rate_rpm_s=600.0),
            Track(from_rpm, dwell_s=1.5),
            Pull(to_rpm if flaw != "gear-change" else 5500.0, flaw),
        ]
        if flaw == "gear-change":  # back down where the lower gear will not overspeed
            steps += [Track(3500.0, rate_rpm_s=600.0), Shift(gear)]
    return (*steps, Track(from_rpm, rate_rpm_s=600.0), Coast(5.0), Stop(), Stand(6.0))


def hold_drive(
    seed: int,
    *,
    tune: str = "heron",
    chain: Chain | None = None,
    targets: Sequence[float] = TARGETS,
    dwell_s: float = 7.0,
    gear: int = 2,
) -> Recording:
    """About 2.5 minutes: `targets` held in a gear (0: parked); idle, a pause and a slow sweep as decoys."""
    script = hold_script(targets, dwell_s, gear)
    return record(script, tune, chain or Chain(), Weather(), _dashboard(seed), seed)


def pull_session(
    seed: int,
    tune: str | Tune,
    *,
    pulls: int = 4,
    gear: int = 3,
    faults: Sequence[PullFault] = (),
    chain: Chain | None = None,
    direction: int = 1,
) -> Recording:
    """Full-load pulls on one tune; wind and grade come from ahead (`direction` 1) or behind (-1)."""
    script = pull_script(pulls, gear, faults)
    return record(script, tune, chain or Chain(), Weather(direction=direction), _dashboard(seed), seed)
