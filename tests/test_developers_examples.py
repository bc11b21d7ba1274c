"""The example source and the example detector of DEVELOPERS.md are run as they stand there."""

import re
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stream.drive.offline import run_offline
from stream.live.history import COLUMNS, RPM, History
from stream.record.session import open_session
from tests.drives import car

TEXT = (Path(__file__).parents[1] / "DEVELOPERS.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"(?ms)^```python\n(.*?)^```", TEXT)


def example(name: str) -> Any:
    """The class of that name, from the one code block that defines it."""
    (source,) = [block for block in BLOCKS if f"class {name}" in block]
    space: dict[str, Any] = {"__name__": f"example_{name}"}
    exec(compile(source, f"DEVELOPERS.md: {name}", "exec"), space)
    return space[name]


@pytest.mark.parametrize("number", range(2))
def test_examples_are_short(number: int) -> None:
    """Under 40 lines each."""
    assert len(BLOCKS) == 2
    assert len(BLOCKS[number].splitlines()) < 40


def test_the_example_source_is_recorded_to_the_bit_with_its_losses(tmp_path: Path) -> None:
    """Three held speeds at 200 Hz with samples lost in two places: all others are in the session, at their index."""
    rng = np.random.default_rng(4)
    rpm = np.concatenate([np.full(1600, 2000.0), np.linspace(2000, 3000, 800), np.full(1600, 3000.0)])
    slope, zero = car().speed_line("the example")
    volts = ((rpm + rng.normal(0, 3, len(rpm)) - zero) / slope).astype(np.float32)
    volts[50:53] = volts[2000:2040] = np.nan
    path = tmp_path / "array.h5"

    stage = run_offline(
        example("ArraySource")(volts, 200.0), car(), tune="", gear=None, started_utc=datetime.now(UTC), path=path
    )

    assert [round(hold.speed_rpm, -2) for hold in stage.holds] == [2000.0, 3000.0]
    there = np.full_like(volts, np.nan)
    with open_session(path) as session:
        for block in session.blocks(None):
            there[block.first : block.end] = block.samples[:, 0]
        assert session.lost_samples == 43
    assert np.array_equal(there, volts, equal_nan=True)


@settings(deadline=None)
@given(
    rpm=st.lists(st.sampled_from([1000.0, 5999.0, 6000.0, 6500.0, 7000.0]), min_size=1, max_size=60),
    cuts=st.lists(st.integers(1, 59), max_size=5),
)
def test_the_example_detector_finds_the_same_however_the_ticks_came(rpm: list[float], cuts: list[int]) -> None:
    """Against stretches worked out here tick by tick."""
    history, edges = History(100.0), sorted({0, len(rpm), *(cut for cut in cuts if cut < len(rpm))})
    finder = example("ExcessFinder")(history, 100.0, 6000.0)
    history.begin_run(0)
    for start, end in pairwise(edges):
        columns = np.zeros((COLUMNS, end - start))
        columns[RPM] = rpm[start:end]
        history.append(columns)
        finder.push(start, end)
    finder.end_run(len(rpm))

    over = [place for place, value in enumerate(rpm) if value > 6000.0]
    starts = [place for place in over if place - 1 not in over]
    ends = [place + 1 for place in over if place + 1 not in over]
    expected = [(a / 100, b / 100, max(rpm[a:b])) for a, b in zip(starts, ends, strict=True)]
    assert [(one.start_s, one.end_s, one.highest_rpm) for one in finder.found] == expected
