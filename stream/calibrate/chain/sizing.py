"""Parts of a charge-pump converter: pulses in, volts out.

A pump moves a charge through the resistor R at each cycle of the pulses, so the mean output is f · Q · R. Two kinds are
in use and have the same mean: one moves the whole charge C·V once a cycle, the other half of it in each half cycle, as
common integrated converters do, and leaves half the ripple. A smoothing capacitor C_s beside R gives the time constant
R·C_s. Every relation here follows from charge and current alone; no part's data sheet is in it, so the pump current,
the reach of the output stage and the input's threshold are the builder's to state.

Preferred values are those of IEC 60063: E48, E96 and E192 follow the rule 10^(k/n) rounded to three digits, with one
exception of the standard, 9.20 in E192 where the rule gives 9.19; E24 departs from the rule of two digits at eight
values by history, and E12, E6 and E3 are every second value of the next.
"""

import math
from typing import Literal

import msgspec
import numpy as np

from stream.errors import InputError
from stream.findings import Finding, warning

Pump = Literal["once", "twice"]

SETTLE_2_PCT = 3.912  # time constants until a first-order lag is within 2 %
MOVES: dict[str, int] = {"once": 1, "twice": 2}  # packets of charge a cycle
OUTPUT_HEADROOM_V = 1.5  # common practice, no source: what an output stage that is no rail-to-rail one loses
USUAL_OUTPUT_V = 4.5  # chosen: within a 5 V analogue input, with room for the parts' tolerance
_LEAST_PICO = 470e-12  # below this, wiring and pin capacitance are a share of the part


class ConverterWish(msgspec.Struct, frozen=True, kw_only=True):
    """What the converter must do, and what its maker says of it.

    rpm_per_s          the rate of a pull
    pump               'once' or 'twice': packets of charge in a cycle of the pulses
    pump_current_a     the most the part's pump delivers
    output_headroom_v  how far below the supply the output stage stops
    output_v           what it shall give a little above redline; None: as much as supply and headroom allow, at most
                       4.5 V
    input_threshold_v  amplitude that the input needs to see a pulse, hysteresis included; None: not known
    tap_at_idle_v      amplitude that the tap gives at idle, for a tap whose amplitude grows with speed (a coil beside
                       a toothed wheel); None: not known, or the same at all speeds
    """

    pulses_per_turn: float
    redline_rpm: float
    idle_rpm: float = 800.0
    headroom_pct: float = 5.0
    supply_v: float = 5.0
    output_v: float | None = None
    output_headroom_v: float = OUTPUT_HEADROOM_V
    pump: Pump = "twice"
    pump_current_a: float = 150e-6
    input_threshold_v: float | None = None
    tap_at_idle_v: float | None = None
    ripple_rpm: float = 60.0
    response_s: float = 0.1
    rpm_per_s: float = 1500.0
    resistor_series: str = "E24"
    capacitor_series: str = "E6"
    resistor_tolerance_pct: float = 1.0
    capacitor_tolerance_pct: float = 5.0
    smoothing_tolerance_pct: float = 20.0
    supply_tolerance_pct: float = 1.0

    @property
    def output_reach_v(self) -> float:
        """The highest volts that the output stage can give."""
        return self.supply_v - self.output_headroom_v

    @property
    def wanted_v(self) -> float:
        """The volts asked for a little above redline."""
        return min(USUAL_OUTPUT_V, self.output_reach_v) if self.output_v is None else self.output_v


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
    """The parts chosen and what they do. volts_per_hz and volts_per_rpm are nominal.

    packet_c, packet_s   charge of one packet, and how long the pump current takes to move it: what a timed packet
                         (a one-shot that switches a current) must have
    ceiling_*            where the signal stops rising: the lower of the next two
    pump_limit_hz        the pump is busy all the time there: it cannot move more than its current
    output_limit_hz      the output stage reaches its highest volts there
    dead_below_rpm       where the tap's pulses fall below the input's threshold; None where that was not told
    """

    pump: Pump
    resistor_ohm: float
    capacitor_f: float
    packet_c: float
    packet_s: float
    smoothing: Smoothing
    trade: tuple[Smoothing, ...]
    volts_per_hz: float
    volts_per_rpm: float
    output_at_idle_v: float
    output_at_redline_v: float
    output_reach_v: float
    ceiling_hz: float
    ceiling_rpm: float
    pump_limit_hz: float
    pump_limit_rpm: float
    output_limit_hz: float
    output_limit_rpm: float
    dead_below_rpm: float | None
    gain_spread: Spread
    lag_spread: Spread
    findings: tuple[Finding, ...]


def pulse_frequency(pulses_per_turn: float, rpm: float) -> float:
    """Hz of the tap at this engine speed."""
    return pulses_per_turn * rpm / 60.0


def speed_at(pulses_per_turn: float, frequency_hz: float) -> float:
    """Engine speed, rpm, at which the tap gives this frequency."""
    return 60.0 * frequency_hz / pulses_per_turn


def mean_output(frequency_hz: float, charge_c: float, resistor_ohm: float) -> float:
    """f · Q · R, volts; charge_c is moved in one cycle (C·V of a pump, current × time of a timed packet)."""
    return frequency_hz * charge_c * resistor_ohm


def frequency_ceiling(pump_current_a: float, charge_c: float) -> float:
    """Hz at which the pump runs all the time: it cannot move more than its current, f · Q = I."""
    return pump_current_a / charge_c


def ripple(frequency_hz: float, charge_c: float, pump: Pump, pump_current_a: float, smoothing_f: float) -> float:
    """Peak-to-peak ripple, V: a packet lifts the smoothing capacitor, less what R drains while the packet flows.

    charge_c is that of a whole cycle; a pump that moves it in two packets lifts the capacitor by half of it each time.
    """
    packet = charge_c / MOVES[pump]
    return packet / smoothing_f * max(0.0, 1.0 - frequency_hz * charge_c / pump_current_a)


def size_converter(wish: ConverterWish) -> Converter:
    """Choose R, C and the smoothing capacitor. Raises InputError for a wish that no part can meet."""
    _check(wish)
    top_hz = pulse_frequency(wish.pulses_per_turn, wish.redline_rpm * (1.0 + wish.headroom_pct / 100.0))
    spare = 1.0 + wish.capacitor_tolerance_pct / 100.0 + wish.supply_tolerance_pct / 100.0
    capacitor = next_down(wish.pump_current_a / (top_hz * wish.supply_v * spare), wish.capacitor_series)
    charge = capacitor * wish.supply_v
    resistor = next_down(wish.wanted_v / (top_hz * charge), wish.resistor_series)
    per_hz = mean_output(1.0, charge, resistor)
    per_rpm = per_hz * wish.pulses_per_turn / 60.0
    trade = _trade(wish, charge, resistor, per_rpm)
    chosen, found = _compromise(wish, trade)
    pump_limit = frequency_ceiling(wish.pump_current_a, charge)
    output_limit = wish.output_reach_v / per_hz
    if capacitor < _LEAST_PICO:
        found.append(warning("plan-small-capacitor", picofarad=capacitor * 1e12))
    packet = charge / MOVES[wish.pump]
    gain = (wish.resistor_tolerance_pct, wish.capacitor_tolerance_pct, wish.supply_tolerance_pct)
    return Converter(
        pump=wish.pump,
        resistor_ohm=resistor,
        capacitor_f=capacitor,
        packet_c=packet,
        packet_s=packet / wish.pump_current_a,
        smoothing=chosen,
        trade=trade,
        volts_per_hz=per_hz,
        volts_per_rpm=per_rpm,
        output_at_idle_v=per_rpm * wish.idle_rpm,
        output_at_redline_v=per_rpm * wish.redline_rpm,
        output_reach_v=wish.output_reach_v,
        ceiling_hz=min(pump_limit, output_limit),
        ceiling_rpm=speed_at(wish.pulses_per_turn, min(pump_limit, output_limit)),
        pump_limit_hz=pump_limit,
        pump_limit_rpm=speed_at(wish.pulses_per_turn, pump_limit),
        output_limit_hz=output_limit,
        output_limit_rpm=speed_at(wish.pulses_per_turn, output_limit),
        dead_below_rpm=_dead_below(wish),
        gain_spread=tolerance_stack(gain),
        lag_spread=tolerance_stack((wish.resistor_tolerance_pct, wish.smoothing_tolerance_pct)),
        findings=(*found, *_end_findings(wish, per_rpm)),
    )


def tolerance_stack(tolerances_pct: tuple[float, ...]) -> Spread:
    """Worst case and root-sum-square of a product of factors, each known to ± so many %."""
    shares = np.asarray(tolerances_pct) / 100.0
    return Spread(
        worst_pct=float(100.0 * (np.prod(1.0 + shares) - 1.0)),
        rss_pct=float(100.0 * np.sqrt(np.sum(shares**2))),
    )


def _dead_below(wish: ConverterWish) -> float | None:
    """Where a tap whose amplitude grows in proportion to speed falls below the input's threshold, rpm."""
    if wish.input_threshold_v is None or wish.tap_at_idle_v is None:
        return None
    return wish.idle_rpm * wish.input_threshold_v / wish.tap_at_idle_v


def _end_findings(wish: ConverterWish, per_rpm: float) -> list[Finding]:
    """What keeps the signal from following the engine between idle and redline."""
    found = []
    if per_rpm * wish.redline_rpm > wish.output_reach_v:
        found.append(
            warning(
                "plan-output-headroom",
                output_v=wish.wanted_v,
                supply_v=wish.supply_v,
                reach_v=wish.output_reach_v,
                headroom_v=wish.output_headroom_v,
                stops_at_rpm=wish.output_reach_v / per_rpm,
            )
        )
    dead = _dead_below(wish)
    if dead is not None and dead > wish.idle_rpm:
        found.append(
            warning(
                "plan-tap-too-weak",
                threshold_v=wish.input_threshold_v,
                tap_v=wish.tap_at_idle_v,
                idle_rpm=wish.idle_rpm,
                dead_below_rpm=dead,
            )
        )
    return found


def _trade(wish: ConverterWish, charge: float, resistor: float, per_rpm: float) -> tuple[Smoothing, ...]:
    """Smoothing capacitors from quick and rough to slow and smooth, two a decade and more around the wishes."""
    idle_hz = pulse_frequency(wish.pulses_per_turn, wish.idle_rpm)
    quick_enough = wish.response_s / SETTLE_2_PCT / resistor
    least = next_down(min(quick_enough, 30.0 * charge / wish.supply_v), wish.capacitor_series)
    most = max(charge / MOVES[wish.pump] / (per_rpm * wish.ripple_rpm), quick_enough)
    rows, farad = [], least
    while True:
        tau = resistor * farad
        left = ripple(idle_hz, charge, wish.pump, wish.pump_current_a, farad)
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
        farad = next_up(farad * 1.01, wish.capacitor_series)


def _compromise(wish: ConverterWish, trade: tuple[Smoothing, ...]) -> tuple[Smoothing, list[Finding]]:
    """The quickest that meets the ripple; where that is too slow, the smoothest that is quick enough."""
    smooth = next((row for row in trade if row.ripple_rpm <= wish.ripple_rpm), trade[-1])
    if smooth.settle_2_pct_s <= wish.response_s:
        return smooth, []
    quick = [row for row in trade if row.settle_2_pct_s <= wish.response_s] or [trade[0]]
    return quick[-1], [
        warning(
            "plan-ripple-against-response",
            ripple_rpm=wish.ripple_rpm,
            response_ms=1000.0 * wish.response_s,
            left_rpm=quick[-1].ripple_rpm,
            smooth_uf=smooth.farad * 1e6,
            smooth_ms=1000.0 * smooth.settle_2_pct_s,
        )
    ]


def _check(wish: ConverterWish) -> None:
    if wish.pump not in MOVES:
        raise InputError(f"plan: pump {wish.pump!r} is not known; it moves charge once or twice a cycle")
    for name in wish.__struct_fields__:
        value = getattr(wish, name)
        least_ok = (name.endswith("pct") or name == "output_headroom_v") and value == 0
        if isinstance(value, float | int) and not (np.isfinite(value) and (value > 0 or least_ok)):
            raise InputError(f"plan: {name} = {value:g} cannot be used; give a number above zero")
    if wish.output_reach_v <= 0:
        raise InputError(
            f"plan: output_headroom_v of {wish.output_headroom_v:g} V leaves nothing of a supply of "
            f"{wish.supply_v:g} V; raise the supply, or take an output stage that reaches higher"
        )
    if wish.wanted_v > wish.supply_v:
        raise InputError(
            f"plan: an output of {wish.wanted_v:g} V needs more than the supply of {wish.supply_v:g} V; lower output_v"
        )
    if wish.idle_rpm >= wish.redline_rpm:
        raise InputError(f"plan: idle {wish.idle_rpm:g} rpm is not below redline {wish.redline_rpm:g} rpm; mend one")


_E24 = (
    1.0,
    1.1,
    1.2,
    1.3,
    1.5,
    1.6,
    1.8,
    2.0,
    2.2,
    2.4,
    2.7,
    3.0,
    3.3,
    3.6,
    3.9,
    4.3,
    4.7,
    5.1,
    5.6,
    6.2,
    6.8,
    7.5,
    8.2,
    9.1,
)
_STEP = {"E3": 8, "E6": 4, "E12": 2, "E24": 1}
_FINE = {"E48": 48, "E96": 96, "E192": 192}
TOLERANCE_PCT = {"E3": 40.0, "E6": 20.0, "E12": 10.0, "E24": 5.0, "E48": 2.0, "E96": 1.0, "E192": 0.5}


def values(series: str) -> tuple[float, ...]:
    """The values of one decade, 1 up to under 10. Raises InputError for a series that is not in the standard."""
    if series in _STEP:
        return _E24[:: _STEP[series]]
    if series in _FINE:
        count = _FINE[series]
        ruled = [round(10.0 ** (k / count), 2) for k in range(count)]
        return tuple(9.20 if value == 9.19 else value for value in ruled)
    raise InputError(f"series {series!r} is not in IEC 60063; use one of {', '.join(TOLERANCE_PCT)}")


def next_up(value: float, series: str) -> float:
    """The smallest preferred value not below this one."""
    return min(preferred for preferred in _around(value, series) if preferred >= value * (1.0 - 1e-9))


def next_down(value: float, series: str) -> float:
    """The largest preferred value not above this one."""
    return max(preferred for preferred in _around(value, series) if preferred <= value * (1.0 + 1e-9))


def _around(value: float, series: str) -> list[float]:
    if not (math.isfinite(value) and value > 0):
        raise InputError(f"a part of {value:g} does not exist; give a value above zero")
    decade = math.floor(math.log10(value))
    return [float(f"{digit:.3g}e{power}") for power in (decade - 1, decade, decade + 1) for digit in values(series)]
