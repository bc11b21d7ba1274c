"""report: power and proposals on paper are what the commands say."""

from datetime import timedelta
from hashlib import sha256
from pathlib import Path

import pytest

from stream.sources.rehearsal.engine import TUNES
from stream.sources.rehearsal.scenario import demo_car_text
from stream.sources.rehearsal.sensors import Chain
from tests.stream.study.rehearsed import BEGAN, session
from tests.ui.cli.test_report import Page, Steadypull
from tests.ui_cli import in_process

EXTRA = ("lambda", "manifold_pressure", "throttle")


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """heron and plover with λ logged, and the two tables."""
    folder = tmp_path_factory.mktemp("day")
    for place, tune in enumerate(("heron", "plover")):
        session(
            folder / f"{place}.h5",
            60 + place,
            tune,
            BEGAN + timedelta(minutes=12 * place),
            pulls=3,
            chain=Chain(extra=EXTRA),
        )
    rows = [f"{t.name},{rpm:g},{deg}" for t in TUNES.values() for rpm, deg in zip(t.rpm, t.advance_deg, strict=True)]
    (folder / "advance.csv").write_text("\n".join(["tune,rpm,advance", *rows]) + "\n")
    (folder / "target.csv").write_text("manifold_pressure,60,100\n3000,1.0,0.88\n4000,1.0,0.88\n5000,1.0,0.88\n")
    return folder


def test_power_and_proposals_are_those_of_the_commands(steadypull: Steadypull, day: Path, tmp_path: Path) -> None:
    """Power and proposals on paper are what the commands print."""
    paths = [str(path) for path in sorted(day.glob("?.h5"))]
    ignition = ("--advance", day / "advance.csv", "--now", "plover", "--none-heard")
    mixture = ("--target", day / "target.csv")
    made = in_process("report", *paths, "-o", tmp_path / "r.html", *ignition, *mixture)
    assert (made.code, made.err) == (0, "")
    page = Page((tmp_path / "r.html").read_text(encoding="utf-8"))

    tune = steadypull("power", *paths, "--json").json["tunes"][0]
    rows = [row for row in page.rows if len(row) == 6 and "±" in row[3]]
    printed = [[float(cell.split(" ± ")[0]) for cell in row[1:5]] for row in rows[: len(tune["bands"])]]
    assert len(rows) > len(printed) > 10  # the other tune's stand below
    for band, values in zip(tune["bands"], printed, strict=True):
        keys = ("force_n", "wheel_torque_nm", "wheel_power_kw", "steady_equivalent_kw")
        assert values == pytest.approx([band[key] for key in keys], rel=0.02)
    assert "Steady-equivalent is at the engine's side" in page.text

    advice = steadypull("advise-ignition", *paths, *ignition, "--json").json
    told = [row for row in page.rows if len(row) == 7 and row[1] == "full load"]
    assert [(row[2], row[3].split()[0], row[6]) for row in told] == [
        (f"{cell['now']:.1f}°", f"{cell['proposed']:.1f}°", cell["evidence"]) for cell in advice["cells"]
    ]
    assert "A person listened in its pulls and heard no knock." in page.text

    grid = steadypull("advise-mixture", *paths, *mixture, "--json").json["cells"]
    heads = page.rows.index(["rpm", "60 kPa", "100 kPa"])
    cells = [cell for row in page.rows[heads + 1 : heads + 4] for cell in row[1:]]
    assert [cell.strip("▲▼ ") for cell in cells] == [
        "" if cell["proposed"] is None else f"{cell['proposed']:.3f}" for cell in grid
    ]
    for line in ("a person decides, cell by cell", "Watch knock (more advance, leaner), mixture, and exhaust heat"):
        assert page.text.count(line) == 4  # with the proposals, and with the maps
    for title in ("The ignition table, plover in the car", "The fuel table"):
        whole = page.text[page.text.index(title) :]
        places = [whole.index(f"{name}. ") for name in ("Reached", "Evidence", "Change")]
        assert places == sorted(places)
    for name in ("advance.csv", "target.csv"):
        assert sha256((day / name).read_bytes()).hexdigest() in page.text


def test_without_mass_and_tables_it_has_no_such_section(tmp_path: Path) -> None:
    """No mass and no table: no section on power and proposals."""
    session(tmp_path / "s.h5", 5, "heron", BEGAN, pulls=2, car_text=demo_car_text().replace("mass_kg", "# mass_kg"))
    made = in_process("report", tmp_path / "s.h5", "-o", tmp_path / "r.html")
    assert (made.code, made.err) == (0, "")
    text = Page((tmp_path / "r.html").read_text(encoding="utf-8")).text
    assert "Steady-equivalent" not in text
    assert "proposals" not in text


@pytest.mark.parametrize(
    ("words", "cure"),
    [
        (("--advance", "a.csv"), "needs --now too"),
        (("--now", "heron"), "needs --advance too"),
        (("--none-heard",), "belongs to --advance and --now"),
        (("--target", "nowhere.csv"), "nowhere.csv: no such file"),
    ],
)
def test_half_a_question_is_asked_back(day: Path, tmp_path: Path, words: tuple[str, str], cure: str) -> None:
    """A table without its tune, or the other way round, is asked back."""
    made = in_process("report", day / "0.h5", "-o", tmp_path / "r.html", *words)
    assert made.code == 2
    assert cure in made.error
    assert not (tmp_path / "r.html").exists()
