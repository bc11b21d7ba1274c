"""`coach --advance --now`: a sweep from less to more, no try above what the gate permits, pulls by known scatter."""

from pathlib import Path

import numpy as np
import pytest

from tests.knock_sessions import Made, table, write_day
from tests.ui.cli.test_advance_harm import NOW, OTHER, TUNES

STEP = 2.0


def day(folder: Path) -> list[Path]:
    return write_day(folder, Made("plover", OTHER, seed=2), Made("heron", NOW, seed=1))


def plan(steadypull, folder: Path, *options: str) -> list[dict]:
    csv = table(folder / "advance.csv", **TUNES)
    ran = steadypull("coach", *sorted(folder.glob("*.h5")), "--advance", csv, "--now", "heron", "--json", *options)
    assert ran.code == 0, ran.err
    assert set(ran.json) >= {"settled", "tune", "gear", "why", "look", "next_look", "pulls", "advance", "findings"}
    return ran.json["advance"]


def degrees(rows: list[dict], rpm: float) -> list[float]:
    return [row["try_deg"] for row in rows if row["rpm"] == rpm]


def test_nothing_more_is_tried_where_nobody_listened(steadypull, tmp_path: Path) -> None:
    """No knock channel and no word: less and the same, in every band."""
    day(tmp_path)
    rows = plan(steadypull, tmp_path)

    assert degrees(rows, 4125.0) == [NOW - STEP, NOW]
    assert max(row["try_deg"] for row in rows) <= NOW


def test_the_sweep_goes_from_less_to_more_by_a_step(steadypull, tmp_path: Path) -> None:
    """With a word that none was heard: one step each way, all bands at the lesser setting before any at the greater;
    not again a step further when the table was changed and nobody drove it."""
    day(tmp_path)
    rows = plan(steadypull, tmp_path, "--none-heard")

    assert degrees(rows, 4125.0) == [NOW - STEP, NOW, NOW + STEP]
    order = [row["try_deg"] for row in rows]
    assert order == sorted(order)
    assert max(order) == NOW + STEP
    assert list(tmp_path.glob("*.advised"))

    table(tmp_path / "advance.csv", **{**TUNES, "heron": NOW + STEP})
    csv, paths = tmp_path / "advance.csv", sorted(tmp_path.glob("*.h5"))
    ran = steadypull("coach", *paths, "--advance", csv, "--now", "heron", "--none-heard", "--json")
    assert max(row["try_deg"] for row in ran.json["advance"]) <= NOW + STEP


def test_pulls_are_those_of_the_scatter(steadypull, tmp_path: Path) -> None:
    """By the test's own formula: the slope's standard deviation over three settings a step apart, over twice the
    curvature 5.5e-4 (common practice, no source), with the prior of 0.8, 0.5 and 0.7 % of pull, turn and shape."""
    day(tmp_path)
    one = {row["rpm"]: row["pulls"] for row in plan(steadypull, tmp_path, "--none-heard", "--history", "none")}
    wide = {
        row["rpm"]: row["pulls"]
        for row in plan(steadypull, tmp_path, "--none-heard", "--history", "none", "--within", "4")
    }

    sd = np.sqrt(0.008**2 + 0.005**2 + 0.007**2 / 4) / (2 * 5.5e-4 * np.sqrt(2 * STEP**2))
    assert one[4125.0] == int(np.ceil((1.96 * sd / 2.0) ** 2))
    assert wide[4125.0] == int(np.ceil((1.96 * sd / 4.0) ** 2))


def test_a_person_reads_it_in_ranges(steadypull, tmp_path: Path) -> None:
    """Lines of bands, the lesser first, the caution beside them."""
    day(tmp_path)
    csv = table(tmp_path / "advance.csv", **TUNES)
    ran = steadypull("coach", *sorted(tmp_path.glob("*.h5")), "--advance", csv, "--now", "heron", "--none-heard")

    assert ran.code == 0, ran.err
    assert "stop at the first knock" in ran.out
    assert len([line for line in ran.out.splitlines() if "rpm: " in line and "pulls" in line]) < 12


@pytest.mark.parametrize("options", [("--advance", "a.csv"), ("--now", "heron")])
def test_one_without_the_other_is_refused(steadypull, tmp_path: Path, options) -> None:
    """One line, exit 2."""
    ran = steadypull("coach", *day(tmp_path), *options)

    assert ran.code == 2
    assert "belong together" in ran.err
