"""The live stage by itself: what it counts of the chain's health, and what it tells, each thing once.

Noise is drawn here with a known standard deviation; a clock that runs fast is made by its own arithmetic.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stream.block import Block
from stream.live.stage import LiveStage
from tests.drives import Plan, car, info, run_stage

RATE = 200.0
BITES = list(range(4, 600, 4))  # blocks of 20 ms, as a device sends them


def noisy(seconds: float, sd: float = 0.01, seed: int = 3) -> np.ndarray:
    """Two channels at rest, with white noise of this standard deviation."""
    rng = np.random.default_rng(seed)
    rows = round(seconds * RATE)
    return np.column_stack((1.5 + sd * rng.standard_normal(rows), sd * rng.standard_normal(rows))).astype(np.float32)


def test_noise_is_the_standard_deviation_from_sample_to_sample() -> None:
    """White noise of 10 mV is 10 mV, on whatever level or slow ramp it sits, and quiet again a while after it ends."""
    samples = noisy(20.0)
    samples[:, 0] += np.linspace(0, 1.0, len(samples), dtype=np.float32)
    assert run_stage(samples, RATE).health().noise["speed_v"] == pytest.approx(0.01, rel=0.05)

    calm = np.concatenate([samples, np.full((round(20 * RATE), 2), 2.0, np.float32)])
    assert run_stage(calm, RATE).health().noise["speed_v"] < 0.001


def test_a_channel_that_stands_still_is_called_flat_after_two_seconds() -> None:
    """Not one count of change for more than 2 s; a single step makes it alive again."""
    samples = noisy(1.0)
    still = np.concatenate([samples, np.tile(samples[-1], (round(1.9 * RATE), 1))])
    assert run_stage(still, RATE, cuts=BITES).health().flat == ()

    longer = np.concatenate([still, np.tile(samples[-1], (round(0.3 * RATE), 1))])
    longer[:, 1] = noisy(len(longer) / RATE)[:, 1]
    assert run_stage(longer, RATE, cuts=BITES).health().flat == ("speed_v",)
    alive = np.concatenate([longer, longer[:1]])
    assert run_stage(alive, RATE, cuts=BITES).health().flat == ()


@settings(max_examples=15, deadline=None)
@given(cuts=st.lists(st.integers(1, 1599), max_size=20), lost=st.integers(0, 50), seed=st.integers(0, 99))
def test_samples_are_counted_once_however_they_came(cuts: list[int], lost: int, seed: int) -> None:
    """Rows, lost and clipped samples do not depend on the blocks; a missing cell is not clipped."""
    samples = noisy(8.0, sd=1.5, seed=seed)
    samples[100:140, 1] = np.nan
    beyond = [
        np.count_nonzero((c < low) | (c > high)) for c, low, high in zip(samples.T, (0, -2), (4.9, 2), strict=True)
    ]

    health = run_stage(samples, RATE, cuts=cuts, gaps={700: lost} if lost else {}).health()

    assert (health.rows, health.lost_samples) == (1600, lost)
    assert list(health.clipped_samples.values()) == beyond
    assert min(beyond) > 0


def test_the_rate_is_that_of_the_devices_own_clock() -> None:
    """A device that says 200 Hz and sends one sample every 4.9 ms sends 204 a second; before a second has passed, and
    from a device without a clock, the rate is the one it says."""
    stage = LiveStage(car(), info(RATE))
    rates = []
    for number, part in enumerate(np.split(noisy(5.0), 50)):
        stage.push(Block(part, number * 20, RATE, device_us=round(number * 20 * 4900)))
        rates.append(stage.health().rate_hz)

    assert rates[0] == rates[9] == RATE
    assert rates[-1] == pytest.approx(1 / 0.0049, rel=1e-6)
    assert run_stage(noisy(5.0), RATE).health().rate_hz == RATE


def test_a_stretch_beyond_the_range_is_told_once_where_it_begins() -> None:
    """One event for each time a channel leaves its range, at the first sample outside, however the blocks fall; what
    comes back for less than half a second has not come back."""
    samples = noisy(6.0)
    samples[300:320:2, 0] = samples[900:905, 0] = samples[950, 0] = 5.0
    for cuts in ([], [310, 902], list(range(0, 1200, 7))):
        told = [one for one in run_stage(samples, RATE, cuts=cuts).events.since(0)[0] if one.kind == "clipped"]
        assert [one.time_s for one in told] == [300 / RATE, 900 / RATE]
        assert {one.code for one in told} == {"channel-clipped"}


def test_a_gap_is_told_with_its_length_and_a_long_one_ends_the_hold() -> None:
    """0.2 s of lost samples are bridged, and told as samples come again; 0.5 s end the hold, and that is said of it."""
    samples = Plan(8).hold(2500, 14).samples()
    short = run_stage(samples, RATE, gaps={1400: 40})
    long = run_stage(samples, RATE, gaps={1400: 100})

    assert [(one.time_s, one.value) for one in short.events.since(0)[0] if one.kind == "gap"] == [(7.2, 40.0)]
    assert len(short.holds) == 1
    assert len(long.holds) == 2
    ended = [one.text for one in long.events.since(0)[0] if one.code == "hold-found"]  # code and values, without `ui`
    assert ["gap_s=None" in text for text in ended] == [False, True]
