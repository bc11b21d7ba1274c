"""From true motion to what is measured: the constants and faults of one session's measuring chain, converter volts
and link mV/V, and the channels that an engine controller or a wheel sensor adds.
"""

import math
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from stream.sources.rehearsal.engine import PULSES_PER_TURN, REDLINE_RPM
from stream.sources.rehearsal.motion import Motion
from stream.units import Floats

STANDING_V: Final = 0.25
REDLINE_V: Final = 4.55


@dataclass(frozen=True, slots=True)
class Converter:
    """Pulse frequency to volts: two smoothing stages, lag = the sum of both, and the ripple they leave.

    `scale_error` is of the slope; below `dead_below_rpm` and above
    `ceiling_rpm` the output stays where it was there.
    """

    smoothing_s: tuple[float, float] = (0.012, 0.008)
    scale_error: float = 0.0
    dead_below_rpm: float | None = None
    ceiling_rpm: float | None = None
    noise_v: float = 0.002


@dataclass(frozen=True, slots=True)
class Link:
    """Trailing link with a full bridge; forces are those at the driven axle's tyres, newtons."""

    newtons_per_unit: float = 2900.0  # per mV/V
    sign: int = 1
    zero_sd: float = 0.02  # mV/V, one draw per session
    heat_drift: float = 0.012  # mV/V, what a hot link ends at
    heat_s: float = 500.0
    hop_hz: float = 12.5
    hop_damping: float = 0.12
    hop_n: float = 45.0  # standard deviation at 20 m/s
    firing_n: float = 35.0  # amplitude at full load
    bush_n: float = 20.0  # half the play of the bush's friction
    brake_crosstalk: float = 0.25  # extra newtons per newton of the driven axle's brake
    turn_crosstalk_n: float = 45.0  # per m/s2 sideways
    noise: float = 0.0015  # mV/V


@dataclass(frozen=True, slots=True)
class Adc:
    """The device's converters: bits, input ranges, and how often a stretch of samples goes missing."""

    bits: int = 16
    speed_range: tuple[float, float] = (0.0, 5.0)
    link_range: tuple[float, float] = (-2.048, 2.048)
    losses_per_minute: float = 0.0
    longest_loss: int = 30


@dataclass(frozen=True, slots=True)
class Chain:
    """Everything between the car and the wire. `extra` names further channels, see extra.py."""

    rate_hz: float = 1000.0
    converter: Converter = field(default_factory=Converter)
    link: Link = field(default_factory=Link)
    adc: Adc = field(default_factory=Adc)
    extra: tuple[str, ...] = ()


_RAIL_S = 0.5
_KICK_N = 900.0


def converter_line(converter: Converter) -> tuple[float, float]:
    """(rpm per volt, rpm at zero volts) that the converter really has, between dead band and ceiling."""
    slope = REDLINE_RPM / (REDLINE_V - STANDING_V) / (1.0 + converter.scale_error)
    return slope, -STANDING_V * slope


def pulse_frequency(rpm: Floats) -> Floats:
    """Hz: four pulses a turn."""
    return np.asarray(PULSES_PER_TURN * rpm / 60.0, dtype=np.float64)


def _smooth(signal: Floats, time_constant_s: float, rate_hz: float) -> Floats:
    """One resistor and one capacitor, exact between samples, settled at the start."""
    from scipy.signal import lfilter

    keep = math.exp(-1.0 / (rate_hz * time_constant_s))
    out, _ = lfilter([1.0 - keep], [1.0, -keep], signal, zi=[keep * signal[0]])
    return np.asarray(out, dtype=np.float64)


def converter_volts(
    motion: Motion, converter: Converter, rate_hz: float, time_s: Floats, rng: np.random.Generator
) -> Floats:
    """Volts at the sample times, float64 (n,), before the ADC."""
    rpm = motion.at("rpm", time_s)
    slope, at_zero = converter_line(converter)
    seen = np.clip(rpm, converter.dead_below_rpm or 0.0, converter.ceiling_rpm)
    pumped = seen / slope
    volts = pumped
    for stage in converter.smoothing_s:
        volts = _smooth(volts, stage, rate_hz)
    ripple = _ripple(rpm, pumped, converter, rate_hz)
    return -at_zero / slope + volts + ripple + converter.noise_v * rng.standard_normal(len(rpm))


def _ripple(rpm: Floats, pumped: Floats, converter: Converter, rate_hz: float) -> Floats:
    """What the two stages leave of the first harmonics of a train of short pulses whose mean is `pumped`."""
    turns = engine_turns(rpm, rate_hz)
    omega = 2.0 * np.pi * pulse_frequency(rpm)
    total = np.zeros_like(rpm)
    for harmonic in (1, 2):
        phase = 2.0 * np.pi * harmonic * PULSES_PER_TURN * turns
        gain = np.ones_like(rpm)
        for stage in converter.smoothing_s:
            gain /= np.sqrt(1.0 + (harmonic * omega * stage) ** 2)
            phase -= np.arctan(harmonic * omega * stage)
        total += 2.0 * pumped * gain * np.cos(phase)
    return np.where(rpm > 30.0, total, 0.0)


def engine_turns(rpm: Floats, rate_hz: float) -> Floats:
    """Engine turns since the first sample, by the trapezium rule."""
    turns = np.empty_like(rpm)
    turns[0] = 0.0
    np.cumsum((rpm[1:] + rpm[:-1]) / (120.0 * rate_hz), out=turns[1:])
    return turns


def link_force(motion: Motion, link: Link, rate_hz: float, time_s: Floats, rng: np.random.Generator) -> Floats:
    """Newtons that bend the link, float64 (n,): the axle's push and all that comes with it."""
    from scipy.signal import lfilter

    speed, rpm = motion.at("speed", time_s), motion.at("rpm", time_s)
    force = motion.at("force", time_s)
    firing = 2.0 * np.pi * 2.0 * engine_turns(rpm, rate_hz)  # four cylinders fire twice a turn
    force += link.firing_n * motion.at("pressure", time_s) * np.cos(firing)

    omega, step = 2.0 * math.pi * link.hop_hz, 1.0 / rate_hz
    radius = math.exp(-link.hop_damping * omega * step)
    angle = omega * math.sqrt(1.0 - link.hop_damping**2) * step
    poles = [1.0, -2.0 * radius * math.cos(angle), radius * radius]
    settled = math.sqrt((1 + poles[2]) / ((1 - poles[2]) * ((1 + poles[2]) ** 2 - poles[1] ** 2)))
    rough = rng.standard_normal(len(time_s)) * (link.hop_n / settled) * np.minimum(speed / 20.0, 2.0)
    for mark in motion.marks:
        if mark.kind == "bump":
            at = int(mark.start_s * rate_hz)
            rough[at : at + 2] += _KICK_N * angle  # rings at about this many newtons
    force += np.asarray(lfilter([1.0], poles, rough), dtype=np.float64)
    force = _through_bush(force, link.bush_n)  # vibration shakes it loose; it sticks where the car stands
    force -= link.brake_crosstalk * motion.at("brake", time_s)
    return force + link.turn_crosstalk_n * motion.at("lateral", time_s)


def _through_bush(force: Floats, half_width: float) -> Floats:
    """Friction of the bush: the link follows only when the force has moved by more than the play."""
    out, held = [], float(force[0])
    for value in force.tolist():
        held = min(max(held, value - half_width), value + half_width)
        out.append(held)
    return np.array(out)


def link_signal(
    motion: Motion,
    link: Link,
    rate_hz: float,
    time_s: Floats,
    zero: float,
    top: float,
    rng: np.random.Generator,
) -> Floats:
    """mV/V at the sample times, float64 (n,), before the ADC; `top` is its rail, for a chafed wire."""
    signal = link.sign * link_force(motion, link, rate_hz, time_s, rng) / link.newtons_per_unit
    signal += zero + link.heat_drift * (1.0 - np.exp(-time_s / link.heat_s))
    signal += link.noise * rng.standard_normal(len(time_s))
    for mark in motion.marks:
        if mark.kind == "rail":
            signal[(time_s >= mark.start_s) & (time_s < mark.start_s + _RAIL_S)] = 1.2 * top
        elif mark.kind == "zero":
            signal[time_s >= mark.start_s] += 0.15
    return signal


@dataclass(frozen=True, slots=True)
class Extra:
    """A channel that can be switched on: its role and unit in the car file, its span in counts, its noise."""

    name: str
    role: str
    unit: str
    low: float
    high: float
    noise: float


EXTRA: Final[dict[str, Extra]] = {
    extra.name: extra
    for extra in (
        Extra("road_speed", "road_speed", "km/h", 0.0, 250.0, 0.1),
        Extra("throttle", "throttle", "%", 0.0, 100.0, 0.15),
        Extra("lambda", "lambda", "", 0.5, 2.0, 0.004),
        Extra("advance", "advance", "deg", -10.0, 60.0, 0.05),
        Extra("manifold_pressure", "manifold_pressure", "kPa", 0.0, 120.0, 0.3),
        Extra("knock", "knock", "V", 0.0, 5.0, 0.003),
    )
}
AMBIENT_KPA: Final = 100.0
_RESIDUAL = 0.22  # of ambient: what an engine that fills with nothing still shows in its manifold
_EXHAUST_S = 0.12  # gas transport plus sensor
_KNOCK_SPREAD, _ONE_IN_TWENTY = 0.6, 1.645  # degrees by which firings differ; quantile of a normal spread


def target_lambda(pressure: Floats) -> Floats:
    """The mixture the fuel table aims at: near stoichiometric at cruise, rich at full load."""
    return np.interp(pressure, [0.55, 0.9], [1.0, 0.88])


def mixture_error(rpm: Floats, pressure: Floats) -> Floats:
    """Planted error of the fuel table, got over wanted λ less one: 4 % lean about 4 500 rpm under load."""
    hump = np.exp(-(((rpm - 4500.0) / 900.0) ** 2)) * np.clip((pressure - 0.4) / 0.5, 0.0, 1.0)
    return 0.04 * hump - 0.015 * (rpm < 2000.0)


def knock_level(motion: Motion, time_s: Floats, rng: np.random.Generator) -> Floats:
    """Volts of the knock sensor, float64 (n,): clatter that rises with speed, and what each firing that knocks adds.

    Firings differ, so the first of them knock a degree and more before most do.
    """
    rpm, pressure = motion.at("rpm", time_s), motion.at("pressure", time_s)
    rate_hz = 1.0 / float(time_s[1] - time_s[0])
    firing = (2.0 * engine_turns(rpm, rate_hz)).astype(np.intp)
    own = motion.engine.beyond_knock(rpm, pressure) - _KNOCK_SPREAD * _ONE_IN_TWENTY
    own += _KNOCK_SPREAD * rng.standard_normal(int(firing[-1]) + 1)[firing]
    clatter = (0.05 + 1e-4 * rpm) * np.exp(0.05 * rng.standard_normal(int(firing[-1]) + 1)[firing])
    return np.asarray(clatter * (1.0 + np.clip(own, 0.0, 4.0)), dtype=np.float64)


def true_value(motion: Motion, name: str, time_s: Floats) -> Floats:
    """The channel without noise at the given times, float64 (n,), in its unit."""
    if name == "road_speed":
        return 3.6 * motion.at("speed", time_s)
    if name == "throttle":
        return 100.0 * motion.at("throttle", time_s)
    if name == "manifold_pressure":
        return AMBIENT_KPA * (_RESIDUAL + (1.0 - _RESIDUAL) * motion.at("pressure", time_s))
    if name == "advance":
        return motion.engine.advance(motion.at("rpm", time_s), motion.at("pressure", time_s))
    before = time_s - _EXHAUST_S
    rpm, pressure = motion.at("rpm", before), motion.at("pressure", before)
    burnt = target_lambda(pressure) * (1.0 + mixture_error(rpm, pressure))
    cut = (motion.at("throttle", before) < 0.01) & (rpm > 1500.0)  # fuel is cut on the overrun
    return np.where(cut, 2.0, burnt)
