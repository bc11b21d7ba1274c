"""Alignment against resampled copies of two published speed cycles: known shift, rate, noise, coarse steps.

WLTC class 3b (UN GTR 15) and the urban part of NEDC (UN R83), one row a second, from the folder named by
STEADYPULL_OUTSIDE_DATA.
"""

import numpy as np
import pytest

from stream.errors import InputError
from stream.study.clock import align
from tests.outside_data import outside_file

WLTC, NEDC = "wltc_class3b_1Hz.csv", "nedc_urban_1Hz.csv"
Trace = tuple[np.ndarray, np.ndarray]


def cycle(name: str) -> Trace:
    """(time, rpm): the cycle's speed in one gear, 40 rpm per km/h, over an idle of 800 rpm."""
    rows = np.loadtxt(outside_file(name), delimiter=",", skiprows=1)
    return rows[:, 0] - rows[0, 0], 800 + 40 * rows[:, 1]


def session_of(name: str, rng: np.random.Generator, start: float = 0.0, end: float = 1.0) -> Trace:
    """The part from start to end (of the whole) at 100 Hz with noise of 10 rpm; its clock starts at 0."""
    time, rpm = cycle(name)
    clock = np.arange(start * time[-1], end * time[-1], 0.01)
    return clock - clock[0], np.interp(clock, time, rpm) + rng.normal(0, 10, len(clock))


def log_of(
    name: str,
    rng: np.random.Generator,
    rate_hz: float,
    start: float,
    end: float,
    offset: float,
    ppm: float,
    step: float,
) -> Trace:
    """The part from start to end at rate_hz; a twentieth of its rows dropped, rpm in steps."""
    time, rpm = cycle(name)
    at = np.arange(start * time[-1], end * time[-1], 1 / rate_hz)
    at = at[rng.random(len(at)) > 0.05]
    values = np.interp(at, time, rpm) + rng.normal(0, 15, len(at))
    return (at - offset) / (1 + 1e-6 * ppm), np.round(values / step) * step if step else values


@pytest.mark.parametrize("rate_hz", [5, 10, 50])
@pytest.mark.parametrize(("name", "ppm"), [(WLTC, 80.0), (WLTC, -600.0), (NEDC, 40.0)])
@pytest.mark.parametrize("step", [0.0, 50.0])
def test_a_whole_log_is_placed_within_ten_milliseconds(name: str, ppm: float, rate_hz: float, step: float) -> None:
    """A published driving cycle, logged with its own clock, is found again to 10 ms."""
    rng = np.random.default_rng(5)
    clock, rpm = session_of(name, rng)
    stamps, values = log_of(name, rng, rate_hz, 0, 1, -37.25, ppm, step)

    found = align(clock, rpm, stamps, values)

    middle = (stamps[0] + stamps[-1]) / 2
    error = found.offset_s + found.rate_ppm * 1e-6 * middle - (-37.25 + ppm * 1e-6 * middle)
    assert abs(error) < 0.010
    assert abs(found.offset_s + 37.25) < 0.010 + 2 * found.u_offset_s
    assert found.rate_ppm == pytest.approx(ppm, abs=30)
    assert found.correlation > 0.99


@pytest.mark.parametrize("rate_hz", [5, 20])
def test_a_third_of_overlap_is_enough(rate_hz: float) -> None:
    """The log runs from 10 to 60 % of the cycle, the session only from 45 %: 30 % of the log lies in it."""
    rng = np.random.default_rng(6)
    clock, rpm = session_of(WLTC, rng, start=0.45)
    begin = 0.45 * cycle(WLTC)[0][-1]
    stamps, values = log_of(WLTC, rng, rate_hz, 0.1, 0.6, 0.0, 0.0, 50.0)

    found = align(clock, rpm, stamps, values)

    middle = begin + 0.075 * cycle(WLTC)[0][-1]
    error = found.offset_s + found.rate_ppm * 1e-6 * middle + begin
    assert abs(error) < 0.010 + 2 * found.u_offset_s
    assert abs(error) < 0.030


def test_a_session_with_lost_samples_and_a_wrong_calibration_is_aligned_too() -> None:
    """Neither gaps nor a scale that is off move the place of the log."""
    rng = np.random.default_rng(7)
    clock, rpm = session_of(WLTC, rng)
    kept = (clock < 400) | (clock > 460)
    stamps, values = log_of(WLTC, rng, 10, 0, 1, 12.5, 0.0, 0.0)

    found = align(clock[kept], 1.3 * rpm[kept] - 300, stamps, values)

    assert found.offset_s == pytest.approx(12.5, abs=0.010)


def test_the_converters_lag_moves_the_offset() -> None:
    """What the converter delays is part of the offset unless it is taken off."""
    rng = np.random.default_rng(8)
    clock, rpm = session_of(WLTC, rng)
    log = log_of(WLTC, rng, 10, 0, 1, 0.0, 0.0, 0.0)

    plain, mended = align(clock, rpm, *log), align(clock, rpm, *log, lag_s=0.05)

    assert plain.offset_s - mended.offset_s == pytest.approx(0.05, abs=0.002)


def test_a_piece_that_fits_several_repeats_is_refused() -> None:
    """Three of the four repeats of the urban cycle fit in two places."""
    rng = np.random.default_rng(9)
    session = session_of(NEDC, rng)

    with pytest.raises(InputError, match="as well at"):
        align(*session, *log_of(NEDC, rng, 10, 0.0, 0.74, 0.0, 0.0, 50.0))


def test_the_log_of_another_drive_is_refused() -> None:
    """Two drives that do not belong together are never laid over each other."""
    rng = np.random.default_rng(10)

    with pytest.raises(InputError, match="nowhere"):
        align(*session_of(WLTC, rng, 0, 0.6), *log_of(NEDC, rng, 10, 0, 1, 0.0, 0.0, 0.0))


def test_an_engine_speed_that_stands_still_is_refused() -> None:
    """Without a change of speed there is nothing to align by."""
    rng = np.random.default_rng(11)
    stamps = np.arange(0, 100, 0.1)

    with pytest.raises(InputError, match="hardly changes"):
        align(*session_of(WLTC, rng), stamps, np.full(len(stamps), 3000.0))
    with pytest.raises(InputError, match="too few"):
        align(*session_of(WLTC, rng), stamps[:5], stamps[:5])
