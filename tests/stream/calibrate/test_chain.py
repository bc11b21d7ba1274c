"""Pulses per turn, converter parts and the plan: against a simulation pulse by pulse, and common practice."""

import json
import math

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stream.calibrate.chain.plan import filter_advice, make_plan, pulse_ranges
from stream.calibrate.chain.pulses import find_pulses
from stream.calibrate.chain.sizing import (
    ConverterWish,
    pulse_frequency,
    size_converter,
    speed_at,
    tolerance_stack,
    values,
)
from stream.errors import InputError
from ui.text.findings import say


def test_thirty_six_pulses_and_a_ceiling_of_2200_hz() -> None:
    """Common practice, no source: 36 pulses a turn at 6600 rpm are 3960 Hz; 2200 Hz then stops at 3667 rpm."""
    assert pulse_frequency(36, 6600) == 3960.0
    assert round(speed_at(36, 2200.0)) == 3667
    plan = make_plan(ConverterWish(pulses_per_turn=36, redline_rpm=6600), ceiling_hz=2200.0)
    own = next(row for row in plan.pulse_ranges if row.pulses_per_turn == 36)
    assert not own.covers
    found = next(finding for finding in plan.findings if finding.code == "plan-ceiling-below-redline")
    assert found.values["redline_hz"] == pytest.approx(3960.0)
    assert round(found.values["stops_at_rpm"]) == 3667


@pytest.mark.parametrize(
    ("hz", "rpm", "name"),
    [
        ([60.0, 200.0, 400.0], [900, 3000, 6000], "4"),
        ([25.0], [3000], "0.5"),
        ([75.0], [3000], "1.5"),
        ([3500.0 / 60 * 30], [3000], "36-1"),
    ],
)
def test_pulse_count_with_runner_up(hz, rpm, name: str) -> None:
    """Whole, half and missing-teeth counts with a readout good to 10 rpm and 0.1 %."""
    finding = find_pulses(hz, rpm, reading_error_rpm=10.0, scale_error_pct=0.1)

    assert finding.best is not None
    assert finding.best.name == name
    assert finding.runner_up is not None
    assert finding.runner_up.per_turn != finding.best.per_turn
    assert finding.probability > 0.9


def test_pulse_count_that_cannot_be_told_or_fits_nothing_is_said() -> None:
    """36 against 35 with a needle at low speed; and a tap that skips."""
    assert "not sure" in say(find_pulses([600.0], [1000.0]).said)
    skipping = find_pulses([3000.0 / 60 * 4.27], [3000.0], reading_error_rpm=5.0, scale_error_pct=0.1)
    assert skipping.best is None
    assert "no plausible count" in say(skipping.said)
    with pytest.raises(InputError):
        find_pulses([0.0], [1000.0])


def simulated(converter, wish, rpm: float) -> tuple[float, float]:
    """(mean, peak-to-peak) output by marching the charge through R and the smoothing capacitor, 400 steps a packet.

    A pump that moves its charge twice a cycle sends a packet of half the charge every half cycle.
    """
    packets = {"once": 1, "twice": 2}[wish.pump]
    period = 60.0 / (wish.pulses_per_turn * rpm) / packets
    charge = converter.capacitor_f * wish.supply_v / packets
    tau = converter.resistor_ohm * converter.smoothing.farad
    dt, level, rows = period / 400, 0.0, []
    on = charge / wish.pump_current_a  # the pump runs so long for each packet
    count = math.ceil(12 * tau / period) + 3
    for step in range(400 * count):
        phase = (step % 400) * dt
        pumped = max(0.0, min(on - phase, dt)) * wish.pump_current_a
        level += pumped / converter.smoothing.farad - level * dt / tau
        if step >= 400 * (count - 2):
            rows.append(level)
    return float(np.mean(rows)), float(np.ptp(rows))


@pytest.mark.parametrize("pump", ["once", "twice"])
def test_output_and_ripple_agree_with_a_packet_by_packet_simulation(pump: str) -> None:
    """f·C·R·V and the ripple formula of both kinds of pump, for the scenario's engine, at idle and near redline."""
    wish = ConverterWish(pulses_per_turn=4, redline_rpm=7400, pump=pump)
    converter = size_converter(wish)

    for rpm in (800.0, 7000.0):
        mean, peak = simulated(converter, wish, rpm)
        assert mean == pytest.approx(converter.volts_per_rpm * rpm, rel=0.01)
    _, peak = simulated(converter, wish, 800.0)
    assert peak == pytest.approx(converter.smoothing.ripple_v, rel=0.05)


def test_a_pump_that_moves_its_charge_twice_leaves_half_the_ripple() -> None:
    """The same parts, the same mean and the same ceiling; each packet is half."""
    once, twice = (
        size_converter(ConverterWish(pulses_per_turn=4, redline_rpm=7400, pump=pump)) for pump in ("once", "twice")
    )
    same = {row.farad: row.ripple_v for row in once.trade}
    pairs = [(row.ripple_v, same[row.farad]) for row in twice.trade if row.farad in same]

    assert pairs
    assert all(half == pytest.approx(whole / 2.0) for half, whole in pairs)
    assert (once.capacitor_f, once.resistor_ohm) == (twice.capacitor_f, twice.resistor_ohm)
    assert once.pump_limit_hz == twice.pump_limit_hz
    assert twice.packet_c == pytest.approx(once.packet_c / 2.0)


def test_the_output_stage_cannot_reach_its_supply() -> None:
    """5 V less 1.5 V are 3.5 V: what is asked for stays below; more is a finding that names where it sticks."""
    parts = size_converter(ConverterWish(pulses_per_turn=4, redline_rpm=7400))
    assert parts.output_reach_v == 3.5
    assert parts.output_at_redline_v < 3.5
    over = size_converter(ConverterWish(pulses_per_turn=4, redline_rpm=7400, output_v=4.5))
    found = next(finding for finding in over.findings if finding.code == "plan-output-headroom")

    assert over.volts_per_rpm * found.values["stops_at_rpm"] == pytest.approx(3.5)
    assert over.ceiling_rpm == pytest.approx(found.values["stops_at_rpm"])
    rail_to_rail = size_converter(
        ConverterWish(pulses_per_turn=4, redline_rpm=7400, output_v=4.5, output_headroom_v=0.1)
    )
    assert rail_to_rail.findings == tuple(f for f in over.findings if f.code != "plan-output-headroom")
    with pytest.raises(InputError, match="output_headroom_v"):
        size_converter(ConverterWish(pulses_per_turn=4, redline_rpm=7400, output_headroom_v=5.0))


def test_a_tap_that_is_weak_at_low_speed_makes_a_dead_band() -> None:
    """A coil gives volts in proportion to speed (common practice, no source): 20 mV at 800 rpm pass 30 mV at 1 200."""
    wish = ConverterWish(pulses_per_turn=4, redline_rpm=7400, input_threshold_v=0.03, tap_at_idle_v=0.02)
    parts = size_converter(wish)

    assert parts.dead_below_rpm == pytest.approx(1200.0)
    assert "plan-tap-too-weak" in {finding.code for finding in parts.findings}
    assert size_converter(ConverterWish(pulses_per_turn=4, redline_rpm=7400)).dead_below_rpm is None


@settings(max_examples=60, deadline=None)
@given(pulses=st.sampled_from([0.5, 1, 2, 3, 4, 6, 36, 60]), redline=st.floats(3000, 14000), supply=st.floats(5, 12))
def test_every_plan_covers_idle_to_redline_with_parts_that_exist(pulses, redline: float, supply: float) -> None:
    """Parts from the series, output inside its range, ceiling above redline even at the parts' tolerance."""
    wish = ConverterWish(
        pulses_per_turn=pulses, redline_rpm=redline, supply_v=supply, output_v=4.5, output_headroom_v=0.2
    )
    parts = size_converter(wish)

    def in_series(value: float, series: str) -> bool:
        digit = value / 10.0 ** math.floor(math.log10(value) + 1e-9)
        return any(abs(digit - preferred) < 1e-6 for preferred in values(series))

    assert in_series(parts.resistor_ohm, "E24")
    assert in_series(parts.capacitor_f, "E6")
    assert all(in_series(row.farad, "E6") for row in parts.trade)
    assert 0.8 * 4.5 < parts.output_at_redline_v * 1.05 <= 4.5 * (1 + 1e-9)
    assert parts.pump_limit_rpm > redline * 1.05 * 1.05
    assert parts.ceiling_rpm > redline * 1.05
    assert parts.smoothing.lag_in_pull_rpm == pytest.approx(1500.0 * parts.smoothing.time_constant_s)
    lags = [row.time_constant_s for row in parts.trade]
    ripples = [row.ripple_v for row in parts.trade]
    assert lags == sorted(lags)
    assert ripples == sorted(ripples, reverse=True)


def test_tolerances_stack() -> None:
    """1 %, 5 % and 1 %: worst 1.01 · 1.05 · 1.01, RSS root 27."""
    spread = tolerance_stack((1.0, 5.0, 1.0))

    assert spread.worst_pct == pytest.approx(7.1105)
    assert spread.rss_pct == pytest.approx(math.sqrt(27.0))


def test_the_plan_is_ready_for_json_and_gives_resolution() -> None:
    """A 12-bit step over 5 V is 1.2207 mV; in rpm by the converter, in microstrain by gain 500, 5 V, full bridge."""
    plan = make_plan(ConverterWish(pulses_per_turn=4, redline_rpm=7400))
    keys = json.loads(json.dumps(msgspec.to_builtins(plan)))

    assert keys["redline_hz"] == pytest.approx(493.333, abs=1e-3)
    assert keys["idle_hz"] == pytest.approx(53.333, abs=1e-3)
    assert plan.adc_step_v == pytest.approx(5.0 / 4096)
    assert plan.adc_step_rpm == pytest.approx(5.0 / 4096 / plan.converter.volts_per_rpm)
    assert plan.adc_step_microstrain == pytest.approx(5.0 / 4096 / 500 / 5 / 2.0 * 1e6, rel=1e-9)
    assert {row.pulses_per_turn for row in pulse_ranges(800, 7400, 2200)} >= {0.5, 1, 2, 3, 4, 36, 60}


def test_filter_between_pull_and_wheel_hop() -> None:
    """1500 rpm/s through 250 rpm bands: 2.05 Hz at least; 12 Hz hop cut to 30 % by a second-order corner at 6.7 Hz."""
    advice = filter_advice(1500.0, 250.0, 12.0)

    assert advice.low_hz == pytest.approx(2.148 / (2 * math.pi) * 6.0, rel=1e-3)
    assert 1.0 / math.sqrt(1.0 + (12.0 / advice.high_hz) ** 4) == pytest.approx(0.3)
    assert advice.low_hz < advice.advised_hz < advice.high_hz
    rough = filter_advice(8000.0, 250.0, 10.0)
    assert rough.low_hz > rough.high_hz


@pytest.mark.parametrize(
    ("wish", "word"),
    [
        ({"pulses_per_turn": 0}, "pulses_per_turn"),
        ({"redline_rpm": 500}, "idle"),
        ({"output_v": 9.0}, "supply"),
        ({"pump_current_a": float("nan")}, "pump_current_a"),
    ],
)
def test_wishes_that_cannot_be_met(wish, word: str) -> None:
    """The key is named."""
    with pytest.raises(InputError, match=word):
        size_converter(ConverterWish(**{"pulses_per_turn": 4, "redline_rpm": 7400, **wish}))
