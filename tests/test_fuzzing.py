"""Part of `tests/bench/fuzz.py`: hostile bytes on the wire and in files, by the rules of `tests/fuzzing.py`."""

from collections import Counter
from pathlib import Path

from tests.fuzzing import READERS, file_case, make_seeds, wire_case


def test_what_comes_over_a_bad_wire_breaks_no_rule() -> None:
    """Frames and lines lost, doubled, swapped, late, torn, in noise: no sample that was not sent, none out of place,
    the count never turns back, and any split of the bytes gives the same samples."""
    assert sum(wire_case(seed) for seed in range(80)) > 1_000_000


def test_a_spoilt_file_is_read_or_refused_in_a_line(tmp_path: Path) -> None:
    """Sessions, journals, logs, car files, calibrations, tables."""
    seeds = make_seeds(tmp_path)
    told = Counter(file_case(tmp_path, seeds, seed) for seed in range(160))

    assert {f"{name}: {what}" for name in READERS for what in ("read", "refused")} >= set(told)
    assert sum(number for what, number in told.items() if what.endswith("refused")) > 30  # it does spoil them
    assert sum(number for what, number in told.items() if what.endswith("read")) > 30
