"""The rehearsal car obeys mechanics: each check is worked out here, by hand, from masses and forces."""

import math

import numpy as np
import pytest

from stream.sources.rehearsal.car import CALM, Body, Car
from stream.sources.rehearsal.driver import Needle
from stream.sources.rehearsal.engine import TUNES, Engine, best_advance, burn_efficiency
from stream.sources.rehearsal.motion import Motion, simulate
from stream.sources.rehearsal.script import Coast, Pull, PullAway, Shift, Stand, Step, Track
from stream.sources.rehearsal.sensors import pulse_frequency

G = 9.80665  # standard gravity, CGPM 1901


def drive(*script: Step) -> Motion:
    return simulate(script, TUNES["heron"], CALM, Needle(), seed=5)


@pytest.fixture(scope="module")
def third_gear() -> Motion:
    return drive(Stand(1.0), PullAway(), Shift(2), Shift(3), Track(2500.0), Pull(6500.0), Coast(25.0))


def test_acceleration_in_a_pull_is_force_over_mass(third_gear: Motion):
    """Newton: (push - drag - front rolling) / (790 kg + front wheels' spin), from exported push and speed."""
    pull = next(mark for mark in third_gear.marks if mark.kind == "pull")
    time_s, speed = third_gear.time_s, third_gear["speed"]
    inside = (time_s > pull.start_s + 1.0) & (time_s < pull.end_s - 0.1)
    measured = np.gradient(speed, time_s)[inside]
    drag = 0.5 * 1.2 * 0.58 * speed[inside] ** 2
    front_share = 0.44 - 0.2 * measured / G
    rolling = 0.013 * 790.0 * G * front_share
    expected = (third_gear["force"][inside] - drag - rolling) / (790.0 + 1.5 / 0.281**2)

    np.testing.assert_allclose(measured, expected, rtol=0.01)


def test_engine_speed_follows_road_speed_and_slip_through_the_gear(third_gear: Motion):
    """Kinematics: third gear 1.38 * 4.3 on a 0.281 m wheel; a hard pull slips by a few per cent."""
    pull = next(mark for mark in third_gear.marks if mark.kind == "pull")
    inside = (third_gear.time_s > pull.start_s + 1.0) & (third_gear.time_s < pull.end_s)
    rolling_rpm = third_gear["speed"][inside] / (2.0 * math.pi * 0.281) * 60.0 * 1.38 * 4.3
    slip = third_gear["rpm"][inside] / rolling_rpm - 1.0

    assert slip.min() > 0.01
    assert slip.max() < 0.08


def test_the_push_lacks_what_the_engine_spends_on_its_own_inertia(third_gear: Motion):
    """Flywheel torque less J * dω/dt, through the gear, less losses and driven-wheel spin, is the push."""
    pull = next(mark for mark in third_gear.marks if mark.kind == "pull")
    inside = (third_gear.time_s > pull.start_s + 1.5) & (third_gear.time_s < pull.end_s - 0.2)
    engine = Engine(TUNES["heron"])
    rpm, pressure = third_gear["rpm"][inside], third_gear["pressure"][inside]
    torque = np.array([engine.torque(r, p) for r, p in zip(rpm, pressure, strict=True)])
    spin_up = np.gradient(third_gear["rpm"] * math.pi / 30.0, third_gear.time_s)[inside]
    at_wheel = (torque - 0.09 * spin_up) * 1.38 * 4.3 * 0.97 - 3.0
    pull_g = np.gradient(third_gear["speed"], third_gear.time_s)[inside] / G
    rolling = 0.013 * 790.0 * G * (0.56 + 0.2 * pull_g)
    push = (at_wheel - 1.5 * spin_up / (1.38 * 4.3)) / 0.281 - rolling

    ratio = third_gear["force"][inside].mean() / push.mean()
    assert ratio == pytest.approx(1.0, abs=0.005)
    assert push.mean() < 0.95 * (torque * 1.38 * 4.3 / 0.281).mean()


def test_coastdown_takes_the_closed_form_time():
    """t = M / sqrt(f0 f2) * (atan(v1 sqrt(f2/f0)) - atan(v2 sqrt(f2/f0))), for f0 + f2 v², wheels with it."""
    motion = drive(
        Stand(1.0),
        PullAway(),
        Shift(2),
        Track(4000.0),
        Shift(3),
        Track(5000.0),
        Coast(40.0),
    )
    neutral = np.flatnonzero((motion["gear"] == 0) & (motion["speed"] > 1.0))
    speed, time_s = motion["speed"][neutral], motion.time_s[neutral]
    first, last = 100, len(speed) - 1
    f0 = 0.013 * 790.0 * G + 3.0 / 0.281
    f2 = 0.5 * 1.2 * 0.58
    mass = 790.0 + 2 * 1.5 / 0.281**2
    root = math.sqrt(f2 / f0)
    expected = mass / math.sqrt(f0 * f2) * (math.atan(speed[first] * root) - math.atan(speed[last] * root))

    assert time_s[last] - time_s[first] == pytest.approx(expected, rel=0.01)
    assert expected > 20.0


def test_a_clutch_carries_no_more_than_its_torque():
    """A slipping clutch passes its own torque and no more."""
    car = Car(Engine(TUNES["heron"]), Body(), start_rpm=5000.0)
    controls = car.controls
    controls.parked, controls.gear, controls.clutch_nm, controls.throttle = False, 1, 40.0, 0.5

    shaft = [car.step()[7] for _ in range(100)]

    assert max(shaft) == pytest.approx(40.0 * 3.0 * 4.3)


def test_wheels_spin_only_where_grip_ends():
    """On a wet patch the push falls, the engine leaps: 0.38 * 1.15 * about 60 % of 790 kg is the most."""
    motion = drive(Stand(1.0), PullAway(), Shift(2), Shift(3), Track(2500.0), Pull(6500.0, fault="wheelspin"))
    rpm, force = motion["rpm"], motion["force"]
    leap = int(np.argmax(np.gradient(rpm, motion.time_s) * (rpm > 4200.0)))
    most = 0.38 * 1.15 * 790.0 * G * 0.62

    assert force[leap : leap + 20].min() < most
    assert np.gradient(rpm, motion.time_s)[leap] > 3.0 * 600.0


def test_four_pulses_a_turn_at_redline():
    """7 400 turns a minute, four pulses each: 7400 / 60 * 4 = 493.33 Hz."""
    assert pulse_frequency(np.array([7400.0]))[0] == pytest.approx(493.3333, abs=1e-3)


def test_spark_that_is_off_costs_what_handbooks_say():
    """About 1 to 2 % at 5 degrees, 5 to 7 % at 10 (Heywood 1988 ch. 9 and 15, from memory: plausible)."""
    loss = 1.0 - burn_efficiency(np.array([0.0, -5.0, 5.0, -10.0, 10.0]))

    assert loss[0] == 0.0
    assert np.all((loss[1:3] > 0.01) & (loss[1:3] < 0.02))
    assert np.all((loss[3:] > 0.045) & (loss[3:] < 0.07))


def test_throttle_and_torque_are_each_other_s_inverse():
    """The throttle for a torque gives that torque back."""
    engine = Engine(TUNES["plover"])
    for rpm in (900.0, 2500.0, 4800.0, 7000.0):
        for torque in (-5.0, 10.0, 60.0, 95.0):
            throttle = engine.throttle_for(rpm, torque)
            assert engine.torque(rpm, engine.pressure(rpm, throttle)) == pytest.approx(torque, abs=0.01)


def test_tunes_lie_where_they_were_meant():
    """The advances of the tunes lie where the scenario wants them."""
    rpm = np.array([4500.0, 6500.0])
    off = {name: tune.advance(rpm) - best_advance(rpm) for name, tune in TUNES.items()}

    assert off["heron"][0] == pytest.approx(-8.0, abs=0.1)
    assert off["plover"] == pytest.approx([-2.5, -2.0], abs=0.1)
    assert off["wren"][1] == pytest.approx(7.0, abs=0.1)
