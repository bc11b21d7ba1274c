"""report: what is printed is what the commands say, in one file that needs nothing else."""

import base64
import hashlib
import re
import shutil
import subprocess
import xml.etree.ElementTree as ElementTree
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import h5py
import pytest

from tests.shared import made_once
from tests.ui_cli import Outcome, in_process

Steadypull = Callable[..., Outcome]
SIGNED = re.compile(r"[+-]?\d+\.?\d*")


class Page(HTMLParser):
    """Text, rows of tables, and everything that could fetch something."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.rows: list[list[str]] = []
        self.links: list[str] = []
        self.words: list[str] = []
        self._hidden = False
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._hidden = tag in ("style", "script")
        self.links += [value or "" for name, value in attrs if name in ("src", "href", "srcset", "data", "action")]
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self.rows[-1].append("")

    def handle_endtag(self, tag: str) -> None:
        self._hidden = False

    def handle_data(self, data: str) -> None:
        if self._hidden:
            return
        self.words.append(data)
        if self.rows and self.rows[-1] and self.lasttag in ("td", "th"):
            self.rows[-1][-1] += data.strip("\n")

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


def percent(value: float) -> str:
    """A change as the report rounds it: one decimal, whole from 10 on, no signed zero."""
    text = f"{value:+.{0 if abs(value) >= 10 else 1}f}"
    return text[1:] if float(text) == 0 else text


@pytest.fixture(scope="module")
def sessions(rehearsed: Outcome) -> list[str]:
    return list(rehearsed.json["sessions"])


@pytest.fixture(scope="module")
def printed(sessions: list[str]) -> dict[str, Path]:
    """The rehearsal's report, both ways, made where there is no display."""

    def make(folder: Path) -> None:
        for ending in ("html", "pdf"):
            made = in_process("report", *sessions, "-o", folder / f"day.{ending}")
            assert (made.code, made.err) == (0, "")

    folder = made_once("report-of-the-rehearsal", make)
    return {ending: folder / f"day.{ending}" for ending in ("html", "pdf")}


@pytest.fixture(scope="module")
def page(printed: dict[str, Path]) -> Page:
    return Page(printed["html"].read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def pdf_text(printed: dict[str, Path]) -> str:
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext is not installed")
    done = subprocess.run(["pdftotext", "-layout", printed["pdf"], "-"], capture_output=True, check=True)
    return done.stdout.decode("utf-8")


def change_rows(compared: Any) -> list[tuple[str, ...]]:
    """rpm, pulls, change and interval of each band of `compare --json`."""
    return [
        (
            f"{band['rpm']:.0f}",
            str(band["base_n"]),
            str(band["trial_n"]),
            *(percent(band[key]) for key in ("change_pct", "low_pct", "high_pct")),
            "resolved" if band["resolved"] else "",
        )
        for band in compared["bands"]
    ]


def test_html_holds_the_numbers_of_compare(steadypull: Steadypull, sessions: list[str], page: Page) -> None:
    """The HTML report shows the numbers that compare prints."""
    compared = steadypull("compare", *sessions, "--base", "heron", "--trial", "plover", "--json").json

    rows = {(row[0], row[2], row[4], *row[5:]) for row in page.rows if len(row) == 9}
    assert len(compared["bands"]) > 10
    assert set(change_rows(compared)) <= rows
    overall = compared["overall"]
    assert f"{percent(overall['low_pct'])} to {percent(overall['high_pct'])} %" in page.text
    assert f"{compared['smallest_resolvable_pct']:.1f} % four times in five" in page.text
    for warning in compared["warnings"]:
        assert re.sub(r"(?<!\S)/\S*/", "", warning) in page.text


def test_pdf_holds_the_numbers_of_compare(steadypull: Steadypull, sessions: list[str], pdf_text: str) -> None:
    """The PDF report shows the numbers that compare prints."""
    compared = steadypull("compare", *sessions, "--base", "heron", "--trial", "plover", "--json").json

    printed = {
        (cells[0], cells[2], *cells[4:]) for line in pdf_text.splitlines() if len(cells := line.split()) in (8, 9)
    }
    assert len(compared["bands"]) > 10
    for rpm, base_n, trial_n, *changes, word in change_rows(compared):
        assert (rpm, base_n, trial_n, *changes, *([word] if word else [])) in printed


def test_pdf_and_html_print_the_same_cells_and_words(page: Page, pdf_text: str) -> None:
    """Both files print the same cells and sentences."""
    told = "".join(pdf_text.split())

    cells = [cell for row in page.rows for cell in row if cell and len(cell) < 30]
    assert len(cells) > 500
    assert [cell for cell in cells if "".join(cell.split()) not in told] == []


def test_curve_calibration_and_files_are_those_of_the_sessions(
    steadypull: Steadypull, sessions: list[str], page: Page, rehearsed: Outcome
) -> None:
    """Curves, calibration and file hashes are the sessions' own."""
    curves = steadypull("curve", *sessions, "--json").json
    for place, tune in enumerate(curves["tunes"]):
        for band in tune["bands"]:
            row = next(row for row in page.rows if row[0] == f"{band['rpm']:.0f}" and len(row) == 7)
            mean, half, count = row[1 + 3 * place : 4 + 3 * place]
            half_true = band["high"] - band["mean"]
            assert float(mean) == pytest.approx(band["mean"], abs=0.06 * half_true)
            assert float(half) == pytest.approx(half_true, rel=0.05)
            assert int(count) == band["n"]
    fit = rehearsed.json["fit"]
    assert f"{fit['slope_rpm_per_unit']:.0f} ± {fit['u_slope']:.0f} rpm per V" in page.text
    used = [point for point in fit["points"] if point["used"]]
    departures = {row[1]: float(row[2]) for row in page.rows if len(row) == 4 and SIGNED.fullmatch(row[2])}
    assert departures == {f"{p['target_rpm']:.0f}": pytest.approx(p["residual_rpm"], abs=0.51) for p in used}
    for path in sessions:
        assert hashlib.sha256(Path(path).read_bytes()).hexdigest() in page.text


def test_every_pull_stands_with_its_verdict_and_reasons(sessions: list[str], page: Page) -> None:
    """Each pull is listed with its verdict and faults."""
    flawed = clean = 0
    for place, path in enumerate(sessions, start=1):
        with h5py.File(path) as file:
            rows = file["pulls"][:]
        for number, row in enumerate(rows, start=1):
            cells = next(cells for cells in page.rows if cells[0] == f"{place}.{number}" and len(cells) == 9)
            verdict = row["verdict"].decode() if isinstance(row["verdict"], bytes) else row["verdict"]
            assert cells[7] == verdict
            assert bool(cells[8]) == (verdict == "flawed")
            flawed, clean = flawed + (verdict == "flawed"), clean + (verdict == "clean")
    assert f"{clean} clean pulls, {flawed} flawed" in page.text


def test_html_fetches_nothing(printed: dict[str, Path], page: Page) -> None:
    """The HTML file needs no other file and no network."""
    text = printed["html"].read_text(encoding="utf-8")
    pictures = [link for link in page.links if link.startswith("data:image/svg+xml;base64,")]

    assert pictures == page.links
    assert len(pictures) >= 4
    assert "http" not in re.sub(r'"data:[^"]*"|http-equiv', "", text)
    assert not re.search(r"<script|@import|url\(", text)
    for link in pictures:
        drawing = ElementTree.fromstring(base64.b64decode(link.partition(",")[2]))
        links = [value for node in drawing.iter() for name, value in node.attrib.items() if name.endswith("href")]
        assert all(value.startswith("#") for value in links)


def test_cautions_stand_in_both(page: Page, pdf_text: str) -> None:
    """The cautions are printed in both files."""
    told = " ".join(pdf_text.split())

    for words in ("A second person watches the screen", "closed road", "local law", "knock, mixture or heat"):
        assert words in page.text
        assert words in told


def test_pdf_pages_are_a4(printed: dict[str, Path]) -> None:
    """210 mm by 297 mm, ISO 216; a PDF's unit is 1/72 inch."""
    boxes = re.findall(rb"/MediaBox \[ ?0 0 ([\d.]+) ([\d.]+) ?\]", printed["pdf"].read_bytes())

    assert len(boxes) >= 3
    for wide, high in boxes:
        assert float(wide) == pytest.approx(210 / 25.4 * 72, abs=0.5)
        assert float(high) == pytest.approx(297 / 25.4 * 72, abs=0.5)


def test_a_file_is_written_over_only_by_force(steadypull: Steadypull, sessions: list[str], tmp_path: Path) -> None:
    """A report is never written over another one unasked."""
    target = tmp_path / "day.html"
    target.write_text("mine", encoding="utf-8")

    refused = steadypull("report", sessions[0], "-o", target)
    assert refused.code == 2
    assert "--force" in refused.error
    assert target.read_text(encoding="utf-8") == "mine"
    assert steadypull("report", sessions[0], "-o", target, "--force").code == 0
    assert "hill-climb special" in target.read_text(encoding="utf-8")
    assert [path.name for path in tmp_path.iterdir()] == ["day.html"]


@pytest.mark.parametrize("name", ["day.doc", "day", "nowhere/day.pdf"])
def test_a_name_that_cannot_be_written_is_refused(
    steadypull: Steadypull, sessions: list[str], tmp_path: Path, name: str
) -> None:
    """A name of another kind or in no folder is one line."""
    refused = steadypull("report", sessions[0], "-o", tmp_path / name)

    assert refused.code == 2
    assert name.split("/")[0] in refused.error


def test_air_is_told_and_corrected_by(steadypull: Steadypull, sessions: list[str], tmp_path: Path) -> None:
    """As `air --json` has it; the hold drive has no pull and needs no zero."""
    target = tmp_path / "day.html"
    assert steadypull("report", *sessions, "-o", target, "--air", "18,1002,55").code == 0
    factors = steadypull("air", "--temperature", 18, "--pressure", 1002, "--humidity", 55, "--json").json

    page = Page(target.read_text(encoding="utf-8"))
    row = next(row for row in page.rows if row[1:4] == ["18", "1002", "55"])
    assert [float(cell) for cell in row[4:]] == pytest.approx([factors["iso_1585"], factors["sae_j1349"]], abs=6e-4)
    assert "Curves and comparisons are corrected by ISO 1585" in page.text


def test_provisional_line_and_another_car_are_said(
    steadypull: Steadypull, sessions: list[str], held: Path, tmp_path: Path
) -> None:
    """A session that was never calibrated, and one of another car, beside the rehearsal's; names are escaped."""
    copy = tmp_path / "other.h5"
    shutil.copy(sessions[1], copy)
    with h5py.File(copy, "r+") as file:
        text = str(file.attrs["car"]).replace('name = "hill-climb special"', 'name = "<b>$x^2$ 車</b>"', 1)
        file.attrs["car"] = text
    for ending in ("html", "pdf"):
        made = steadypull("report", sessions[2], copy, held, "-o", tmp_path / f"day.{ending}")
        assert made.code == 0, made.err

    source = (tmp_path / "day.html").read_text(encoding="utf-8")
    page = Page(source)
    assert "these sessions are of different cars" in page.text
    assert "cannot stand side by side" in page.text
    assert f"{held.name}: provisional line" in page.text
    assert "<b>" not in source


def test_what_is_said_is_explained_at_the_end(printed: dict[str, Path], steadypull: Steadypull) -> None:
    """Each code that the report speaks of has its two sentences there, those of `explain`, and the term it is about
    stands below with formula and source."""
    _, _, reference = Page(printed["html"].read_text(encoding="utf-8")).text.partition("What the warnings mean")
    codes = re.findall(r"(?<= )([a-z]+(?:-[a-z]+)+): [A-Z]", f" {reference.split(' Formula: ')[0]}")

    assert len(codes) >= 3
    for code in codes:
        about = " ".join(steadypull("explain", code).out.splitlines()[1].split())
        assert f"{code}: {about}" in reference, code
    assert reference.count("Formula: ") == reference.count("Source: ") >= 2
