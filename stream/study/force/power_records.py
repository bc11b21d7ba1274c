"""The answer of `power`, as its JSON; more keys than others rely on."""

import msgspec


class PowerBand(msgspec.Struct, frozen=True, kw_only=True):
    """One rev band; u_* are standard uncertainties. `steady_equivalent_kw` is at the engine's side, less what the
    driveline and the driven tyres lose.
    """

    rpm: float
    force_n: float
    wheel_power_kw: float
    u_wheel_power_kw: float
    wheel_torque_nm: float
    u_force_n: float
    u_wheel_torque_nm: float
    speed_mps: float
    steady_equivalent_kw: float
    u_steady_equivalent_kw: float
    n: int


class GearScale(msgspec.Struct, frozen=True, kw_only=True):
    """The scale that one gear's pulls give, its mass factor γ, and the mean slip where road speed shows it."""

    gear: int
    pulls: int
    force_per_unit_n: float
    u_force_per_unit_n: float
    gamma: float
    slip_pct: float | None


class TunePower(msgspec.Struct, frozen=True, kw_only=True):
    """One tune's bands, in the gear it has most pulls in."""

    tune: str
    gear: int
    pulls: int
    bands: tuple[PowerBand, ...]


class Power(msgspec.Struct, frozen=True, kw_only=True):
    """The answer of `power`, as its JSON. `bands` are those of the tune with most pulls; the scale and all bands are
    missing (None, empty) where the gears contradict each other.
    """

    force_per_unit_n: float | None
    u_force_per_unit_n: float | None
    bands: tuple[PowerBand, ...]
    warnings: tuple[str, ...]
    unit: str
    tune: str
    gear: int | None
    gears: tuple[GearScale, ...]
    tunes: tuple[TunePower, ...]
