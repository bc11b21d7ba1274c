"""Pulls through the live stage: drawn by the test, and driven by the rehearsal car, whose truth is its motion."""

import tracemalloc
from functools import cache
from itertools import pairwise

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stream.block import Block, ChannelInfo, StreamInfo
from stream.car import parse_car
from stream.events import EventList
from stream.live.stage import LiveStage
from stream.sources.rehearsal.scenario import demo_car_text, hold_drive, pull_session
from tests.drives import RPM_AT_0V, RPM_PER_V, Plan, car, info, run_stage

RATE = 200.0


class Road:
    """A drive drawn as speed and link load: cruise, pulls, coasting down between them."""

    def __init__(self, seed: int) -> None:
        self.rng = np.random.default_rng(seed)
        self.rpm = [np.full(round(6 * RATE), 2200.0)]
        self.load = [np.full(round(6 * RATE), 0.10)]
        self.pulls: list[tuple[float, float]] = []

    @property
    def time_s(self) -> float:
        return sum(map(len, self.rpm)) / RATE

    def pull(self, to_rpm: float = 6600.0, gain: float = 520.0, height: float = 0.8, shape=None) -> "Road":
        """A full-load run; `shape(rpm, load)` may spoil it."""
        seconds = (to_rpm - 2200.0) / gain
        t = np.arange(round(seconds * RATE)) / RATE
        rpm = 2200.0 + gain * t * (1.06 - 0.06 * t / seconds)
        load = 0.1 + height * (1.0 - 0.12 * ((rpm - 4300.0) / 2300.0) ** 2)
        if shape is not None:
            rpm, load = shape(rpm, load)
        start = self.time_s
        self.rpm.append(rpm)
        self.load.append(load)
        self.pulls.append((start, self.time_s))
        down = np.arange(rpm[-1], 2200.0, -900.0 / RATE)
        self.rpm += [down, np.full(round(3 * RATE), 2200.0)]
        self.load += [np.full(len(down), -0.35), np.full(round(3 * RATE), 0.10)]
        return self

    def samples(self) -> np.ndarray:
        rpm, load = np.concatenate(self.rpm), np.concatenate(self.load)
        volts = (rpm - RPM_AT_0V) / RPM_PER_V + 0.002 * self.rng.normal(size=len(rpm))
        hop = 0.02 * np.sin(2 * np.pi * 12 * np.arange(len(rpm)) / RATE)
        return np.column_stack((volts, load + hop + 0.01 * self.rng.normal(size=len(rpm)))).astype(np.float32)


def matched(stage: LiveStage, road: Road) -> list:
    """For each pull that was drawn, the one that was found; one more or less fails."""
    assert len(stage.pulls) == len(road.pulls)
    for found, (start, end) in zip(stage.pulls, road.pulls, strict=True):
        assert found.start_s == pytest.approx(start, abs=0.35)
        assert found.end_s == pytest.approx(end, abs=0.35)
    return stage.pulls


@pytest.mark.parametrize("slope_error", [0.7, 1.0, 1.3])
@pytest.mark.parametrize("gain", [130.0, 250.0, 520.0, 1100.0])
def test_clean_pulls_are_caught_in_every_gear(gain: float, slope_error: float) -> None:
    """From 130 to 1 100 rpm/s, with a provisional slope wrong by 30 %: each is one clean pull at its place."""
    to_rpm = 2200.0 + min(4400.0, gain * 20)
    road = Road(1)
    for _ in range(3):
        road.pull(to_rpm, gain)

    pulls = matched(run_stage(road.samples(), RATE, car(slope_error)), road)

    assert [p.faults for p in pulls] == [(), (), ()]
    assert all(p.verdict == "clean" for p in pulls)
    assert pulls[0].end_rpm == pytest.approx(
        slope_error * RPM_PER_V * (to_rpm - RPM_AT_0V) / RPM_PER_V + RPM_AT_0V, abs=120
    )


def test_a_long_pull_in_a_high_gear_is_a_pull() -> None:
    """The least span must be gained within 25 s; the pull itself may last longer."""
    road = Road(1).pull(gain=140.0).pull(gain=140.0)
    assert road.pulls[0][1] - road.pulls[0][0] > 30.0

    assert [p.faults for p in matched(run_stage(road.samples(), RATE), road)] == [(), ()]


def test_a_rise_too_slow_for_the_span_is_no_pull() -> None:
    """45 rpm/s gains 1 125 rpm within 25 s: less than the 1 500 rpm that a pull needs, however long it goes on."""
    assert run_stage(Road(1).pull(gain=45.0, to_rpm=5000.0).samples(), RATE).pulls == []


@pytest.mark.parametrize("idle_s", [2.0, 10.0, 14.0, 40.0])
def test_idling_in_neutral_for_a_zero_hides_no_pull(idle_s: float) -> None:
    """However long the car stands at idle, and rolls in first gear, before its pulls: they stand out from cruising."""
    road = Road(5)
    for rpm, load, seconds in ((1500.0, -0.1, 6.0), (900.0, -0.3, idle_s)):
        road.rpm.insert(0, np.full(round(seconds * RATE), rpm))
        road.load.insert(0, np.full(round(seconds * RATE), load))
    for _ in range(3):
        road.pull(gain=250.0, height=0.35)

    assert [p.faults for p in matched(run_stage(road.samples(), RATE), road)] == [(), (), ()]


def test_one_pull_alone_is_caught() -> None:
    """The levels come from the session itself, so a single pull is enough."""
    road = Road(2).pull()

    assert matched(run_stage(road.samples(), RATE), road)[0].verdict == "clean"


@pytest.mark.parametrize("rate_hz", [8.0, 10.0, 20.0])
def test_clean_pulls_of_a_slow_log_are_clean(rate_hz: float) -> None:
    """At 10 Hz the filter is cut to 2 Hz and smears both ends of a pull: no fault of the pull."""
    road = Road(6)
    for _ in range(4):
        road.pull(gain=300.0)
    size = round(RATE / rate_hz)
    samples = road.samples()
    samples = samples[: len(samples) // size * size].reshape(-1, size, 2).mean(axis=1)

    pulls = run_stage(samples, rate_hz).pulls

    assert len(pulls) == 4
    assert [p.faults for p in pulls] == [(), (), (), ()]


def in_middle(rpm: np.ndarray, seconds: float) -> slice:
    at = int(np.argmax(rpm > 4200))
    return slice(at, at + round(seconds * RATE))


def wheelspin(rpm, load):
    where = in_middle(rpm, 0.6)
    leap = np.sin(np.linspace(0, np.pi, where.stop - where.start))
    rpm, load = rpm.copy(), load.copy()
    rpm[where] += 600 * leap
    load[where] *= 1 - 0.55 * leap
    return rpm, load


def lift(rpm, load):
    where = in_middle(rpm, 0.6)
    held = np.linspace(rpm[where.start], rpm[where.start] - 120, where.stop - where.start)
    rpm = np.concatenate((rpm[: where.start], held, rpm[where.start :] - 120))
    load = np.concatenate((load[: where.start], np.full(len(held), -0.3), load[where.start :]))
    return rpm, load


def bump(rpm, load):
    load = load.copy()
    load[in_middle(rpm, 0.12)] += 0.5
    return rpm, load


def cornering(rpm, load):
    load = load.copy()
    where = in_middle(rpm, 1.5)
    load[where] += 0.12 * np.sin(np.linspace(0, np.pi, where.stop - where.start)) ** 0.5
    return rpm, load


def brake(rpm, load):
    where = in_middle(rpm, 1.0)
    gain = np.diff(rpm, prepend=rpm[0] - (rpm[1] - rpm[0]))
    gain[where] *= 0.5
    load = load.copy()
    load[where] -= 0.2
    return rpm[0] + np.cumsum(gain), load


def clipped(rpm, load):
    load = load.copy()
    load[in_middle(rpm, 0.3)] = 2.4
    return rpm, load


@pytest.mark.parametrize(
    ("spoil", "fault"),
    [
        (wheelspin, "wheelspin"),
        (lift, "lift"),
        (bump, "bump"),
        (cornering, "cornering"),
        (brake, "brake"),
        (clipped, "clipped"),
    ],
)
@pytest.mark.parametrize("others", [0, 3])
def test_a_planted_flaw_is_named(spoil, fault: str, others: int) -> None:
    """Alone in its session or among clean pulls: the spoilt one is flawed and the flaw has its name."""
    road = Road(3)
    for _ in range(others):
        road.pull()
    road.pull(shape=spoil)

    pulls = matched(run_stage(road.samples(), RATE), road)

    assert pulls[-1].faults == (fault,)
    assert all(p.verdict == "clean" for p in pulls[:-1])


def test_two_spoilt_pulls_do_not_spoil_the_clean_ones() -> None:
    """Half throttle and a lift among three clean pulls: what is unlike a pull is no measure for it."""
    road = Road(3).pull(gain=220.0, height=0.4).pull().pull().pull().pull(shape=lift)

    pulls = matched(run_stage(road.samples(), RATE), road)

    assert [p.faults for p in pulls[1:]] == [(), (), (), ("lift",)]


def test_a_bump_that_half_of_the_pulls_hit_is_not_seen_in_the_others() -> None:
    """A joint in the road where two of five pulls pass at one speed: those two have it, the others have not."""
    road = Road(3).pull().pull(shape=bump).pull().pull(shape=bump).pull()

    assert [p.faults for p in matched(run_stage(road.samples(), RATE), road)] == [(), ("bump",), (), ("bump",), ()]


def test_a_pull_that_is_too_short_is_named() -> None:
    """A rise of 1 000 rpm under full load among longer ones is a pull that was too short."""
    road = Road(4).pull().pull(to_rpm=3200.0).pull()

    assert [p.faults for p in matched(run_stage(road.samples(), RATE), road)] == [(), ("too-short",), ()]


def test_lost_samples_are_named() -> None:
    """Half a second lost inside a pull makes it flawed, and the pull is still one; less than 0.25 s is bridged."""
    road = Road(5).pull().pull()
    start, end = road.pulls[1]
    row = round((start + end) / 2 * RATE)

    samples = road.samples()

    assert [p.faults for p in run_stage(samples, RATE, gaps={row: 100}).pulls] == [(), ("lost-samples",)]
    assert [p.faults for p in run_stage(samples, RATE, gaps={row: 49}).pulls] == [(), ()]


def test_a_gear_change_ends_a_pull() -> None:
    """Speed falls by a gear's step with the load off, then rises on: two flawed pulls, neither of them clean."""

    def change(rpm, load):
        at = int(np.argmax(rpm > 4600))
        off = round(0.35 * RATE)
        fall = np.linspace(rpm[at], rpm[at] * 0.72, off)
        on = rpm[at] * 0.72 + 260.0 * np.arange(round(9 * RATE)) / RATE
        return np.concatenate((rpm[:at], fall, on)), np.concatenate(
            (load[:at], np.full(off, -0.2), np.full(len(on), 0.65))
        )

    road = Road(6).pull().pull(shape=change)

    stage = run_stage(road.samples(), RATE)

    assert [p.verdict for p in stage.pulls] == ["clean", "flawed", "flawed"]
    assert all("gear-change" in p.faults for p in stage.pulls[1:])


def test_part_throttle_is_named_where_a_throttle_shows_it() -> None:
    """With a throttle channel, a pull at 70 % is part throttle though it is alone at its load."""
    road = Road(7).pull().pull(gain=350.0, height=0.6)
    samples = road.samples()
    throttle = np.full((len(samples), 1), 20.0, dtype=np.float32)
    for (start, end), opening in zip(road.pulls, (100.0, 70.0), strict=True):
        throttle[round(start * RATE) : round(end * RATE)] = opening

    the_car = car(extra='\n[[channel]]\nname = "tps"\nrole = "throttle"\nunit = "%"\n')
    stage = LiveStage(the_car, StreamInfo(RATE, (*info(RATE).channels, ChannelInfo("tps", "%"))))
    stage.push(Block(np.hstack((samples, throttle)), 0, RATE))
    stage.finish()

    assert [p.faults for p in stage.pulls] == [(), ("part-throttle",)]


def test_a_hold_drive_has_no_pulls() -> None:
    """Ramps between held speeds, slower than full load and shorter than a pull, are none."""

    plan = Plan(8).hold(900, 5)
    for rpm in range(1500, 7000, 500):
        plan.ramp(rpm, 250).hold(rpm, 5)

    assert run_stage(plan.samples(), 200).pulls == []


def test_the_rehearsal_cars_hold_drive_has_no_pulls() -> None:
    """Brisk changes of speed between holds, none as long as a pull, are none."""
    rec = hold_drive(1)

    stage = LiveStage(parse_car(demo_car_text()), info(1000.0))
    stage.push(Block(rec.samples, 0, 1000.0))
    stage.finish()

    assert stage.pulls == []
    assert len(stage.holds) >= len(rec.truth.holds)


@pytest.mark.parametrize("at", [0.0, 0.3])
def test_a_link_that_is_not_plugged_in_gives_no_pulls_and_no_trouble(at: float) -> None:
    """One and the same load all along: nothing stands out from cruising, by no scatter at all."""
    samples = Road(5).pull().pull().samples()
    samples[:, 1] = at

    assert run_stage(samples, RATE).pulls == []


@pytest.mark.parametrize("lost", [round(90 * RATE), 1 << 40])
def test_a_counter_that_jumps_costs_no_memory_and_no_pull(lost: int) -> None:
    """Two pulls before the jump and two behind it: each is found at its own place, in memory that does not grow."""
    road = Road(6).pull().pull().pull().pull()
    samples = road.samples()
    at = round((road.pulls[1][1] + 6.0) * RATE)
    stage = LiveStage(car(), info(RATE))
    tracemalloc.start()
    stage.push(Block(samples[:at], 0, RATE, 0, 0, 0, False))
    stage.push(Block(samples[at:], at + lost, RATE, 0, 0, lost, False))
    stage.finish()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    whole = run_stage(samples, RATE)

    shift = [0.0, 0.0, lost / RATE, lost / RATE]
    assert [p.verdict for p in stage.pulls] == ["clean"] * 4
    assert [p.start_s for p in stage.pulls] == pytest.approx(
        [p.start_s + s for p, s in zip(whole.pulls, shift, strict=True)], abs=0.02
    )
    assert peak < 60e6


@pytest.mark.parametrize("gear", [2, 3])
def test_the_rehearsal_cars_flaws_are_named(gear: int) -> None:
    """Every pull of the physical model is caught, every planted flaw named, and clean ones are clean."""
    faults = ("wheelspin", "lift", "part-throttle", "brake", "bump", "clipped", "lost-samples", "too-short")
    rec = pull_session(4 + gear, "heron", pulls=3, gear=gear, faults=faults)

    stage = LiveStage(parse_car(demo_car_text()), info(1000.0))
    for a, b in pairwise([0, *(row for row, _ in rec.gaps), len(rec.counts)]):
        stage.push(Block(rec.samples[a:b], int(rec.index[a]), 1000.0))
    stage.finish()

    assert len(rec.truth.pulls) >= len(faults)
    for true in rec.truth.pulls:
        near = [p for p in stage.pulls if min(true.end_s, p.end_s) - max(true.start_s, p.start_s) > 0.5]
        assert len(near) == 1, true
        assert set(true.faults) <= set(near[0].faults), true
        assert (near[0].verdict == "clean") == (true.faults == ())


def pushed(samples: np.ndarray, rate_hz: float, step: int, the_car=None) -> tuple[LiveStage, list]:
    """The stage at the end, and all its events."""
    events = EventList(1 << 16)
    stage = LiveStage(car() if the_car is None else the_car, info(rate_hz), events)
    for start in range(0, len(samples), step):
        stage.push(Block(samples[start : start + step], start, rate_hz))
    stage.finish()
    return stage, events.since(0)[0]


@pytest.mark.parametrize("rate_hz", [10.0, 50.0, 200.0])
def test_a_pull_is_told_with_its_row_as_it_ends(rate_hz: float) -> None:
    """Verdict, faults and row within 1.5 s of session time of the pull's end, and the same as at the end."""
    road = Road(11)
    for shape in (None, bump, None, lift, wheelspin, None, cornering, brake):
        road.pull(gain=350.0, shape=shape)
    size = round(RATE / rate_hz)
    samples = road.samples()
    samples = samples[: len(samples) // size * size].reshape(-1, size, 2).mean(axis=1).astype(np.float32)

    stage, events = pushed(samples, rate_hz, max(1, round(rate_hz / 20)))

    done = [event for event in events if event.kind == "pull-done"]
    began = [event for event in events if event.kind == "pull-began"]
    changed = {event.details["pull"]["start_s"]: event for event in events if event.kind == "pull-changed"}
    assert len(done) == len(began) == len(stage.pulls) == 8
    assert len(changed) <= 2
    for event, pull in zip(done, stage.pulls, strict=True):
        told = changed.get(pull.start_s, event).details["pull"]
        assert told == msgspec.to_builtins(pull)
        assert event.time_s == pull.end_s
        assert pull.end_s < event.said_s <= pull.end_s + 1.5
    for event, pull in zip(began, stage.pulls, strict=True):
        assert event.time_s == pytest.approx(pull.start_s, abs=0.5)
        assert event.said_s < pull.end_s - 1.0


@cache
def two_pulls() -> np.ndarray:
    return Road(9).pull().pull(shape=bump).samples()


@cache
def pulls_and_events(cuts: tuple[int, ...]) -> tuple[list, list]:
    """What two pulls are found and told as, with blocks that end at these rows."""
    told, samples = EventList(1 << 16), two_pulls()
    stage = LiveStage(car(), info(RATE), told)
    for a, b in pairwise(sorted({0, len(samples), *cuts})):
        stage.push(Block(samples[a:b], a, RATE))
    stage.finish()
    rows = [(e.said_s or e.time_s, e.time_s, e.kind, e.text, repr(e.details)) for e in told.since(0)[0]]
    return stage.pulls, sorted(rows)


@given(cuts=st.lists(st.integers(1, 5999), max_size=40))
@settings(max_examples=15, deadline=None)
def test_any_split_gives_the_same_pulls_and_events(cuts: list[int]) -> None:
    """Pulls, what is told of them, when it happened and when it was said: equal to the bit however the blocks fall."""
    assert pulls_and_events(tuple(cuts)) == pulls_and_events(())
    assert len(pulls_and_events(())[0]) == 2


def test_part_throttle_that_only_later_pulls_show_is_a_change() -> None:
    """The first pull at half load looks whole until three others have gone further: then it is told anew, and no
    other verdict changes."""
    road = Road(7).pull(gain=220.0, height=0.4)
    for _ in range(5):
        road.pull()

    stage, events = pushed(road.samples(), RATE, 20)

    assert [p.faults for p in stage.pulls] == [("part-throttle",), (), (), (), (), ()]
    changes = [event for event in events if event.kind == "pull-changed"]
    assert [event.details["pull"]["faults"] for event in changes] == [("part-throttle",)]
    assert stage.changed_verdicts == 1


def test_brisk_driving_before_the_first_pull_is_taken_back() -> None:
    """A rise under a fifth of the load of what follows was told as a pull, and is withdrawn when the real ones come."""
    road = Road(7).pull(gain=150.0, height=0.15).pull().pull()

    stage, events = pushed(road.samples(), RATE, 20)

    assert len(stage.pulls) == 2
    assert [event.details.get("withdrawn") for event in events if event.kind == "pull-changed"] == [True]


def test_memory_is_flat_over_hours() -> None:
    """Most of an hour with 64 pulls at 20 Hz: behind the first ten minutes only the findings themselves are kept."""
    road = Road(12)
    for _ in range(4):
        road.pull(gain=500.0)
    round_trip = road.samples()[::10]
    stage = LiveStage(car(), info(20.0))
    kept = []
    tracemalloc.start()
    for lap in range(16):
        for start in range(0, len(round_trip), 200):
            stage.push(Block(round_trip[start : start + 200], lap * len(round_trip) + start, 20.0))
        kept.append(tracemalloc.get_traced_memory()[0])
    tracemalloc.stop()

    assert len(stage.pulls) == 64
    assert kept[-1] - kept[8] < 0.6e6


def test_a_rise_without_load_is_no_pull() -> None:
    """Speed that rises while the link feels nothing of it: no pull, and no trouble."""
    road = Road(10)
    for _ in range(2):
        road.pull(shape=lambda rpm, load: (rpm, np.full(len(rpm), 0.10)))

    assert run_stage(road.samples(), RATE).pulls == []
