"""Sources and log readers of another package, as that package: a wheel made by hand and installed by pip."""

import json
import os
import subprocess
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from stream.car import parse_car
from stream.drive.offline import run_offline
from stream.errors import InputError, PortError
from stream.sources import plugins
from stream.sources.plugins import log_source, source_for
from tests.drives import RPM_AT_0V, RPM_PER_V, Plan, car
from tests.ui_cli import ROOT, Outcome
from ui.cli.main import run

TEMPLATES = ROOT / "stream" / "sources"
FAULTY = """
from my_source import ExampleSource

class Raises(ExampleSource):
    def read(self, timeout_s):
        blocks = super().read(timeout_s)
        if self.rows > 60:
            raise RuntimeError("the other end\\nhung up")
        return blocks

class Narrow(ExampleSource):
    def read(self, timeout_s):
        return [type(block)(block.samples[:, :1], block.first, block.rate_hz) for block in super().read(timeout_s)]

class NoSource:
    def __init__(self, url, car, rate_hz=None):
        self.realtime = True

def reader(path, columns):
    raise ValueError("page 3 is torn")
"""
POINTS = """
[steadypull.sources]
example = my_source:ExampleSource
raises = my_faulty:Raises
narrow = my_faulty:Narrow
nosource = my_faulty:NoSource
gone = my_faulty:Missing
socket = my_faulty:NoSource

[steadypull.readers]
jsonl = my_reader:read
torn = my_faulty:reader
"""


def wheel(folder: Path) -> Path:
    """A wheel by the binary distribution format (PyPA specification, version 1.0): modules, metadata, entry points."""
    path = folder / "steadypull_example-1.0-py3-none-any.whl"
    info = "steadypull_example-1.0.dist-info"
    files = {
        "my_source.py": (TEMPLATES / "template_source.py").read_text(encoding="utf-8"),
        "my_reader.py": (TEMPLATES / "template_reader.py").read_text(encoding="utf-8"),
        "my_faulty.py": FAULTY,
        f"{info}/METADATA": "Metadata-Version: 2.1\nName: steadypull-example\nVersion: 1.0\n",
        f"{info}/WHEEL": "Wheel-Version: 1.0\nGenerator: hand\nRoot-Is-Purelib: true\nTag: py3-none-any\n",
        f"{info}/entry_points.txt": POINTS,
    }
    files[f"{info}/RECORD"] = "".join(f"{name},,\n" for name in [*files, f"{info}/RECORD"])
    with zipfile.ZipFile(path, "w") as archive:
        for name, text in files.items():
            archive.writestr(name, text)
    return path


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder that pip installed the package into, without a network."""
    folder = tmp_path_factory.mktemp("plugin")
    target = folder / "site"
    subprocess.run(
        [sys.executable, "-m", "pip", "install", "-q", "--no-index", "--no-deps", "--target", target, wheel(folder)],
        check=True,
        capture_output=True,
        env={**os.environ, "PIP_DISABLE_PIP_VERSION_CHECK": "1"},
    )
    return target


@pytest.fixture
def typed(site: Path) -> Callable[..., Outcome]:
    """The real command line where the package is installed."""

    def command(*words: str | Path) -> Outcome:
        path = os.pathsep.join((str(ROOT), str(site)))
        done = subprocess.run(
            [sys.executable, "-m", "ui.cli.main", *map(str, words)],
            capture_output=True,
            text=True,
            timeout=90,
            env={**os.environ, "PYTHONPATH": path},
        )
        return Outcome(done.returncode, done.stdout, done.stderr)

    return command


@pytest.fixture
def installed(site: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The package in this process."""
    monkeypatch.syspath_prepend(str(site))


@pytest.fixture
def car_file(tmp_path: Path) -> Path:
    path = tmp_path / "car.toml"
    path.write_text(car().text)
    return path


def test_templates_are_short() -> None:
    """Forty lines at most."""
    for name in ("template_source.py", "template_reader.py"):
        assert len((TEMPLATES / name).read_text(encoding="utf-8").splitlines()) <= 40


def test_a_drive_records_what_another_package_sends(
    typed: Callable[..., Outcome], car_file: Path, tmp_path: Path
) -> None:
    """drive --port example://: real command, real package; every sample is 1.0 and none is missing."""
    done = typed(
        "drive", "--port", "example://here", "--car", car_file, "-o", tmp_path, "--seconds", "2", "--headless", "--json"
    )
    assert done.code == 0, done.err
    session = done.json["session"]
    assert (session["rate_hz"], session["lost_samples"]) == (200.0, 0)
    with h5py.File(session["path"]) as file:
        samples = file["raw/samples"][:]
    assert 300 <= len(samples) <= 440
    assert (samples == 1.0).all()


def test_a_source_that_breaks_ends_the_drive_in_one_line(
    typed: Callable[..., Outcome], car_file: Path, tmp_path: Path
) -> None:
    """Exit 3, the package named, what came before is recorded."""
    done = typed("drive", "--port", "raises://x", "--car", car_file, "-o", tmp_path / "d", "--headless", "--json")
    assert done.code == 3
    assert "package steadypull-example failed in read (RuntimeError: the other end hung up)" in done.error
    (path,) = (tmp_path / "d").glob("*.h5")
    with h5py.File(path) as file:
        assert len(file["raw/samples"]) > 0


@pytest.mark.usefixtures("installed")
@pytest.mark.parametrize(
    ("url", "said"),
    [("nosource://x", "is no source, for it lacks open, read"), ("gone://x", "cannot be loaded \\(AttributeError")],
)
def test_what_is_no_source_is_refused_by_name(url: str, said: str) -> None:
    """The package's entry point stands in the line."""
    with pytest.raises(InputError, match=said):
        source_for(url, car())


def until_blocks(source: Any) -> None:
    """Read until something has come."""
    while not source.read(0.1):
        pass


@pytest.mark.usefixtures("installed")
def test_a_block_of_the_wrong_shape_is_not_recorded() -> None:
    """It would be taken for other channels."""
    source = source_for("narrow://x", car())
    source.open()
    with pytest.raises(PortError, match="does not go on from 0 with 2 channels"):
        until_blocks(source)


@pytest.mark.usefixtures("installed")
def test_a_package_cannot_take_over_a_serial_port() -> None:
    """A device path, and pyserial's own URLs, stay with pyserial."""
    for url in ("/dev/ttyACM0", "socket://localhost:1", "unknown://x"):
        assert type(source_for(url, car())).__name__ == "SerialSource"


def test_two_packages_that_claim_one_scheme_are_both_named(monkeypatch: pytest.MonkeyPatch) -> None:
    """Which of them would run is chance."""
    from importlib.metadata import EntryPoint

    two = [EntryPoint("twice", module, plugins.SOURCES) for module in ("one:Source", "other:Source")]
    monkeypatch.setattr(plugins, "entry_points", lambda **wanted: two)
    with pytest.raises(InputError, match="claimed by one:Source and other:Source"):
        source_for("twice://x", car())


def rows(plan: Plan) -> np.ndarray:
    samples = plan.samples().astype(np.float64)
    time_s = np.arange(len(samples)) / plan.rate_hz
    return np.column_stack([time_s, samples])


@pytest.fixture(scope="module")
def held() -> Plan:
    plan = Plan(3, 100.0).hold(2000, 6).ramp(3000, 400).hold(3000, 6)
    for rpm, rate in ((1200, 900), (4200, 700), (1500, 800), (3800, 500), (1300, 1000), (4600, 350), (2600, 800)):
        plan.pause(0.7).ramp(rpm, rate)  # for the clock, which changes of speed tell
    return plan


def test_a_log_of_another_package_s_format_is_imported(
    typed: Callable[..., Outcome], held: Plan, car_file: Path, tmp_path: Path
) -> None:
    """import FILE.jsonl: the samples are the log's, the date too, the holds where they were driven."""
    table = rows(held)
    lines = [json.dumps({"t": t, "speed_v": volts, "link": link}) for t, volts, link in table.tolist()]
    lines[0] = json.dumps({**json.loads(lines[0]), "epoch": 1_780_000_000})
    log = tmp_path / "log.jsonl"
    log.write_text("\n".join(lines))
    done = typed("import", log, "--car", car_file, "-o", tmp_path / "s.h5", "--json")
    assert done.code == 0, done.err
    assert done.json["session"]["rate_hz"] == pytest.approx(100.0)
    found = [hold["speed_rpm"] for hold in done.json["holds"]]
    assert found == pytest.approx([2000, 3000], rel=0.01)
    with h5py.File(tmp_path / "s.h5") as file:
        np.testing.assert_array_equal(file["raw/samples"][:], table[:, 1:].astype(np.float32))
        assert file.attrs["started_utc"].startswith("2026-05-28T20:26:40")  # date -u -d @1780000000

    placed = typed("align", tmp_path / "s.h5", log, "--car", car_file, "--json")
    assert placed.code == 0, placed.err
    assert placed.json["offset_s"] == pytest.approx(0.0, abs=0.02)

    log.write_text('{"t": 0}\n{torn')
    assert "line 2: is no JSON" in typed("import", log, "--car", car_file, "-o", tmp_path / "t.h5").error
    torn = tmp_path / "a.torn"
    torn.write_text("")
    done = typed("import", torn, "--car", car_file, "-o", tmp_path / "t.h5")
    assert done.code == 2
    assert "the reader for .torn cannot read it (page 3 is torn)" in done.error
    assert not (tmp_path / "t.h5").exists()


def test_an_mdf_log_is_imported(held: Plan, tmp_path: Path) -> None:
    """A file written by asammdf itself, two groups of different rates: speed as written, the slow channel on the line
    between its samples; the start is the header's."""
    asammdf = pytest.importorskip("asammdf", reason="asammdf, of the part 'mdf', is not installed")
    from datetime import UTC, datetime

    table = rows(held)
    slow = table[::10]
    with asammdf.MDF(version="4.10") as file:
        file.header.start_time = datetime(2026, 6, 1, 9, 30, tzinfo=UTC)
        file.append([asammdf.Signal(table[:, 1], table[:, 0], unit="V", name="Speed_V")])
        file.append([asammdf.Signal(slow[:, 0] * 2.0, slow[:, 0], unit="mV/V", name="link")])
        saved = file.save(tmp_path / "log.mf4", compression=2)
    source = log_source(saved, car())
    run_offline(source, car(), tune="heron", gear=None, started_utc=lambda: source.started_utc, path=tmp_path / "s.h5")
    with h5py.File(tmp_path / "s.h5") as file:
        samples = file["raw/samples"][:]
        assert file.attrs["started_utc"].startswith("2026-06-01T09:30:00")
        speeds = [hold["speed_rpm"] for hold in file["holds"][:]]
    np.testing.assert_array_equal(samples[:, 0], table[:, 1].astype(np.float32))
    last = int(np.flatnonzero(np.isclose(table[:, 0], slow[-1, 0]))[0])
    np.testing.assert_allclose(samples[: last + 1, 1], 2.0 * table[: last + 1, 0], rtol=1e-5, atol=1e-5)
    assert speeds == pytest.approx([2000, 3000], rel=0.01)

    other = parse_car(car().text.replace('name = "speed_v"', 'name = "rpm_signal"'))
    with pytest.raises(InputError, match=r"has no column 'rpm_signal' .* its columns are 'Speed_V', 'link'"):
        log_source(saved, other).open()
    (tmp_path / "bad.mf4").write_bytes(b"no such thing" * 100)
    with pytest.raises(InputError, match="is no ASAM MDF file that can be read"):
        log_source(tmp_path / "bad.mf4", car()).open()


def test_an_mdf_log_without_its_library_is_one_line(
    capsys: pytest.CaptureFixture[str], car_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It says what to install."""
    monkeypatch.setitem(sys.modules, "asammdf", None)
    (tmp_path / "log.mf4").write_bytes(b"MDF     ")
    assert run(["import", str(tmp_path / "log.mf4"), "--car", str(car_file), "-o", str(tmp_path / "s.h5")]) == 2
    said = capsys.readouterr().err
    assert "asammdf is not installed" in said
    assert "pip install 'steadypull[mdf]'" in said


def test_the_line_of_the_made_log_is_the_scenario_s() -> None:
    """Guards the fixture: 2 000 rpm is 0.25 V and 4.3 V of 7 400 rpm (README of the invented scenario)."""
    assert pytest.approx(0.25 + 4.3 * 2000 / 7400) == (2000 - RPM_AT_0V) / RPM_PER_V
