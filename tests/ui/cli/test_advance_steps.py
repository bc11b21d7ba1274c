"""advise-ignition from one step to the next: no second step from the same pulls, and the table that is written."""

import csv
from pathlib import Path

import numpy as np
import pytest

from tests.knock_sessions import Made, table, write_day
from tests.ui.cli.test_advance_harm import NOW, OTHER, STEP, TUNES, advance

WORD = ("--now", "heron", "--none-heard", "--json")


def cells(outcome) -> list[dict]:
    assert outcome.code == 0, outcome.err
    return outcome.json["cells"]


def day(folder: Path, *more: Made, logged: bool = False) -> list[Path]:
    """plover, then heron, then whatever else was driven."""
    own, other = ({"adv": advance(NOW)}, {"adv": advance(OTHER)}) if logged else ({}, {})
    return write_day(folder, Made("plover", OTHER, other, seed=2), Made("heron", NOW, own, seed=1), *more)


def read(path: Path, tune: str) -> dict[float, float]:
    """rpm to degrees of one tune in a written list."""
    rows = csv.DictReader(path.read_text().splitlines())
    return {float(row["rpm"]): float(row["advance"]) for row in rows if row["tune"] == tune}


@pytest.mark.parametrize("logged", [False, True])
def test_a_second_step_waits_for_pulls_on_the_first(steadypull, tmp_path: Path, logged: bool) -> None:
    """The written table given back with the same pulls: nobody has driven it. Once somebody has, more comes."""
    paths = day(tmp_path, logged=logged)
    first = table(tmp_path / "first.csv", **TUNES)
    step = steadypull("advise-ignition", *paths, "--advance", first, *WORD[:-1], "-o", tmp_path / "second.csv")
    assert step.code == 0, step.err
    written = read(tmp_path / "second.csv", "heron")
    assert written[4000.0] == NOW + STEP

    again = cells(steadypull("advise-ignition", *paths, "--advance", tmp_path / "second.csv", *WORD))
    raised = [cell for cell in again if cell["proposed"] > NOW + STEP + 1e-6]
    assert raised == []
    middle = next(cell for cell in again if cell["rpm"] == 4125.0)
    assert middle["proposed"] <= NOW + STEP
    assert any(finding["code"] == "advance-not-driven" for finding in middle["findings"])
    third = steadypull(
        "advise-ignition", *paths, "--advance", tmp_path / "second.csv", *WORD[:-1], "-o", tmp_path / "third.csv"
    )
    assert third.code == 0, third.err
    assert max(read(tmp_path / "third.csv", "heron").values()) <= NOW + STEP

    more = {"adv": advance(NOW + STEP)} if logged else {}
    folder = tmp_path / "next"
    folder.mkdir()
    (new,) = write_day(folder, Made("heron", NOW + STEP, more, seed=9))
    driven = cells(steadypull("advise-ignition", *paths, new, "--advance", tmp_path / "second.csv", *WORD))
    middle = next(cell for cell in driven if cell["rpm"] == 4125.0)
    assert middle["now"] == pytest.approx(NOW + STEP)
    assert NOW + STEP < middle["proposed"] <= NOW + 2 * STEP


def test_what_was_proposed_cannot_be_read_is_an_error_not_a_permission(steadypull, tmp_path: Path) -> None:
    """A spoilt file beside a session: exit 2, one line; another session's file is none of ours."""
    paths = day(tmp_path)
    first = table(tmp_path / "first.csv", **TUNES)
    assert steadypull("advise-ignition", *paths, "--advance", first, *WORD).code == 0
    beside = tmp_path / f"{paths[1].name}.advised"
    assert beside.exists()
    whole = beside.read_bytes()
    beside.write_bytes(whole[: len(whole) // 2])
    spoilt = steadypull("advise-ignition", *paths, "--advance", first, *WORD)
    assert (spoilt.code, beside.name in spoilt.error) == (2, True)
    beside.write_bytes(whole)
    assert steadypull("advise-ignition", *paths, "--advance", first, *WORD).code == 0


def test_a_copy_under_another_name_is_the_same_pulls(steadypull, tmp_path: Path) -> None:
    """What was proposed from a session is found again by what was recorded, not by the file's name."""
    paths = day(tmp_path)
    first = table(tmp_path / "first.csv", **TUNES)
    second = table(tmp_path / "second.csv", **{**TUNES, "heron": NOW + STEP})
    assert steadypull("advise-ignition", *paths, "--advance", first, *WORD).code == 0
    paths[1].rename(tmp_path / "renamed.h5")
    again = cells(steadypull("advise-ignition", paths[0], tmp_path / "renamed.h5", "--advance", second, *WORD))
    assert max(cell["proposed"] for cell in again) <= NOW + STEP


def test_knock_that_is_remembered_later_counts_at_what_was_driven_then(steadypull, tmp_path: Path) -> None:
    """A step was proposed, the table changed; then somebody says that the old pulls knocked: below what they had."""
    paths = day(tmp_path)
    first = table(tmp_path / "first.csv", **TUNES)
    second = table(tmp_path / "second.csv", **{**TUNES, "heron": NOW + STEP})
    assert steadypull("advise-ignition", *paths, "--advance", first, *WORD).code == 0
    assert steadypull("mark", paths[1], "--heard", "4000-4300").code == 0
    again = cells(steadypull("advise-ignition", *paths, "--advance", second, *WORD))
    assert next(cell for cell in again if cell["rpm"] == 4125.0)["proposed"] <= NOW - STEP


def test_none_heard_is_kept_and_counts_where_every_pull_was_listened_to(steadypull, tmp_path: Path) -> None:
    """Yesterday's word gives leave today; a further session of the same tune without a word takes it away again."""
    paths = day(tmp_path)
    first = table(tmp_path / "first.csv", **TUNES)
    assert steadypull("mark", paths[1], "--none-heard").code == 0
    words = ("--advance", first, "--now", "heron", "--json")
    assert next(c for c in cells(steadypull("advise-ignition", *paths, *words)) if c["rpm"] == 4125.0)["proposed"] == (
        NOW + STEP
    )
    folder = tmp_path / "later"
    folder.mkdir()
    (later,) = write_day(folder, Made("heron", NOW, seed=5))
    assert max(c["proposed"] for c in cells(steadypull("advise-ignition", *paths, later, *words))) <= NOW


def test_no_band_of_the_written_table_gets_more_than_was_proposed_for_it(steadypull, tmp_path: Path) -> None:
    """A table of few rows, drawn straight between them, against every band's own proposal; knock heard in the middle.

    Outside the table's last rows nothing is claimed; what no pull reached stays as it was, byte for byte.
    """
    paths = day(tmp_path)
    rows = [f"{tune},{rpm},{deg:g}" for tune, deg in TUNES.items() for rpm in (1000, 2600, 3700, 5100, 6300, 8000)]
    coarse = tmp_path / "coarse.csv"
    coarse.write_text("\n".join(["tune,rpm,advance", *rows]) + "\n")
    words = ("--advance", coarse, "--now", "heron", "--none-heard", "--heard", "4500-4700")
    done = steadypull("advise-ignition", *paths, *words, "-o", tmp_path / "out.csv", "--json")
    new = read(tmp_path / "out.csv", "heron")
    speeds, degrees = np.array(sorted(new)), np.array([new[rpm] for rpm in sorted(new)])
    found = cells(done)
    assert any(cell["proposed"] > NOW for cell in found)
    for cell in found:
        for rpm in np.linspace(cell["rpm"] - 125, cell["rpm"] + 125, 5):
            assert np.interp(rpm, speeds, degrees) <= cell["proposed"] + 1e-6, (rpm, cell)
    old, out = coarse.read_text().splitlines(), (tmp_path / "out.csv").read_text().splitlines()
    assert len(old) == len(out)
    assert [line for line in old if line.startswith("plover")] == [line for line in out if line.startswith("plover")]
    assert out[1] == old[1]  # 1000 rpm was never driven


def grid_day(folder: Path, degrees: float, other: float) -> list[Path]:
    """Two tunes with manifold pressure and advance logged: 40 kPa between the pulls, 97 kPa in them."""

    def pressure(drive) -> np.ndarray:
        return np.where(drive.pulling, 97.0, 40.0) + 0.2 * drive.rng.standard_normal(len(drive.rpm))

    def channels(deg: float) -> dict:
        return {"map": ("manifold_pressure", "kPa", pressure), "adv": advance(deg)}

    return write_day(
        folder, Made("plover", other, channels(other), seed=2), Made("heron", degrees, channels(degrees), seed=1)
    )


def test_a_grid_comes_back_in_its_own_shape_with_full_load_changed_alone(steadypull, tmp_path: Path) -> None:
    """rpm along the top, semicolons, a decimal comma: only the columns that full load reaches may change, and none by
    more than a step."""
    paths = grid_day(tmp_path, NOW, OTHER)
    speeds = range(1500, 8001, 500)
    lines = [";".join(["kPa\\rpm", *map(str, speeds)])]
    lines += [";".join([str(kpa), *["18,0" for _ in speeds]]) for kpa in (100, 80, 60, 40)]
    grid = tmp_path / "grid.csv"
    grid.write_bytes(("\r\n".join(lines) + "\r\n").encode())
    done = steadypull("advise-ignition", *paths, "--advance", grid, *WORD[:-1], "-o", tmp_path / "out.csv")
    assert done.code == 0, done.err
    old = [line.split(";") for line in lines]
    new = [line.split(";") for line in (tmp_path / "out.csv").read_bytes().decode().split("\r\n")]
    assert new[0] == old[0]
    assert new[3:5] == old[3:5]  # 60 and 40 kPa: no pull ran there
    top = [float(cell.replace(",", ".")) for cell in new[1][1:]]
    assert NOW + STEP in top
    assert min(top) >= NOW
    assert max(top) <= NOW + STEP


def test_knock_at_full_load_reaches_down_to_the_cells_between_which_it_lies(steadypull, tmp_path: Path) -> None:
    """97 kPa lies between 80 and 100: both columns are lowered, so that what lies between them is."""
    paths = grid_day(tmp_path, NOW, OTHER)
    speeds = range(1500, 8001, 500)
    grid = tmp_path / "grid.csv"
    rows = [",".join([f"{kpa}", *["18.0" for _ in speeds]]) for kpa in (40, 60, 80, 100)]
    grid.write_text("\n".join([",".join(["kPa\\rpm", *map(str, speeds)]), *rows]) + "\n")
    words = ("--advance", grid, "--now", "heron", "--heard", "4500-4700")
    done = steadypull("advise-ignition", *paths, *words, "-o", tmp_path / "out.csv")
    assert done.code == 0, done.err
    new = [line.split(",") for line in (tmp_path / "out.csv").read_text().splitlines()]
    at = [str(rpm) for rpm in speeds].index("4500") + 1
    assert float(new[4][at]) == NOW - STEP
    assert float(new[3][at]) == NOW - STEP
    assert max(float(cell) for row in new[1:] for cell in row[1:]) <= NOW
