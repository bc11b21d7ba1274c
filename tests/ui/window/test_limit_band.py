"""A limit on the screen: a band over the whole width that the corner of an eye catches, for 3 s, then gone."""

import dataclasses
from typing import Any

import numpy as np
import pytest

from stream.drive.status import BesideStatus
from stream.live.records import PullNow
from tests.ui.window.fake_feed import FakeFeed, steady
from tests.ui.window.test_road import pixels, road_of, share_of


@pytest.fixture
def feed() -> FakeFeed:
    return FakeFeed([(0.0, 3000.0, 0.3), (40.0, 5000.0, 0.8)])


@pytest.mark.parametrize("theme", ["dark", "light"])
def test_a_limit_is_a_band_with_word_channel_and_value(
    open_window: Any, run: Any, feed: FakeFeed, heard: Any, theme: str
) -> None:
    """Full width, coloured and striped at both ends, LIFT with channel and value; the figure stays free; 3 s."""
    window = open_window(feed, theme=theme)
    road = road_of(window)
    run(window, feed, 2.0, steady=steady(3000, 500), pull_now=PullNow(1.0, 2900.0, 300.0), redline_rpm=7400.0)
    assert not road.limit_band.isVisible()
    feed.events.add(2.0, "limit", "knock 3.4 V, above 2", 3.4, details={"channel": "knock"})
    run(window, feed, 2.05)

    band = road.limit_band
    assert band.isVisible()
    assert (band.x(), band.width()) == (0, road.width())
    assert band.text == "knock 3.4 V, above 2"
    assert "no knock detection" in band.accessibleName()
    shown = pixels(band)
    assert share_of(road.theme.fault, shown) > 0.4
    for edge in (shown[:, :80], shown[:, -80:]):
        assert 0.2 < share_of(road.theme.on_signal, edge) < 0.8, "stripes reach both edges"
    assert road.speed.sentence == "LIFT"
    figure_top = road.speed.mapTo(road, road.speed.rect().topLeft()).y()
    ink = np.abs(pixels(road.speed).astype(int) - [int(road.theme.text[n : n + 2], 16) for n in (1, 3, 5)]).max(axis=2)
    rows = np.flatnonzero((ink < 6).sum(axis=1) > 20)
    assert figure_top + rows.min() > band.height(), "the speed figure is not hidden"
    assert heard.cues == ["lift"]
    run(window, feed, 4.8)
    assert band.isVisible()
    run(window, feed, 5.2)
    assert not band.isVisible()
    assert heard.cues == ["lift"], "said once"


def test_two_channels_stand_beside_each_other(open_window: Any, run: Any, feed: FakeFeed) -> None:
    """A second excursion within the three seconds does not wipe the first one's name."""
    window = open_window(feed)
    feed.events.add(1.0, "limit", "knock 3.4 V, above 2", 3.4)
    run(window, feed, 1.0)
    feed.events.add(1.5, "limit", "egt 912 C, above 900", 912.0)
    run(window, feed, 1.5)

    assert road_of(window).limit_band.text == "egt 912 C, above 900 · knock 3.4 V, above 2"


def test_a_limit_that_is_not_watched_is_told_and_stays_told(
    open_window: Any, run: Any, feed: FakeFeed, heard: Any
) -> None:
    """Said once, also by ear, and on the health line for as long as it lasts: its silence is no evidence."""
    window = open_window(feed)
    road = road_of(window)
    feed.events.add(1.0, "limit-blind", "knock is flat: it cannot show an excursion", 0.4)
    run(window, feed, 1.2, blind_limits=("knock",))
    assert road.state_bar.state.title == "Not watched"
    assert not road.limit_band.isVisible()
    assert heard.cues == ["not-watched"]
    run(window, feed, 9.0)
    assert road.state_bar.state.title != "Not watched"
    assert ("Not watched", "knock", True) in road.health.cells
    feed.now = dataclasses.replace(feed.now, blind_limits=())
    run(window, feed, 9.3)
    assert "Not watched" not in road.health.text


def test_a_further_device_has_a_line_of_its_own(open_window: Any, run: Any, feed: FakeFeed) -> None:
    """Its channels as they stand now; a device that went away says so with the mark of what wants attention; without a
    further device the line takes no room."""
    window = open_window(feed)
    road = road_of(window)
    run(window, feed, 1.0)
    assert not road.beside.isVisible()
    values = (("rpm", "rpm", 3012.4), ("lambda", "λ", 0.8741), ("knock", "V", float("nan")))
    other = BesideStatus("controller", "running", values, ("knock",))
    run(window, feed, 2.0, beside=(other, BesideStatus("probe", "away")))

    assert road.beside.isVisible()
    assert list(road.beside.cells) == [
        ("controller", "rpm 3012 · lambda 0.874 λ", False),
        ("Not watched", "knock", True),
        ("probe", "away", True),
    ]
    assert road.beside.y() + road.beside.height() <= road.health.y() + 1, "nothing lies over anything"
