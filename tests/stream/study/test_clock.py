"""Two clocks into one: places are weighed by likelihood, and another day of the same script is another drive."""

from pathlib import Path

import numpy as np
import pytest

from stream.errors import InputError
from stream.sources.rehearsal.sensors import Chain
from stream.study.clock import align
from stream.study.dataset import open_dataset
from tests.controller_log import write_controller_log
from tests.stream.study.rehearsed import BEGAN, session

Trace = tuple[np.ndarray, np.ndarray]


def script(rng: np.random.Generator, pulls: int, timing_s: float, wander_rpm: float) -> Trace:
    """(time, rpm) at 100 Hz of cruise, pull, lift, again and again in one rhythm; the foot is `timing_s` early or late,
    and wanders. A driver of this test's own."""
    knots_s, knots_rpm = [0.0], [2400.0]
    for pull in range(pulls):
        at = 12.0 + 26.0 * pull
        late, slower = rng.normal(0, timing_s), rng.normal(1.0, 0.004)
        for after, rpm in ((0.0, 2400.0), (7.5 * slower, 6300.0), (12.0, 3000.0), (15.0, 2400.0)):
            knots_s.append(at + late + after)
            knots_rpm.append(rpm + rng.normal(0, wander_rpm))
    time = np.arange(0, knots_s[-1] + 8, 0.01)
    wander = np.convolve(rng.normal(0, 1, len(time)), np.hanning(150), "same")
    return time, np.interp(time, knots_s, knots_rpm) + wander_rpm * wander / wander.std()


def logged(trace: Trace, rng: np.random.Generator, rate_hz: float, step: float, offset: float) -> Trace:
    """The controller's own view of it."""
    at = np.arange(trace[0][0] + 1, trace[0][-1] - 1, 1 / rate_hz)
    return at - offset, np.round((np.interp(at, *trace) + rng.normal(0, 6, len(at))) / step) * step


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(("rate_hz", "step"), [(20, 1), (10, 10), (5, 50)])
def test_pulls_in_one_rhythm_are_told_apart_by_their_residuals(seed: int, rate_hz: float, step: float) -> None:
    """Six pulls, 26 s apart; the log holds three of them, so it lies over others nearly as well. Correlations do not
    tell the places apart (0.999 and 0.99), residuals of 8 and 60 rpm do."""
    rng = np.random.default_rng(seed)
    drive = script(rng, 6, 0.10, 10.0)
    noisy = drive[0], drive[1] + rng.normal(0, 5, len(drive[0]))
    part = slice(6200, 13500)
    log = logged((drive[0][part], drive[1][part]), rng, rate_hz, step, 17.5)

    found = align(*noisy, *log)

    assert found.offset_s == pytest.approx(17.5, abs=0.02 + 3 * found.u_offset_s)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(("rate_hz", "step"), [(20, 1), (5, 50)])
def test_two_days_of_one_script_do_not_fit(seed: int, rate_hz: float, step: float) -> None:
    """The same rhythm to a tenth of a second, another foot."""
    rng = np.random.default_rng(100 + seed)
    one, other = script(rng, 5, 0.10, 10.0), script(rng, 5, 0.10, 10.0)
    noisy = one[0], one[1] + rng.normal(0, 5, len(one[0]))

    assert align(*noisy, *logged(one, rng, rate_hz, step, 3.0)).offset_s == pytest.approx(3.0, abs=0.02)
    with pytest.raises(InputError) as caught:
        align(*noisy, *logged(other, rng, rate_hz, step, 3.0))
    assert caught.value.code in ("log-of-another-drive", "log-fits-twice", "log-matches-nowhere")


@pytest.mark.coverage
def test_two_rehearsed_days_do_not_fit_and_each_fits_itself(tmp_path: Path) -> None:
    """The rehearsal car's driver keeps its script to a few hundredths of a second; its own log fits each day."""
    days = []
    for seed in (6, 7):
        recording = session(tmp_path / f"{seed}.h5", seed, "heron", BEGAN, chain=Chain(), pulls=6)
        write_controller_log(recording, tmp_path / f"{seed}.csv", 20.0, seed=3)
        with open_dataset(tmp_path / f"{seed}.h5") as data:
            trace = data.time_s, data.speed_rpm
        log = np.loadtxt(tmp_path / f"{seed}.csv", delimiter=",", skiprows=1, usecols=(0, 1))
        days.append((trace, (log[:, 0], log[:, 1]), recording.truth.controller.offset_s))
    for trace, log, offset in days:
        assert align(*trace, *log).offset_s == pytest.approx(offset, abs=0.02)
    for one, other in (days, days[::-1]):
        with pytest.raises(InputError, match="another drive"):
            align(*one[0], *other[1])


def test_no_clock_runs_three_in_a_thousand_wrong() -> None:
    """A place that would need it is none: with a free rate anything can be stretched over anything."""
    rng = np.random.default_rng(5)
    drive = script(rng, 4, 0.1, 10.0)
    stamps, rpm = logged(drive, rng, 20, 1, 0.0)

    assert align(*drive, stamps / 1.001, rpm).rate_ppm == pytest.approx(1000, abs=30)
    with pytest.raises(InputError):
        align(*drive, stamps / 1.01, rpm)
