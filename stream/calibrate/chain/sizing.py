"""Parts of a charge-pump converter: pulses in, volts out.

Each pulse moves the charge C·V through R, so the mean output is f·C·R·V. A smoothing capacitor beside R gives
the time constant R·C_s. Every relation here follows from charge and current alone; no part's data sheet is in
it, so the pump current is the builder's to state.
"""

import msgspec
import numpy as np

from stream.calibrate.chain import eseries
from stream.errors import InputError

SETTLE_2_PCT = 3.912  # time constants until a first-order lag is within 2 %
_LEAST_PICO = 470e-12  # below this, wiring and pin capacitance are a share of the part


class ConverterWish(msgspec.Struct, frozen=True, kw_only=True):
    """What the converter must do. rpm_per_s: the rate of a pull; pump_current_a: the most the part's pump
    delivers.
    """

    pulses_per_turn: float
    redline_rpm: float
    idle_rpm: float = 800.0
    headroom_pct: float = 5.0
    supply_v: float = 5.0
    output_v: float = 4.5
    pump_current_a: float = 150e-6
    ripple_rpm: float = 60.0
    response_s: float = 0.1
    rpm_per_s: float = 1500.0
    resistor_series: str = "E24"
    capacitor_series: str = "E6"
    resistor_tolerance_pct: float = 1.0
    capacitor_tolerance_pct: float = 5.0
    smoothing_tolerance_pct: float = 20.0
    supply_tolerance_pct: float = 1.0


class Smoothing(msgspec.Struct, frozen=True, kw_only=True):
    """One smoothing capacitor: what it leaves of ripple (peak to peak) and what it costs in lag."""

    farad: float
    ripple_v: float
    ripple_rpm: float
    time_constant_s: float
    settle_2_pct_s: float
    lag_in_pull_rpm: float


class Spread(msgspec.Struct, frozen=True, kw_only=True):
    """Tolerance stack: the worst of all parts at once, and the root of the sum of squares, ±%."""

    worst_pct: float
    rss_pct: float


class Converter(msgspec.Struct, frozen=True, kw_only=True):
    """The parts chosen and what they do. volts_per_hz and volts_per_rpm are nominal."""

    resistor_ohm: float
    capacitor_f: float
    smoothing: Smoothing
    trade: tuple[Smoothing, ...]
    volts_per_hz: float
    volts_per_rpm: float
    output_at_idle_v: float
    output_at_redline_v: float
    ceiling_hz: float
    ceiling_rpm: float
    gain_spread: Spread
    lag_spread: Spread
    warnings: tuple[str, ...]


def pulse_frequency(pulses_per_turn: float, rpm: float) -> float:
    """Hz of the tap at this engine speed."""
    return pulses_per_turn * rpm / 60.0


def speed_at(pulses_per_turn: float, frequency_hz: float) -> float:
    """Engine speed, rpm, at which the tap gives this frequency."""
    return 60.0 * frequency_hz / pulses_per_turn


def mean_output(frequency_hz: float, capacitor_f: float, resistor_ohm: float, supply_v: float) -> float:
    """f·C·R·V, volts."""
    return frequency_hz * capacitor_f * resistor_ohm * supply_v


def frequency_ceiling(pump_current_a: float, capacitor_f: float, supply_v: float) -> float:
    """Hz at which the pump runs all the time: it cannot move more than its current, f·C·V = I."""
    return pump_current_a / (capacitor_f * supply_v)


def ripple(frequency_hz: float, wish: ConverterWish, capacitor_f: float, smoothing_f: float) -> float:
    """Peak-to-peak ripple, V: a pulse lifts the smoothing capacitor by Q/C_s less what R drains meanwhile."""
    charge = capacitor_f * wish.supply_v
    return charge / smoothing_f * max(0.0, 1.0 - frequency_hz * charge / wish.pump_current_a)


def size_converter(wish: ConverterWish) -> Converter:
    """Choose R, C and the smoothing capacitor. Raises InputError for a wish that no part can meet."""
    _check(wish)
    top_hz = pulse_frequency(wish.pulses_per_turn, wish.redline_rpm * (1.0 + wish.headroom_pct / 100.0))
    spare = 1.0 + wish.capacitor_tolerance_pct / 100.0 + wish.supply_tolerance_pct / 100.0
    capacitor = eseries.next_down(wish.pump_current_a / (top_hz * wish.supply_v * spare), wish.capacitor_series)
    resistor = eseries.next_down(wish.output_v / (top_hz * capacitor * wish.supply_v), wish.resistor_series)
    per_hz = mean_output(1.0, capacitor, resistor, wish.supply_v)
    per_rpm = per_hz * wish.pulses_per_turn / 60.0
    trade = _trade(wish, capacitor, resistor, per_rpm)
    chosen, words = _compromise(wish, trade)
    ceiling = frequency_ceiling(wish.pump_current_a, capacitor, wish.supply_v)
    if capacitor < _LEAST_PICO:
        words.append(
            f"C = {capacitor * 1e12:.0f} pF is so small that wiring counts; a part with more pump current "
            "would do better"
        )
    gain = (wish.resistor_tolerance_pct, wish.capacitor_tolerance_pct, wish.supply_tolerance_pct)
    return Converter(
        resistor_ohm=resistor,
        capacitor_f=capacitor,
        smoothing=chosen,
        trade=trade,
        volts_per_hz=per_hz,
        volts_per_rpm=per_rpm,
        output_at_idle_v=per_rpm * wish.idle_rpm,
        output_at_redline_v=per_rpm * wish.redline_rpm,
        ceiling_hz=ceiling,
        ceiling_rpm=speed_at(wish.pulses_per_turn, ceiling),
        gain_spread=tolerance_stack(gain),
        lag_spread=tolerance_stack((wish.resistor_tolerance_pct, wish.smoothing_tolerance_pct)),
        warnings=tuple(words),
    )


def tolerance_stack(tolerances_pct: tuple[float, ...]) -> Spread:
    """Worst case and root-sum-square of a product of factors, each known to ± so many %."""
    shares = np.asarray(tolerances_pct) / 100.0
    return Spread(
        worst_pct=float(100.0 * (np.prod(1.0 + shares) - 1.0)),
        rss_pct=float(100.0 * np.sqrt(np.sum(shares**2))),
    )


def _trade(wish: ConverterWish, capacitor: float, resistor: float, per_rpm: float) -> tuple[Smoothing, ...]:
    """Smoothing capacitors from quick and rough to slow and smooth, two a decade and more around the wishes."""
    idle_hz = pulse_frequency(wish.pulses_per_turn, wish.idle_rpm)
    least = eseries.next_down(min(wish.response_s / SETTLE_2_PCT / resistor, 30.0 * capacitor), wish.capacitor_series)
    most = max(capacitor * wish.supply_v / (per_rpm * wish.ripple_rpm), wish.response_s / SETTLE_2_PCT / resistor)
    rows, farad = [], least
    while True:
        tau, left = resistor * farad, ripple(idle_hz, wish, capacitor, farad)
        rows.append(
            Smoothing(
                farad=farad,
                ripple_v=left,
                ripple_rpm=left / per_rpm,
                time_constant_s=tau,
                settle_2_pct_s=SETTLE_2_PCT * tau,
                lag_in_pull_rpm=tau * wish.rpm_per_s,
            )
        )
        if farad >= most:
            return tuple(rows)
        farad = eseries.next_up(farad * 1.01, wish.capacitor_series)


def _compromise(wish: ConverterWish, trade: tuple[Smoothing, ...]) -> tuple[Smoothing, list[str]]:
    """The quickest that meets the ripple; where that is too slow, the smoothest that is quick enough."""
    smooth = next((row for row in trade if row.ripple_rpm <= wish.ripple_rpm), trade[-1])
    if smooth.settle_2_pct_s <= wish.response_s:
        return smooth, []
    quick = [row for row in trade if row.settle_2_pct_s <= wish.response_s] or [trade[0]]
    return quick[-1], [
        f"no capacitor gives both {wish.ripple_rpm:g} rpm of ripple at idle and {1000 * wish.response_s:g} "
        "ms of response: "
        f"the response is kept and {quick[-1].ripple_rpm:.0f} rpm of ripple is left to the live filter; "
        f"for the ripple alone take {smooth.farad * 1e6:.3g} µF and accept "
        f"{1000 * smooth.settle_2_pct_s:.0f} ms"
    ]


def _check(wish: ConverterWish) -> None:
    for name in wish.__struct_fields__:
        value = getattr(wish, name)
        least_ok = name.endswith("pct") and value == 0
        if isinstance(value, float | int) and not (np.isfinite(value) and (value > 0 or least_ok)):
            raise InputError(f"plan: {name} = {value:g} cannot be used; give a number above zero")
    if wish.output_v > wish.supply_v:
        raise InputError(
            f"plan: an output of {wish.output_v:g} V needs more than the supply of {wish.supply_v:g} V; lower output_v"
        )
    if wish.idle_rpm >= wish.redline_rpm:
        raise InputError(f"plan: idle {wish.idle_rpm:g} rpm is not below redline {wish.redline_rpm:g} rpm; mend one")
