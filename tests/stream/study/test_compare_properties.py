from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stream.study.compare.compare import compare
from tests.stream.study.made import day

levels = st.lists(st.floats(0.8, 1.25), min_size=4, max_size=10)


@settings(max_examples=40, deadline=None)
@given(levels, st.floats(0.01, 5000))
def test_the_change_is_the_same_in_any_unit(row: list[float], scale: float) -> None:
    """The unit of load does not change a change in per cent."""
    pulls = day([(("heron", "plover")[index % 2], level) for index, level in enumerate(row)], step_s=0.05)

    plain = compare(pulls, "heron", "plover").overall
    scaled = compare([replace(made, load=made.load * scale) for made in pulls], "heron", "plover").overall

    assert (scaled.low_pct, scaled.high_pct) == pytest.approx((plain.low_pct, plain.high_pct), rel=1e-6, abs=1e-6)


@settings(max_examples=40, deadline=None)
@given(levels)
def test_the_other_way_round_is_the_reciprocal(row: list[float]) -> None:
    """Base and trial exchanged give the reciprocal change."""
    pulls = day([(("heron", "plover")[index % 2], level) for index, level in enumerate(row)], step_s=0.05)

    there, back = compare(pulls, "heron", "plover"), compare(pulls, "plover", "heron")

    assert there.bands
    for one, other in zip(there.bands, back.bands, strict=True):
        assert (1 + one.low_pct / 100) * (1 + other.high_pct / 100) == pytest.approx(1)
        assert one.resolved is other.resolved


@settings(max_examples=20, deadline=None)
@given(st.randoms(use_true_random=False))
def test_the_order_in_which_pulls_are_given_does_not_matter(shuffler: object) -> None:
    """Only when a pull was made counts, not where it stands in the list."""
    pulls = day([(("heron", "plover")[index % 2], 1 + 0.01 * np.sin(index)) for index in range(8)], step_s=0.05)
    mixed = list(pulls)
    shuffler.shuffle(mixed)  # type: ignore[attr-defined]

    assert compare(mixed, "heron", "plover") == compare(pulls, "heron", "plover")
