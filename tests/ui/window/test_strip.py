"""What the strip costs, measured on the real widget, with the slack that a busy machine needs."""

import math
from itertools import pairwise
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


def test_texts_of_the_mark_row_never_lie_over_each_other(qt: Any) -> None:
    """A hold's figure gives way to a mark within it, and a mark's text to whatever comes after it."""
    from ui.window.mark_row import MarkRow, Span
    from ui.window.theme import text_font

    row = MarkRow()
    row.resize(800, 34)
    spans = [
        Span("hold", 5.0, 15.0, "2000"),
        Span("mark", 5.6, 5.6, "mark"),
        Span("mark", 6.3, 6.3, "knock"),
        Span("hold", 16.0, 20.0, "3000"),
        Span("pull", 21.0, 29.0, "pull, clean"),
    ]
    row.show_marks(spans, 30.0, 30.0, 100.0, 790.0)
    drawn: list[tuple[float, float]] = []
    font = text_font(34 * 0.7)
    for span in spans:
        left, right = row.word_box(span)
        wide = qt.QtGui.QFontMetricsF(font).horizontalAdvance(span.text)
        if wide <= right - left:
            drawn.append((left, left + wide))
    assert len(drawn) >= 2
    assert all(end < start for (_, end), (start, _) in pairwise(drawn))
