"""Channels beyond engine speed and load, as an engine controller or a wheel sensor would give them."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from stream.sources.rehearsal.motion import Motion
from stream.units import Floats


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
    )
}
AMBIENT_KPA: Final = 100.0
_RESIDUAL = 0.22  # of ambient: what an engine that fills with nothing still shows in its manifold
_EXHAUST_S = 0.12  # gas transport plus sensor


def target_lambda(pressure: Floats) -> Floats:
    """The mixture the fuel table aims at: near stoichiometric at cruise, rich at full load."""
    return np.interp(pressure, [0.55, 0.9], [1.0, 0.88])


def mixture_error(rpm: Floats, pressure: Floats) -> Floats:
    """Planted error of the fuel table, got over wanted λ less one: 4 % lean about 4 500 rpm under load."""
    hump = np.exp(-(((rpm - 4500.0) / 900.0) ** 2)) * np.clip((pressure - 0.4) / 0.5, 0.0, 1.0)
    return 0.04 * hump - 0.015 * (rpm < 2000.0)


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
