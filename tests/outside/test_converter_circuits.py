"""Pulse-to-voltage converters against the test circuits of makers' data sheets of general parts.

A doubling charge pump: 1 nF, 68 kΩ, 12 V give 8.16 V at 10 kHz; 180 µA reach 15 kHz; with 220 nF, 180 µA and 1 kHz the
sheet's formula Vcc/2 · C1/C2 · (1 − Vcc·f·C1/I2) gives 25.45 mV of ripple, peak to peak.
A one-packet converter: 100 kΩ,
14 kΩ, 6.81 kΩ, 10 nF at 10 kHz give 10.17 V; its packet is 2.09 V · Rt·Ct / Rs.
"""

import numpy as np
import pytest

from stream.calibrate.chain.sizing import SETTLE_2_PCT, frequency_ceiling, mean_output, ripple
from ui.cli.main import run


def test_a_pump_that_moves_half_its_charge_in_each_half_cycle() -> None:
    """Mean, ceiling and ripple of the published circuit."""
    charge = 1e-9 * 12.0

    assert mean_output(10_000.0, charge, 68e3) == pytest.approx(8.16)
    assert frequency_ceiling(180e-6, charge) == pytest.approx(15_000.0)
    assert ripple(1000.0, charge, "twice", 180e-6, 0.22e-6) == pytest.approx(25.45e-3, abs=0.01e-3)


def test_a_converter_of_one_packet_a_cycle() -> None:
    """Mean of the published circuit; its ripple by the same charge is that of the whole packet.

    Between packets R drains for all but the packet's own time, so peak to peak is Q / C_s · (1 - f · t), from the
    charge balance of one cycle.
    """
    rs, rt_ct, volts = 14e3, 6.81e3 * 10e-9, 2.09
    charge = volts / rs * rt_ct
    on = 1.1 * rt_ct
    current = charge / on

    assert mean_output(10_000.0, charge, 100e3) == pytest.approx(10.17, abs=0.005)
    assert ripple(1000.0, charge, "once", current, 1e-6) == pytest.approx(charge / 1e-6 * (1.0 - 1000.0 * on))


def test_settling_is_that_of_one_time_constant() -> None:
    """Published: a time constant of 0.1 s settles to 0.1 % in 0.691 s, so the law is exp(-t / tau); 2 % by it."""
    assert 0.1 * np.log(1000.0) == pytest.approx(0.691, abs=0.0005)
    assert np.exp(-SETTLE_2_PCT) == pytest.approx(0.02, rel=1e-3)


@pytest.mark.parametrize(("pump", "packets"), [("once", 1), ("twice", 2)])
def test_the_command_prints_the_ripple_of_the_pump_it_names(capsys, pump: str, packets: int) -> None:
    """By the sheets' formulas from the parts that the plan itself chose, at idle."""
    import json

    arguments = ["plan", "--pulses", "4", "--redline", "7400", "--supply", "12", "--pump-current", "180"]
    assert run([*arguments, "--pump", pump, "--json"]) == 0
    plan = json.loads(capsys.readouterr().out)
    parts, hz = plan["converter"], plan["idle_hz"]
    charge = 12.0 * parts["capacitor_f"]
    expected = charge / packets / parts["smoothing"]["farad"] * (1.0 - hz * charge / 180e-6)

    assert parts["pump"] == pump
    assert parts["smoothing"]["ripple_v"] == pytest.approx(expected, rel=1e-6)
    assert parts["volts_per_hz"] == pytest.approx(charge * parts["resistor_ohm"], rel=1e-6)
    assert parts["pump_limit_hz"] == pytest.approx(180e-6 / charge, rel=1e-6)
