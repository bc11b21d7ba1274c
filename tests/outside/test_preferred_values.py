"""IEC 60063 preferred values: the printed tables (from memory of the standard; E96 as every parts list prints it)."""

import pytest

from stream.calibrate.chain.sizing import next_down, next_up, values
from stream.errors import InputError

E24 = "10 11 12 13 15 16 18 20 22 24 27 30 33 36 39 43 47 51 56 62 68 75 82 91"
E12 = "10 12 15 18 22 27 33 39 47 56 68 82"
E48 = (
    "100 105 110 115 121 127 133 140 147 154 162 169 178 187 196 205 215 226 237 249 261 274 287 "
    "301 316 332 348 365 383 "
    "402 422 442 464 487 511 536 562 590 619 649 681 715 750 787 825 866 909 953"
)
E96 = (
    "100 102 105 107 110 113 115 118 121 124 127 130 133 137 140 143 147 150 154 158 162 165 169 "
    "174 178 182 187 191 196 "
    "200 205 210 215 221 226 232 237 243 249 255 261 267 274 280 287 294 301 309 316 324 332 340 "
    "348 357 365 374 383 392 "
    "402 412 422 432 442 453 464 475 487 499 511 523 536 549 562 576 590 604 619 634 649 665 681 "
    "698 715 732 750 768 787 "
    "806 825 845 866 887 909 931 953 976"
)


@pytest.mark.parametrize(
    ("series", "table", "digits"),
    [
        ("E3", "10 22 47", 10),
        ("E6", "10 15 22 33 47 68", 10),
        ("E12", E12, 10),
        ("E24", E24, 10),
        ("E48", E48, 100),
        ("E96", E96, 100),
    ],
)
def test_the_printed_tables(series: str, table: str, digits: int) -> None:
    """Every value of the series, in order."""
    assert [round(value * digits) for value in values(series)] == [int(word) for word in table.split()]


def test_e24_departs_from_the_rule_at_eight_values() -> None:
    """27 30 33 36 39 43 47 and 82 are not 10^(k/24) rounded."""
    ruled = [round(10 * 10 ** (k / 24)) for k in range(24)]
    printed = [int(word) for word in E24.split()]

    assert [p for p, r in zip(printed, ruled, strict=True) if p != r] == [27, 30, 33, 36, 39, 43, 47, 82]


def test_e192_has_every_value_of_e96_and_its_one_exception() -> None:
    """192 values, every second one E96's, and 9.20 where the rule gives 9.19."""
    fine = values("E192")

    assert len(fine) == 192
    assert fine[::2] == values("E96")
    assert 9.20 in fine
    assert 9.19 not in fine


def test_neighbours_across_decades() -> None:
    """Next up, next down."""
    assert next_up(9.6e-9, "E12") == 10e-9
    assert next_down(99e3, "E24") == 91e3
    assert next_up(980.0, "E6") == 1000.0


def test_no_such_series_or_part() -> None:
    """A clear word."""
    with pytest.raises(InputError, match="IEC 60063"):
        values("E13")
    with pytest.raises(InputError, match="above zero"):
        next_up(0.0, "E24")
