"""What the strip costs, measured on the real widget, with the slack that a busy machine needs."""

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

bench = pytest.importorskip("tests.bench.strip", reason="the strip's bench needs a pseudo-terminal")


def test_a_frame_costs_a_small_part_of_stock_curves(qt: Any) -> None:
    """Drawing a frame costs a small part of what stock curves cost."""
    measured = bench.redraw(frames=60, stock_frames=4)

    assert measured["painted"] >= 0.95  # every frame was really drawn
    assert measured["ratio"] > 8  # measured 25 to 50; both in this same run


@given(st.floats(-1e5, 1e5), st.floats(0, 1e5))
def test_ranges_are_round_hold_the_curve_and_have_few_ticks(low: float, width: float) -> None:
    """Axis ranges are round, hold the curve and have few ticks."""
    strip = pytest.importorskip("ui.window.strip_items", reason="Qt cannot load", exc_type=ImportError)
    bottom, top = strip.fitting_range(low, low + width, 500.0)
    ticks = strip.round_ticks(bottom, top)

    assert bottom <= low
    assert low + width <= top
    assert top - bottom <= 2 * max(width, 500.0)
    assert 2 <= len(ticks) <= 5
    assert all(bottom < value < top and math.isclose(float(text), value, abs_tol=1e-9) for value, text in ticks)
