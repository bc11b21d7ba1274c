"""The whole chain on paper: frequencies, converter, resolution of the reading, where the live filter must cut."""

from collections.abc import Mapping, Sequence

import msgspec
import numpy as np

from stream.calibrate.chain.sizing import Converter, ConverterWish, Pump, pulse_frequency, size_converter, speed_at
from stream.calibrate.link.bridge import BridgeKind, to_microstrain
from stream.errors import InputError
from stream.findings import Finding, warning

PLAUSIBLE_PULSES = (0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 35.0, 36.0, 58.0, 60.0)
MOST_COMPARED = 8  # chosen: what a table across a page can hold
_STEP_10_90 = 0.342  # 2.148 / (2 pi): rise of a second-order Butterworth low-pass, in 1 / cutoff
_HOP_LEFT = 0.3  # share of the wheel hop that may pass


class PulseRange(msgspec.Struct, frozen=True, kw_only=True):
    """One pulse count: its frequencies, the speed at which this converter's ceiling stops it, and if that covers."""

    pulses_per_turn: float
    idle_hz: float
    redline_hz: float
    stops_at_rpm: float
    covers: bool


class FilterAdvice(msgspec.Struct, frozen=True, kw_only=True):
    """Low-pass corner: at least `low_hz` to follow a pull through a rev band, at most `high_hz` to stop wheel hop.

    band_s: the time one band takes; where low_hz is above high_hz no corner does both.
    """

    low_hz: float
    high_hz: float
    advised_hz: float
    rpm_per_s: float
    band_rpm: float
    band_s: float


class Plan(msgspec.Struct, frozen=True, kw_only=True):
    """What `plan` shows. Ranges and parts are nominal; `converter.gain_spread` is why a calibration follows."""

    pulses_per_turn: float
    idle_hz: float
    redline_hz: float
    pulse_ranges: tuple[PulseRange, ...]
    converter: Converter
    adc_bits: int
    adc_step_v: float
    adc_step_rpm: float
    adc_step_microstrain: float
    filter: FilterAdvice
    findings: tuple[Finding, ...]


MAY_BE_ZERO = ("tolerance", "output-headroom")


def plan_of(asked: Mapping[str, float | None], *, bits: int, bridge: BridgeKind, pump: Pump) -> Plan:
    """The plan for what was asked, by these names: pulses, redline, idle rpm; supply, output (or None),
    output-headroom, input-range, excitation V; pump-current µA; input-threshold, tap-at-idle V, ceiling Hz (or None);
    ripple, band rpm; response ms; pull rpm/s; tolerance %; gain; gauge-factor; wheel-hop Hz.

    Raises InputError whose value `name` is the number to be mended.
    """
    _check(asked)
    need = {name: value for name, value in asked.items() if value is not None}
    wish = ConverterWish(
        pulses_per_turn=need["pulses"],
        redline_rpm=need["redline"],
        idle_rpm=need["idle"],
        supply_v=need["supply"],
        output_v=asked["output"],
        output_headroom_v=need["output-headroom"],
        pump=pump,
        pump_current_a=need["pump-current"] * 1e-6,
        input_threshold_v=asked["input-threshold"],
        tap_at_idle_v=asked["tap-at-idle"],
        ripple_rpm=need["ripple"],
        response_s=need["response"] * 1e-3,
        rpm_per_s=need["pull"],
        capacitor_tolerance_pct=need["tolerance"],
    )
    return make_plan(
        wish,
        ceiling_hz=asked["ceiling"],
        adc_bits=bits,
        adc_range_v=need["input-range"],
        excitation_v=need["excitation"],
        amplifier_gain=need["gain"],
        bridge=bridge,
        gauge_factor=need["gauge-factor"],
        band_rpm=need["band"],
        wheel_hop_hz=need["wheel-hop"],
    )


def _check(asked: Mapping[str, float | None]) -> None:
    for name, value in asked.items():
        if value is not None and not (0 < value < float("inf") or (value == 0 and name in MAY_BE_ZERO)):
            raise InputError(
                f"{value:g} is not a number above zero; mend it", "plan-not-positive", name=name, value=value
            )
    supply, output, redline = asked["supply"] or 0.0, asked["output"], asked["redline"] or 0.0
    if output is not None and output > supply:
        raise InputError(
            f"{output:g} V cannot come from a supply of {supply:g} V; lower it or raise the supply",
            "plan-above-supply",
            name="output",
            value=output,
            supply=supply,
        )
    headroom, idle = asked["output-headroom"] or 0.0, asked["idle"] or 0.0
    if headroom >= supply:
        raise InputError(
            f"{headroom:g} V leaves nothing of a supply of {supply:g} V; lower it or raise the supply",
            "plan-no-headroom",
            name="output-headroom",
            value=headroom,
            supply=supply,
        )
    if idle >= redline:
        raise InputError(
            f"{idle:g} rpm is not below a redline of {redline:g} rpm; mend one",
            "plan-idle",
            name="idle",
            value=idle,
            redline=redline,
        )


def make_plan(
    wish: ConverterWish,
    *,
    ceiling_hz: float | None = None,
    adc_bits: int = 12,
    adc_range_v: float = 5.0,
    excitation_v: float = 5.0,
    amplifier_gain: float = 500.0,
    bridge: BridgeKind = "full-bending",
    gauge_factor: float = 2.0,
    band_rpm: float = 250.0,
    wheel_hop_hz: float = 12.0,
) -> Plan:
    """The plan for one engine. ceiling_hz: of a converter that exists already; else that of the parts chosen.

    Wheel hop of 10 to 15 Hz is common practice, no source. Raises InputError for numbers that cannot be used.
    """
    if not 4 <= adc_bits <= 32:
        raise InputError(f"plan: {adc_bits} bits is no converter; give 4 to 32")
    for name, value in (("range", adc_range_v), ("excitation", excitation_v), ("gain", amplifier_gain)):
        if not value > 0:
            raise InputError(f"plan: {name} = {value:g} cannot be used; give a number above zero")
    parts = size_converter(wish)
    limit = parts.ceiling_hz if ceiling_hz is None else ceiling_hz
    step = adc_range_v / 2**adc_bits
    ranges = pulse_ranges(wish.idle_rpm, wish.redline_rpm, limit, (*PLAUSIBLE_PULSES, wish.pulses_per_turn))
    advice = filter_advice(wish.rpm_per_s, band_rpm, wheel_hop_hz)
    by_output = ceiling_hz is None and parts.output_limit_hz < parts.pump_limit_hz  # that has a finding of its own
    own = next(row for row in ranges if row.pulses_per_turn == wish.pulses_per_turn)
    return Plan(
        pulses_per_turn=wish.pulses_per_turn,
        idle_hz=own.idle_hz,
        redline_hz=own.redline_hz,
        pulse_ranges=ranges,
        converter=parts,
        adc_bits=adc_bits,
        adc_step_v=step,
        adc_step_rpm=step / parts.volts_per_rpm,
        adc_step_microstrain=float(to_microstrain(1000.0 * step / amplifier_gain / excitation_v, bridge, gauge_factor)),
        filter=advice,
        findings=(*parts.findings, *_plan_findings(wish, own, None if by_output else limit, advice)),
    )


def pulse_ranges(
    idle_rpm: float, redline_rpm: float, ceiling_hz: float, counts: Sequence[float] = PLAUSIBLE_PULSES
) -> tuple[PulseRange, ...]:
    """Frequencies of every count, and whether a converter with this ceiling (Hz) covers idle to redline."""
    return tuple(
        PulseRange(
            pulses_per_turn=count,
            idle_hz=pulse_frequency(count, idle_rpm),
            redline_hz=pulse_frequency(count, redline_rpm),
            stops_at_rpm=speed_at(count, ceiling_hz),
            covers=pulse_frequency(count, redline_rpm) <= ceiling_hz,
        )
        for count in sorted(set(counts))
    )


def filter_advice(rpm_per_s: float, band_rpm: float, wheel_hop_hz: float) -> FilterAdvice:
    """Corner of a second-order low-pass: rises within the time a pull needs for one band, lets 30 % of hop pass."""
    if not (rpm_per_s > 0 and band_rpm > 0 and wheel_hop_hz > 0):
        raise InputError("plan: pull rate, band and wheel hop must be above zero; mend the value")
    low = _STEP_10_90 * rpm_per_s / band_rpm
    high = wheel_hop_hz / (1.0 / _HOP_LEFT**2 - 1.0) ** 0.25
    return FilterAdvice(
        low_hz=low,
        high_hz=high,
        advised_hz=float(np.sqrt(low * high)) if low <= high else low,
        rpm_per_s=rpm_per_s,
        band_rpm=band_rpm,
        band_s=band_rpm / rpm_per_s,
    )


def _plan_findings(wish: ConverterWish, own: PulseRange, limit_hz: float | None, advice: FilterAdvice) -> list[Finding]:
    found = []
    if not own.covers and limit_hz is not None:
        found.append(
            warning(
                "plan-ceiling-below-redline",
                pulses=own.pulses_per_turn,
                redline_hz=own.redline_hz,
                redline_rpm=wish.redline_rpm,
                limit_hz=limit_hz,
                stops_at_rpm=own.stops_at_rpm,
            )
        )
    if advice.low_hz > advice.high_hz:
        found.append(
            warning(
                "plan-filter-cannot-do-both",
                rpm_per_s=advice.rpm_per_s,
                band_rpm=advice.band_rpm,
                low_hz=advice.low_hz,
                high_hz=advice.high_hz,
            )
        )
    return found
