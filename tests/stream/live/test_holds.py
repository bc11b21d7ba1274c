"""Holds through the live stage: drives drawn by the test's own generator."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from stream.block import Block, ChannelInfo, StreamInfo
from stream.errors import InputError
from stream.events import EventList
from stream.live.records import join_rows
from stream.live.stage import LiveStage
from tests.drives import RPM_AT_0V, RPM_PER_V, Plan, car, info, run_stage
from tests.told import text_of
from ui.text.findings import say


def overlaps(stage, start: float, end: float) -> list:
    """The holds that cover more than half of a stretch."""
    return [h for h in stage.holds if min(end, h.end_s) - max(start, h.start_s) > 0.5 * (end - start)]


def a_row_of_holds(seed: int, rate_hz: float) -> Plan:
    plan = Plan(seed, rate_hz).hold(900, 5)
    for rpm in (1500, 2500, 3500, 4500, 5500, 6500):
        plan.ramp(rpm, plan.rng.uniform(150, 600)).hold(rpm, plan.rng.uniform(4.5, 8))
    return plan.ramp(900, 700)


@pytest.mark.parametrize("rate_hz", [20, 50, 200, 1000])
@pytest.mark.parametrize("slope_error", [0.7, 1.0, 1.3])
def test_a_wandering_foot_holds(rate_hz: float, slope_error: float) -> None:
    """A foot that wanders by 20 to 50 rpm with periods of 1 to 5 s holds, whatever the provisional slope."""
    found = missed = strays = 0
    for seed in range(3):
        plan = a_row_of_holds(seed, rate_hz)
        stage = run_stage(plan.samples(), rate_hz, car(slope_error))
        for start, end, rpm in plan.holds:
            near = overlaps(stage, start, end)
            if len(near) != 1:
                missed += 1
                continue
            found += 1
            slope, zero = stage.line
            true_mean = np.mean(plan.rpm[round(near[0].start_s * rate_hz) : round(near[0].end_s * rate_hz)])
            by_truth = near[0].signal_mean * RPM_PER_V + RPM_AT_0V
            assert by_truth == pytest.approx(true_mean, abs=max(6.0, 25.0 * 20 / rate_hz)), (seed, rpm)
            assert near[0].speed_rpm == pytest.approx(slope * near[0].signal_mean + zero)
        strays += len(stage.holds) - sum(bool(overlaps(stage, a, b)) for a, b, _ in plan.holds)

    assert missed <= 1, f"{missed} of {found + missed} holds missed"
    assert strays == 0


def test_edges_lie_where_the_ramps_end() -> None:
    """The edges of a hold between ramps are placed to a few tenths of a second."""
    plan = a_row_of_holds(11, 200)

    stage = run_stage(plan.samples(), 200)

    errors = [(overlaps(stage, a, b)[0].start_s - a, overlaps(stage, a, b)[0].end_s - b) for a, b, _ in plan.holds[1:]]
    assert np.max(np.abs(errors)) < 0.6


@pytest.mark.parametrize("slope_error", [0.7, 1.0, 1.3])
def test_a_slow_sweep_is_no_hold(slope_error: float) -> None:
    """40 rpm/s about 4 000 rpm that goes on for 15 s is nowhere a hold."""
    plan = Plan(1).hold(3000, 5).ramp(3700, 400)
    start = plan.time_s
    plan.ramp(4300, 40)
    end = plan.time_s
    plan.ramp(5500, 400).hold(5500, 5)

    stage = run_stage(plan.samples(), 200, car(slope_error))

    assert [h for h in stage.holds if h.end_s > start + 0.5 and h.start_s < end - 0.5] == []
    assert len(stage.holds) == 2


@pytest.mark.parametrize("rpm_per_s", [120, 200, 400, 1000])
@pytest.mark.parametrize("turn", [1, -1])
@pytest.mark.parametrize("slope_error", [0.7, 1.0, 1.3])
def test_a_pause_of_two_seconds_is_no_hold(rpm_per_s: float, turn: int, slope_error: float) -> None:
    """2 s between two ramps are no hold, though the band and the ramps let a window of 3 s cover them."""
    plan = Plan(2).hold(2000, 6).ramp(3200, rpm_per_s).pause(2.0)
    plan.ramp(3200 + turn * 1000, rpm_per_s).hold(3200 + turn * 1000, 6)

    stage = run_stage(plan.samples(), 200, car(slope_error))

    assert len(stage.holds) == 2
    assert all(len(overlaps(stage, a, b)) == 1 for a, b, _ in plan.holds)


def test_a_standing_engine_is_never_a_hold_but_idle_is() -> None:
    """0 rpm is no hold; 850 rpm at idle is one like any other."""
    plan = Plan(3)
    plan.hold(0, 6, 0).ramp(850, 2000).hold(850, 6, 15).ramp(3000, 500).hold(3000, 5)

    stage = run_stage(plan.samples(), 200)

    assert [round(h.speed_rpm / 50) * 50 for h in stage.holds] == [850, 3000]
    assert stage.pinned == []


def test_a_gap_of_a_quarter_second_ends_a_hold_and_both_halves_count() -> None:
    """0.3 s lost: two halves of more than 3 s are two holds, at the right times."""
    plan = Plan(4).hold(3000, 10)

    stage = run_stage(plan.samples(), 200, gaps={1000: 60})

    assert len(stage.holds) == 2
    assert stage.holds[0].end_s <= 5.0 + 1e-9
    assert stage.holds[1].start_s >= 5.3
    assert stage.holds[1].end_s == pytest.approx(10.3, abs=0.1)
    assert stage.health().lost_samples == 60


@pytest.mark.parametrize(("rate_hz", "every", "lost"), [(200.0, 1000, 49), (1000.0, 2000, 1), (100.0, 50, 24)])
def test_shorter_losses_do_not_end_a_hold(rate_hz: float, every: int, lost: int) -> None:
    """Samples lost again and again, each time less than 0.25 s: one hold, and its mean that of the foot."""
    plan = Plan(4, rate_hz).hold(2000, 5).ramp(3000, 400)
    start = plan.time_s
    plan.hold(3000, 10)
    samples = plan.samples()
    gaps = dict.fromkeys(range(every, len(samples), every), lost)

    stage = run_stage(samples, rate_hz, gaps=gaps)

    assert len(stage.holds) == 2
    before = lost / rate_hz * (round(start * rate_hz) // every)
    assert stage.holds[1].start_s == pytest.approx(start + before, abs=0.6)
    assert stage.holds[1].signal_mean * RPM_PER_V + RPM_AT_0V == pytest.approx(3000, abs=20)
    assert stage.health().lost_samples == lost * len(gaps)


@pytest.mark.parametrize("every", [2, 3, 5])
def test_speed_filled_in_some_rows_only_gives_holds(every: int) -> None:
    """A log with speed in every second, third or fifth row: the same holds, and no live speed but what was measured."""
    plan = a_row_of_holds(3, 100.0)
    whole = run_stage(plan.samples(), 100.0)
    samples = plan.samples()
    samples[np.arange(len(samples)) % every != 0, 0] = np.nan
    stage = LiveStage(car(), info(100.0))
    rows = stage.push(Block(samples, 0, 100.0))
    stage.finish()

    assert len(stage.holds) == len(whole.holds)
    for hold, like in zip(stage.holds, whole.holds, strict=True):
        assert hold.start_s == pytest.approx(like.start_s, abs=0.3)
        assert hold.signal_mean == pytest.approx(like.signal_mean, abs=0.005)
    measured = np.isfinite(samples[np.rint((rows.time_s + stage.settings.delay_s) * 100).astype(int), 0])
    settled = np.cumsum(np.isfinite(rows.speed_rpm)) > 0
    assert np.array_equal(np.isfinite(rows.speed_rpm)[settled], measured[settled])


def test_a_stretch_that_drifts_slowly_becomes_two_holds() -> None:
    """5 rpm/s is far below the drift limit of 26: 60 s of it outgrow a band of 78 rpm to either side, and all of them
    are hold."""
    plan = Plan(3).hold(2000, 5).ramp(3000, 400)
    start = plan.time_s
    plan.ramp(3300, 5.0).ramp(4500, 400).hold(4500, 5)

    stage = run_stage(plan.samples(), 200)

    drifting = [hold for hold in stage.holds if hold.start_s > start - 1 and hold.end_s < start + 61]
    assert len(drifting) == 2
    assert sum(hold.end_s - hold.start_s for hold in drifting) > 57.0


@example(cut_s=1.75, seed=0, drift=4.6875)
@given(cut_s=st.floats(0.0, 13.9), seed=st.integers(0, 50), drift=st.floats(0.0, 8.0))
@settings(max_examples=12, deadline=None)
def test_holds_do_not_depend_on_where_the_log_starts(cut_s: float, seed: int, drift: float) -> None:
    """Whatever is cut off before a ramp, the holds behind it are where they were. Only a rest of a drift that lasts a
    hair over the least time may count from one start and not from another, for decisions fall ten times a second."""
    assert_same_holds_from(cut_s, seed, drift)


@pytest.mark.parametrize(
    ("cut_s", "seed", "drift"),
    [
        (1.125, 32, 6.5625),
        (1.25, 37, 5.5),
        (1.7885576512086552, 6, 3.3673711569397033),
        (9.61, 6, 6.66),
        (6.222618134417243, 29, 4.297156429584736),
        (6.4298036866156085, 37, 4.710181447041111),
        (8.875, 4, 2.9375),
    ],
)
def test_holds_at_the_band_s_very_edge_do_not_depend_on_it_either(cut_s: float, seed: int, drift: float) -> None:
    """The same where a stretch stays in the band by a hair, and where a swing of the foot follows the ramp."""
    assert_same_holds_from(cut_s, seed, drift)


def assert_same_holds_from(cut_s: float, seed: int, drift: float) -> None:
    """The holds of a drive behind its ramps, found from its start and from `cut_s` later on."""
    plan = Plan(seed).hold(1200, 6).ramp(2000, 300).hold(2000, 6).ramp(3000, 250)
    start = plan.time_s
    plan.hold(3000, 8)
    plan.ramp(3000 + 30 * max(drift, 1e-3), max(drift, 1e-3)).ramp(4800, 400).hold(4800, 6)
    samples = plan.samples()
    rows = round(cut_s * 200)

    whole, cut = holds_of(samples, 0.0, start), holds_of(samples[rows:], rows / 200, start)

    least = 3.0 + 0.5  # of the defaults, and the room that ten decisions a second and a wandering foot leave
    for one, other in ((whole, cut), (cut, whole)):
        assert len(one) >= 2
        for hold in one[one[:, 1] - one[:, 0] > least]:
            moved = np.min(np.max(np.abs(other - hold), axis=1))
            assert moved < 1.5, (hold, other)  # where a drift outgrows the band under a foot that wanders
    moved = np.abs(np.array([whole[0, 0] - cut[0, 0], *(whole[-1] - cut[-1])]))
    assert np.max(moved) < 0.35  # at ramps


def holds_of(samples: np.ndarray, begins_s: float, after_s: float) -> np.ndarray:
    """Start and end of each hold that ends more than a second behind `after_s`, on the clock of the whole drive."""
    found = [(hold.start_s + begins_s, hold.end_s + begins_s) for hold in run_stage(samples, 200).holds]
    return np.array([hold for hold in found if hold[1] > after_s + 1.0])


@pytest.mark.parametrize("at", [1000, 1001, 1007, 1013, 1019])
def test_a_clipped_sample_ends_a_hold(at: int) -> None:
    """A sample outside the speed channel's range is in no hold, and both sides of it are one, wherever it lies between
    two decisions."""
    plan = Plan(5).hold(3000, 10)
    samples = plan.samples()
    samples[at, 0] = 5.2

    stage = run_stage(samples, 200)

    assert all(h.end_s <= at / 200 or h.start_s >= at / 200 for h in stage.holds)
    assert len(stage.holds) == 2
    assert stage.health().clipped_samples == {"speed_v": 1, "link": 0}


@pytest.mark.parametrize("at", [100, 101, 107, 113, 119])
def test_a_clipped_sample_before_a_hold_costs_it_nothing_else(at: int) -> None:
    """One clipped sample in the first second: the hold begins behind it, wherever decisions fall."""
    samples = Plan(5).hold(3000, 10).samples()
    samples[at, 0] = 5.2

    (hold,) = run_stage(samples, 200).holds

    assert hold.start_s == pytest.approx(at / 200, abs=0.3)
    assert hold.start_s > at / 200


def test_a_short_excursion_is_forgiven() -> None:
    """0.08 s out of the band do not end a hold; 0.5 s do."""
    for seconds, holds in ((0.04, 1), (0.5, 2)):
        plan = Plan(6).hold(3000, 12, 20)
        samples = plan.samples()
        samples[1200 : 1200 + round(seconds * 200), 0] += 0.15

        assert len(run_stage(samples, 200).holds) == holds, seconds


def test_missing_cells_are_like_lost_samples() -> None:
    """Three missing speed cells are bridged, 0.3 s of them break the run; all are counted. A missing load cell costs
    nothing."""
    plan = Plan(7).hold(3000, 10)
    for count, holds in ((3, 1), (60, 2)):
        samples = plan.samples()
        samples[1000 : 1000 + count, 0] = np.nan
        samples[400, 1] = np.nan

        stage = run_stage(samples, 200)

        assert len(stage.holds) == holds
        assert stage.health().lost_samples == count
        assert all(h.load_mean is not None and np.isfinite(h.load_mean) for h in stage.holds)


def live_rows(samples: np.ndarray, rate_hz: float, cuts: list[int], gaps: dict[int, int]) -> tuple:
    """The stage, and all of its live rows joined."""
    stage = LiveStage(car(), info(rate_hz))
    borders = sorted({0, len(samples), *cuts, *gaps})
    lost = 0
    parts = []
    for a, b in pairwise(borders):
        lost += gaps.get(a, 0)
        parts.append(stage.push(Block(samples[a:b], a + lost, rate_hz, lost=gaps.get(a, 0))))
    return stage, join_rows([*parts, stage.finish()])


@given(
    cuts=st.lists(st.integers(1, 4799), max_size=60),
    blank=st.lists(st.tuples(st.integers(0, 4799), st.integers(1, 90), st.integers(0, 1)), max_size=6),
    lost=st.integers(0, 300),
)
@settings(max_examples=30, deadline=None)
def test_any_split_gives_the_same_bits(cuts: list[int], blank: list[tuple[int, int, int]], lost: int) -> None:
    """However the same samples are cut into blocks, holds, pinned stretches, events and live rows are equal to the
    bit; blank cells and lost samples of any length included."""
    plan = Plan(8).hold(2500, 7).ramp(3500, 300).hold(3500, 14)
    samples = plan.samples()[:4800]
    for start, count, column in blank:
        samples[start : start + count, column] = np.nan
    gaps = {2100: lost} if lost else {}

    (whole, rows), (cut, cut_rows) = (live_rows(samples, 200, c, gaps) for c in ([], cuts))

    assert whole.holds == cut.holds
    assert blank or len(whole.holds) >= 1
    assert whole.pinned == cut.pinned
    for name in ("time_s", "speed_rpm", "load"):
        assert getattr(rows, name).tobytes() == getattr(cut_rows, name).tobytes()


def test_too_slow_a_stream_gets_no_verdict() -> None:
    """Under five rows a second there are holds but no pulls, under one a second neither, and that is said."""
    slow, slower = (run_stage(Plan(9, rate).hold(3000, 60).samples(), rate) for rate in (2.0, 0.5))

    assert [round(hold.speed_rpm) for hold in slow.holds] == [pytest.approx(3000, abs=25)]
    assert any("too few to judge pulls: no verdict" in text_of(remark) for remark in slow.settings.remarks)
    assert slower.holds == []
    assert any("holds or pulls: no verdict" in text_of(remark) for remark in slower.settings.remarks)


def test_a_slow_stream_lowers_the_cutoff_and_says_so() -> None:
    """Under four cutoffs a second the corner becomes a fifth of the rate."""
    stage = run_stage(Plan(9, 20.0).hold(3000, 10).samples(), 20.0)

    assert stage.settings.cutoff_hz == pytest.approx(4.0)
    assert any("4 Hz" in text_of(remark) for remark in stage.settings.remarks)
    assert len(stage.holds) == 1


def test_a_stream_without_the_cars_engine_speed_is_refused() -> None:
    """Another channel must not be taken for it."""
    stream = StreamInfo(200.0, (ChannelInfo("link", "mV/V"), ChannelInfo("rpm", "rpm")))

    with pytest.raises(InputError, match="engine speed is channel 'speed_v', but the stream carries link, rpm; make"):
        LiveStage(car(), stream)


@pytest.mark.parametrize("value", [3.4e38, -3.4e38, 1e30, 1e-42])
def test_values_that_no_engine_has_are_no_trouble(value: float) -> None:
    """A stuck converter at the ends of what 32 bits hold: no warning, no infinite number."""
    samples = Plan(8).hold(2500, 9).samples()
    samples[600:900] = value
    stage = LiveStage(car(), info(200.0))
    rows = stage.push(Block(samples, 0, 200.0, 0, 0, 0, False))
    stage.finish()

    assert not np.isinf(rows.speed_rpm).any()
    assert not np.isinf(rows.load).any()


def test_a_least_time_shorter_than_what_an_edge_needs_is_no_trouble() -> None:
    """Holds of a tenth of a second at 5 and at 100 000 samples a second, next to steps."""
    quick = car(extra="[hold]\nmin_s = 0.1\nband_rpm = 5000.0\n[live]\nrate_hz = 10000.0\ncutoff_hz = 1000.0\n")
    for rate_hz, rows in ((5.0, 100), (1e5, 50_000)):
        samples = np.repeat(np.float32([[1, 0], [4, 0], [2, 0], [3, 0]]), rows, axis=0)
        samples[:, 0] += np.random.default_rng(3).normal(0, 0.5, len(samples)).astype(np.float32)
        holds = run_stage(samples, rate_hz, quick).holds
        assert holds, rate_hz
        assert all(hold.end_s > hold.start_s for hold in holds)


def test_a_gap_is_named_as_the_reason() -> None:
    """What a gap ended says so; and where gaps alone leave no stretch of 3 s, that is the reason, not an unsteady
    speed."""
    events = EventList(say=say)
    stage = LiveStage(car(), info(200.0), events)
    samples = Plan(4).hold(3000, 10, 10.0).ramp(4000, 300).hold(4000, 6, 10.0).samples()
    stage.push(Block(samples[:1200], 0, 200.0))
    stage.push(Block(samples[1200:1700], 1300, 200.0, lost=100))
    stage.push(Block(samples[1700:], 1900, 200.0, lost=100))
    stage.finish()
    told = [(event.kind, event.text) for event in events.since(0)[0] if event.kind in ("hold-done", "hold-broken")]

    assert [kind for kind, _ in told] == ["hold-done", "hold-done"]
    assert ["ended by a gap of 0.25 s" in text for _, text in told] == [True, False]
    assert stage.cut_by_gaps_s is None

    chopped = run_stage(samples[:2000], 200, gaps=dict.fromkeys(range(400, 2000, 400), 60))
    assert chopped.holds == []
    assert chopped.cut_by_gaps_s == pytest.approx(2.0, abs=0.25)
