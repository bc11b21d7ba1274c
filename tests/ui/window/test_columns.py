"""Columns against the plainest reading of their promise: keep every sample, look afterwards."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from ui.window.strip_items import Columns

chunks = st.lists(st.tuples(st.integers(1, 40), st.integers(0, 60)), min_size=1, max_size=12)


@given(chunks, st.integers(0, 2**31))
def test_any_split_gives_lowest_and_highest_of_each_column(chunks: list[tuple[int, int]], seed: int) -> None:
    """Each pixel column keeps its lowest and highest sample, however the stream is cut."""
    rng = np.random.default_rng(seed)
    columns = Columns(2, seconds=3.0, count=30)
    rate, row, all_times, all_values = 100.0, 0, [], []
    for rows, hole in chunks:
        times = (row + hole + np.arange(rows)) / rate
        values = rng.normal(size=(rows, 2))
        values[rng.random(size=values.shape) < 0.1] = rng.choice([np.nan, np.inf, -np.inf])
        row += hole + rows
        columns.add(times, values)
        all_times.append(times)
        all_values.append(values)
    times, values = np.concatenate(all_times), np.concatenate(all_values).astype(np.float32)
    places = np.floor(times / columns.width_s).astype(int)
    newest = places[-1]

    for curve in range(2):
        window = columns.window(curve)
        assert window.shape == (30, 2)
        for place in range(30):
            inside = values[places == newest - 29 + place, curve]
            inside = inside[np.isfinite(inside)]
            expected = (inside.min(), inside.max()) if len(inside) else (np.nan, np.nan)
            np.testing.assert_array_equal(window[place], np.array(expected, np.float32))


def test_sparse_samples_are_joined_and_a_hole_is_not() -> None:
    """Sparse samples are joined by a line, a gap is left open."""
    columns = Columns(1, seconds=30.0, count=1000)
    times = np.concatenate((np.arange(0, 10, 0.5), np.arange(15, 20, 0.5)))  # two rows a second, five seconds missing
    columns.add(times[:20], np.ones((20, 1)))
    columns.add(times[20:], np.ones((10, 1)))
    x, y, joins = columns.line(0)

    assert len(x) == len(y) == 60
    assert joins is not None
    assert np.flatnonzero(~joins).tolist() == [39]  # only the step over the hole is left open


def test_x_is_seconds_before_the_newest_column() -> None:
    """The time axis counts back from now."""
    columns = Columns(1, seconds=30.0, count=1000)
    columns.add(np.array([0.0, 6.0, 12.0]), np.array([[1.0], [2.0], [3.0]]))
    x, y, _ = columns.line(0)

    np.testing.assert_allclose(x[::2], [-12.0, -6.0, 0.0], atol=columns.width_s)
    assert y[::2].tolist() == [1.0, 2.0, 3.0]


def test_what_is_older_than_the_window_is_gone_and_memory_stays_flat() -> None:
    """Old columns are dropped and memory does not grow."""
    columns = Columns(1, seconds=3.0, count=30)
    columns.add(np.array([0.0]), np.array([[99.0]]))
    for second in range(1, 100):
        columns.add(second + np.arange(100) / 100, np.zeros((100, 1)))

    assert columns.span(0) == (0.0, 0.0)
    assert len(columns.line(0)[0]) == 60


def test_a_stream_that_starts_over_empties_the_window() -> None:
    """A stream that begins again clears the strip."""
    columns = Columns(1, seconds=3.0, count=30)
    columns.add(np.array([1000.0]), np.array([[5.0]]))
    columns.add(np.array([0.0, 0.1]), np.array([[1.0], [2.0]]))

    assert columns.span(0) == (1.0, 2.0)


def test_empty_window_has_no_span_and_no_line() -> None:
    """Nothing recorded, nothing drawn."""
    columns = Columns(1)

    assert columns.span(0) is None
    assert len(columns.line(0)[0]) == 0
    columns.add(np.array([1.0]), np.array([[np.nan]]))
    assert columns.span(0) is None
