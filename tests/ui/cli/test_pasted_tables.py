"""A person's two tables of 16 by 16 by the commands: whatever their shape, they come out ready to paste, and as one."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.shared import made_once
from tests.ui.cli.test_mixture_harm import wanted
from tests.ui.window.test_mixture_page import KPA, RPM, pasted
from tests.ui.window.test_pasted_tables import degrees, make


def upright(value: Any, decimals: int) -> str:
    """rpm down and falling, pressure in bar across with its unit in the corner, semicolons, a title over it."""
    head = "rpm\\bar;" + ";".join(f"{kpa / 100:.3f}" for kpa in KPA)
    lines = [f"{rpm:g};" + ";".join(f"{value(rpm, kpa):.{decimals}f}" for kpa in KPA) for rpm in RPM[::-1]]
    return "\n".join(["Main table;", head, *lines]) + "\n"


SHAPES = {"turned": (pasted, "\t", "\r\n", 1), "upright": (upright, ";", "\n", 2)}


def cells(text: str, shape: str) -> dict[tuple[float, float], str]:
    """(rpm, kPa) to the cell's text, whatever the shape."""
    _, separator, end, head = SHAPES[shape]
    rows = [line.split(separator) for line in text.rstrip(end).split(end)][head - 1 :]
    found = {}
    for row in rows[1:]:
        for top, cell in zip(rows[0][1:], row[1:], strict=True):
            numbers = float(row[0].replace(",", ".")), float(top.replace(",", "."))
            rpm, kpa = (numbers[1], numbers[0]) if shape == "turned" else (numbers[0], 100 * numbers[1])
            found[rpm, round(kpa, 1)] = cell
    return found


def changes(before: str, after: str, shape: str) -> dict[tuple[float, float], tuple[float, float]]:
    """The cells that differ; all else is the same byte for byte."""
    old, new = cells(before, shape), cells(after, shape)
    apart = {at: (old[at], new[at]) for at in old if old[at] != new[at]}
    _, separator, end, _ = SHAPES[shape]
    tokens = [text.replace(end, separator + "\0" + separator).split(separator) for text in (before, after)]
    assert sum(one != other for one, other in zip(*tokens, strict=True)) == len(apart)
    return {at: tuple(float(text.replace(",", ".")) for text in pair) for at, pair in apart.items()}  # type: ignore[misc]


@pytest.fixture
def day(tmp_path: Path) -> list[Path]:
    """Copies of the day that the window's tests are on."""
    paths = []
    for path in sorted(made_once("pasted-tables", make).glob("*.h5")):
        paths.append(tmp_path / path.name)
        paths[-1].write_bytes(path.read_bytes())
    return paths


@pytest.mark.parametrize("shape", SHAPES)
def test_both_tables_come_out_as_they_went_in(steadypull: Any, day: list[Path], tmp_path: Path, shape: str) -> None:
    """Only proposed cells change, by a step at most; a second file says per cell why."""
    write = SHAPES[shape][0]
    advance, fuel = write(degrees, 1), write(lambda rpm, kpa: 18 + kpa * 0.6 + rpm / 500, 1)
    target = write(lambda _, kpa: float(wanted(np.array(kpa))), 2)
    for name, text in (("advance", advance), ("fuel", fuel), ("target", target)):
        (tmp_path / f"{name}.txt").write_bytes(text.encode())

    ignition = ("--advance", tmp_path / "advance.txt", "--now", "heron", "--none-heard", "-o", tmp_path / "spark.txt")
    advised = steadypull("advise-ignition", *day, *ignition)
    mixture = ("--target", tmp_path / "target.txt", "--fuel", tmp_path / "fuel.txt", "-o", tmp_path / "amount.txt")
    mixed = steadypull("advise-mixture", *day, *mixture)

    assert (advised.code, mixed.code) == (0, 0), advised.err + mixed.err
    spark = changes(advance, (tmp_path / "spark.txt").read_bytes().decode(), shape)
    amount = changes(fuel, (tmp_path / "amount.txt").read_bytes().decode(), shape)
    assert {at for at, (was, now) in spark.items() if now > was} >= {(float(rpm), KPA[-1]) for rpm in RPM[7:11]}
    assert all(abs(now - was) <= 2.0 + 1e-9 for was, now in spark.values())
    assert amount
    assert all(was < now <= 1.1 * was + 1e-9 for was, now in amount.values())  # 10 % lean under full load
    for name, changed in (("spark-why.csv", spark), ("amount-why.csv", amount)):
        rows = [line for line in (tmp_path / name).read_text().splitlines() if not line.startswith("#")]
        assert len(rows) == 1 + len(RPM) * len(KPA)
        told = [row.split(SHAPES[shape][1], 4) for row in rows[1:]]
        assert sum(row[2] != row[3] for row in told) == len(changed)
        assert all(row[4] for row in told)
