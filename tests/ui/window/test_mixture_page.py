"""The Mixture page with tables as a person pastes them: 16 by 16, rpm along the top, and the same shape out again."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.array_session import write_session
from tests.ui.cli.test_mixture_harm import CAR, RATE, drive, wanted
from tests.ui.window.test_study_pages import Settle, cells, page, said

RPM = np.linspace(800, 7400, 16).round(-1)
KPA = np.linspace(20, 102, 16).round(1)


def pasted(value: Any, decimals: int) -> str:
    """rpm along the top, highest pressure first, tabs, decimal commas, as a spreadsheet gives it."""
    lines = ["kPa\\rpm\t" + "\t".join(f"{rpm:g}" for rpm in RPM)]
    for kpa in KPA[::-1]:
        row = "\t".join(f"{value(rpm, kpa):.{decimals}f}" for rpm in RPM)
        lines.append(f"{kpa:g}\t{row}".replace(".", ","))
    return "\r\n".join(lines) + "\r\n"


@pytest.fixture
def shown(open_window: Any, settle: Settle, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
    """The page with a lean drive, both tables chosen."""
    session = write_session(tmp_path / "s.h5", CAR, RATE, drive(pulls=8, lean=1.10))
    (tmp_path / "target.csv").write_bytes(pasted(lambda _, kpa: float(wanted(np.array(kpa))), 2).encode())
    (tmp_path / "fuel.csv").write_bytes(pasted(lambda rpm, kpa: 18 + kpa * 0.6 + rpm / 500, 1).encode())
    files = {"Table": "target.csv", "Fuel": "fuel.csv"}
    monkeypatch.setattr("ui.window.ask.open_file", lambda _, title, *rest: tmp_path / files[title.split()[0]])
    window = open_window(None)
    window.show_screen("Compare")
    compare = window.screens["Compare"]
    compare.open([str(session)])
    settle(compare)
    mixture = page(compare, "Mixture", settle)
    mixture.choose.click()
    settle(mixture)
    mixture.choose_fuel.click()
    settle(mixture)
    return mixture


def test_a_pasted_table_of_16_by_16_comes_back_in_its_shape(
    shown: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """rpm stays along the top on the screen and in the file; what is not changed is the same byte for byte."""
    assert shown.cells.heads == tuple(f"{rpm:g} rpm" for rpm in RPM)
    assert shown.cells.sides == tuple(f"{kpa:g} kPa" for kpa in KPA[::-1])
    assert shown.axes_words.text() == "manifold pressure down, rpm across"
    assert "Danger: lean under load" in said(shown)
    grid = cells(shown.cells)
    assert any(text.startswith("▲") for row in grid for text in row)

    monkeypatch.setattr("ui.window.ask.save_as", lambda *_: tmp_path / "new.csv")
    shown.export.click()
    old, new = (
        [line.split(b"\t") for line in (tmp_path / name).read_bytes().split(b"\r\n")]
        for name in ("fuel.csv", "new.csv")
    )
    assert (old[0], [row[0] for row in old]) == (new[0], [row[0] for row in new])
    changed = 0
    for was, now, factors in zip(old[1:-1], new[1:-1], grid, strict=True):
        for before, after, factor in zip(was[1:], now[1:], factors, strict=True):
            if not factor or float(factor.strip("▲▼ ")) == 1:
                assert before == after
                continue
            numbers = [float(cell.replace(b",", b".")) for cell in (before, after)]
            assert numbers[1] == pytest.approx(numbers[0] * float(factor.strip("▲▼ ")), abs=0.11)
            assert after.count(b",") == 1
            changed += 1
    assert changed > 5
    assert (tmp_path / "new-why.csv").is_file()


def test_a_cell_is_read_where_it_is_shown(shown: Any) -> None:
    """Row and column of the screen are those of the person's table."""
    row, column = 0, 7
    shown.table.setCurrentIndex(shown.cells.index(row, column))
    assert shown.reading.text().startswith(f"{RPM[column]:g} rpm, {KPA[::-1][row]:g} kPa")
