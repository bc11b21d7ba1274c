"""Limits of the car file on raw samples: said at once, once for each excursion, and blindness told."""

from itertools import pairwise

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stream.block import Block, ChannelInfo, StreamInfo
from stream.events import EventList
from stream.live.stage import LiveStage
from tests.drives import car, info
from tests.stream.live.test_pulls import RATE, Road
from ui.text.findings import say

KNOCK = '\n[[channel]]\nname = "knock"\nrole = "knock"\nunit = "V"\nrange = [0.0, 5.0]\n'
LIMIT = '[[limit]]\nchannel = "knock"\nabove = 2.0\n'


def driven(knock: np.ndarray, samples: np.ndarray, limit: str = LIMIT, cuts: list[int] | None = None) -> tuple:
    """The stage and the events of a drive with a knock channel beside speed and load."""
    the_car = car(extra=KNOCK + limit)
    events = EventList(1 << 16, say)
    stream = StreamInfo(RATE, (*info(RATE).channels, ChannelInfo("knock", "V")))
    stage = LiveStage(the_car, stream, events)
    rows = np.column_stack((samples, knock)).astype(np.float32)
    for a, b in pairwise(sorted({0, len(rows), *(range(0, len(rows), 37) if cuts is None else cuts)})):
        stage.push(Block(rows[a:b], a, RATE))
    stage.finish()
    return stage, events.since(0)[0]


def two_pulls() -> tuple[Road, np.ndarray, np.ndarray]:
    road = Road(21).pull().pull()
    samples = road.samples()
    return road, samples, 0.4 + 0.1 * np.random.default_rng(1).normal(size=len(samples))


def of(events: list, kind: str) -> list:
    return [event for event in events if event.kind == kind]


def test_one_sample_over_a_limit_is_said_at_once_and_spoils_the_pull() -> None:
    """A single raw sample that no filtered tick would show: said within 0.2 s, with its channel, and `over-limit`."""
    road, samples, knock = two_pulls()
    row = round((road.pulls[1][0] + 4.0) * RATE)
    knock[row] = 3.1

    stage, events = driven(knock, samples)

    (event,) = of(events, "limit")
    assert event.time_s == pytest.approx(row / RATE)
    assert event.said_s - event.time_s <= 0.2
    assert event.value == pytest.approx(3.1, abs=1e-4)
    assert event.details == {"channel": "knock"}
    assert [pull.faults for pull in stage.pulls] == [(), ("over-limit",)]
    assert of(events, "limit-blind") == []
    assert of(events, "pull-done")[1].details["pull"] == msgspec.to_builtins(stage.pulls[1])


def test_an_excursion_is_one_warning_and_the_next_is_another() -> None:
    """Over and under again within half a second is one excursion; a second later it is the next."""
    _, samples, knock = two_pulls()
    for start in (300, 330, 360, 700):
        knock[start : start + 5] = 2.5

    _, events = driven(knock, samples)

    assert [event.time_s for event in of(events, "limit")] == pytest.approx([300 / RATE, 700 / RATE])


def test_a_limit_in_pulls_is_silent_elsewhere() -> None:
    """`during = "pull"`: at cruise nothing, in a pull said at once; also when it was over before the pull began."""
    road, samples, knock = two_pulls()
    knock[200:400] = 2.5
    row = round((road.pulls[0][0] + 4.0) * RATE)
    knock[row : row + 4] = 2.5
    begin = round((road.pulls[1][0] - 2.0) * RATE)
    knock[begin : begin + round(4.0 * RATE)] = 2.5

    stage, events = driven(knock, samples, LIMIT + 'during = "pull"\n')

    first, second = of(events, "limit")
    assert first.time_s == pytest.approx(row / RATE)
    assert road.pulls[1][0] < second.time_s < road.pulls[1][0] + 0.8
    assert [pull.faults for pull in stage.pulls] == [("over-limit",), ("over-limit",)]


def test_below_is_watched_too() -> None:
    """An oil pressure that falls is as much of an excursion as one that rises."""
    _, samples, knock = two_pulls()
    knock[900] = 0.01

    _, events = driven(np.maximum(knock, 0.01), samples, '[[limit]]\nchannel = "knock"\nbelow = 0.02\n')

    assert len(of(events, "limit")) >= 1
    assert of(events, "limit")[0].time_s <= 900 / RATE


@pytest.mark.parametrize(
    ("value", "why", "within_s"), [(0.4, "flat", 6.0), (5.2, "end of its range", 1.0), (np.nan, "no number", 3.0)]
)
def test_a_channel_that_cannot_show_it_is_told(value: float, why: str, within_s: float) -> None:
    """Flat, railed or gone: told once, with the channel; the limit's own silence would be no evidence."""
    _, samples, knock = two_pulls()
    knock[1000:] = value

    _, events = driven(knock, samples)

    (event,) = of(events, "limit-blind")
    assert why in event.text
    assert event.details == {"channel": "knock"}
    assert 1000 / RATE < event.time_s <= 1000 / RATE + within_s


def test_a_channel_that_the_stream_does_not_carry_is_told_at_once() -> None:
    """A limit on a channel that is in the car file and not on the wire watches nothing, and says so."""
    events = EventList(say=say)
    stage = LiveStage(car(extra=KNOCK + LIMIT), info(RATE), events)
    stage.push(Block(Road(1).samples()[:200], 0, RATE))

    assert [(e.kind, e.details) for e in events.since(0)[0] if e.kind != "note"] == [
        ("limit-blind", {"channel": "knock"})
    ]


@given(cuts=st.lists(st.integers(1, 6000), max_size=30), at=st.lists(st.integers(0, 6000), max_size=8))
@settings(max_examples=12, deadline=None)
def test_any_split_gives_the_same_limits(cuts: list[int], at: list[int]) -> None:
    """Limits, blindness and the verdicts they change are equal however the blocks fall."""
    _, samples, knock = two_pulls()
    for row in at:
        knock[row : row + 40] = 2.5
        samples[row + 20 : row + 30, 0] = np.nan

    def told(borders: list[int]) -> list:
        stage, events = driven(knock, samples, LIMIT + 'during = "pull"\n', borders)
        return [
            stage.pulls,
            *((e.time_s, e.said_s, e.kind, e.text, e.value) for e in events if e.kind.startswith("limit")),
        ]

    assert told(cuts) == told([])
