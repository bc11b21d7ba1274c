import numpy as np
import pytest
from scipy.integrate import solve_ivp

from stream.study.force.coastdown import find_glides
from stream.study.force.road_load import CoastRun, fit_road_load

MASS, A, B, C, IDLE = 790.0, 100.0, 1.5, 0.36, 900.0
MASS_FACTOR = 1.03  # SAE J1263, ISO 10521: turning wheels are about 3 % of the mass (from memory)
Session = tuple[np.ndarray, np.ndarray, np.ndarray]


def session(in_gear: bool = False, brake: bool = False, seed: int = 0) -> Session:
    """(time, road speed, engine speed) at 20 Hz: up to 36 m/s, a coastdown to about 12 m/s, a stop; and
    again."""
    rng = np.random.default_rng(seed)
    speeds, engine = [], []
    for _ in range(2):
        up = np.linspace(2, 36, 300)
        fall = solve_ivp(
            lambda _, v: -(A + B * v + C * v * v) / (MASS_FACTOR * MASS),
            (0, 65),
            [36.0],
            rtol=1e-9,
            t_eval=np.arange(0, 65, 0.05),
        ).y[0]
        if brake:
            fall = np.linspace(36, 12, 120)
        down = np.arange(fall[-1], 2, -0.15)  # 3 m/s²: braked to a stop
        speeds += [up, fall, down]
        engine += [up * 110, fall * 110 if in_gear else np.full(len(fall), IDLE), np.full(len(down), IDLE)]
    speed = np.concatenate(speeds)
    time = np.arange(len(speed)) * 0.05
    return (
        time,
        speed + rng.normal(0, 0.03, len(speed)),
        np.concatenate(engine) + rng.normal(0, 15, len(speed)),
    )


def find_coast_runs(time: np.ndarray, speed: np.ndarray, engine: np.ndarray | None = None) -> list[CoastRun]:
    """The coastdowns among the glides, in turns."""
    runs = [glide.run for glide in find_glides(time, speed, engine, MASS) if not glide.why_not]
    return [CoastRun(run.time_s, run.speed_mps, 1 - 2 * (place % 2)) for place, run in enumerate(runs)]


def test_both_coastdowns_are_found_and_give_their_road_load() -> None:
    """Two coastdowns in one session are found and fitted."""
    runs = find_coast_runs(*session())

    assert len(runs) == 2
    found = fit_road_load(runs, MASS)
    assert abs(found.a_n - A) < 3 * found.u_a
    assert abs(found.b_n_per_mps - B) < 3 * found.u_b
    assert abs(found.c_n_per_mps2 - C) < 3 * found.u_c
    assert found.force_n(25) == pytest.approx(A + B * 25 + C * 625, rel=0.01)


def test_rolling_in_gear_and_braking_are_no_coastdowns() -> None:
    """Engine braking and brakes are told from rolling free."""
    assert find_coast_runs(*session(in_gear=True)) == []
    assert find_coast_runs(*session(brake=True)) == []


def test_without_engine_speed_the_gear_cannot_be_seen() -> None:
    """Without engine speed, that no gear was in cannot be seen, and is said."""
    time, speed, _ = session(in_gear=True)

    assert len(find_coast_runs(time, speed)) == 2


def test_nothing_in_nothing() -> None:
    """A session without a coastdown has none."""
    assert find_coast_runs(np.empty(0), np.empty(0)) == []
    assert find_coast_runs(np.arange(100.0), np.full(100, np.nan)) == []
