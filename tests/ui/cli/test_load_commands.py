"""steadypull zero, weigh and shunt: the load channel proved on raw samples."""

import hashlib

import h5py
import numpy as np
import pytest

from stream.car import parse_car
from tests.drives import CAR_TEXT
from tests.sessions import write_session

RATE = 200.0
SLOPE, ZERO = parse_car(CAR_TEXT).need("engine_speed", "the test").rpm_line


def session(path, link, rpm=None, **settings):
    """A session with this load, (n,), mV/V, and this speed, rpm by the provisional line; None: the engine stands."""
    rng = np.random.default_rng(1)
    volts = 0.25 if rpm is None else (rpm - ZERO) / SLOPE
    volts = volts + 0.002 * rng.normal(size=len(link))
    return write_session(path, np.column_stack((volts, link)).astype(np.float32), RATE, CAR_TEXT, **settings)


@pytest.fixture
def standing(tmp_path):
    """20 s at 0.030 mV/V, a second of driving, and 20 s at 0.036."""
    rng = np.random.default_rng(2)
    link = np.concatenate((np.full(4000, 0.030), 0.4 * np.sin(np.arange(200) / 64.0), np.full(4000, 0.036)))
    return session(tmp_path / "standing.h5", link + 0.004 * rng.normal(size=len(link)))


def zeros(path):
    with h5py.File(path) as file:
        return file["zeros"][:]


def test_a_zero_is_the_mean_with_its_standard_error(steadypull, standing) -> None:
    """White noise of 0.004 on 3 000 samples: the doubt is 0.004 / sqrt(3000), by batch means within a half."""
    ran = steadypull("zero", standing, "--from", 2, "--to", 17, "--json")

    assert ran.json["mean"] == pytest.approx(0.030, abs=4 * 0.004 / 3000**0.5)
    assert ran.json["doubt"] == pytest.approx(0.004 / 3000**0.5, rel=0.5)
    assert ran.json["unit"] == "mV/V"
    row = zeros(standing)[0]
    assert (row["start_s"], row["end_s"]) == (2.0, 17.0)
    assert b"standing" in row["how"]


def test_a_second_zero_widens_the_doubt_by_their_gap_once(steadypull, standing) -> None:
    """0.006 between the two is what one alone could not show: each is known to the gap over √2. The file keeps what
    each stretch showed by itself, for the gap is in the two means already."""
    steadypull("zero", standing, "--from", 2, "--to", 17)
    second = steadypull("zero", standing, "--from", 24, "--to", 38, "--rolling", "--json").json

    assert second["doubt"] == pytest.approx(0.006 / 2**0.5, abs=0.0004)
    assert second["u_noise"] == pytest.approx(0.004 / 2800**0.5, rel=0.6)
    assert "roll" in second["how"]
    assert all(row["doubt"] < 0.0002 for row in zeros(standing))


@pytest.mark.parametrize(
    ("start", "end", "said"),
    [
        (18.0, 23.0, "moving"),
        (5.0, 6.0, "too short"),
        (9.0, 5.0, "no stretch"),
        (30.0, 90.0, "behind the end"),
        (-1.0, 5.0, "no stretch"),
        ("nan", 5.0, "no size"),
    ],
)
def test_what_is_no_zero_is_refused_and_nothing_is_changed(steadypull, standing, start, end, said: str) -> None:
    """Taken while moving, too short, not in the session."""
    digest = hashlib.sha256(standing.read_bytes()).digest()
    ran = steadypull("zero", standing, "--from", start, "--to", end)

    assert ran.code == 2
    assert said in ran.err
    assert hashlib.sha256(standing.read_bytes()).digest() == digest


def test_lost_and_clipped_samples_are_no_zero(steadypull, tmp_path) -> None:
    """A gap inside the stretch; a link beyond its range. Time counts what was lost."""
    rng = np.random.default_rng(3)
    link = 0.03 + 0.004 * rng.normal(size=4000)
    gappy = session(tmp_path / "gap.h5", link, gaps={1000: 400})
    link[500] = 2.5
    clipped = session(tmp_path / "clipped.h5", link)

    assert "samples are missing" in steadypull("zero", gappy, "--from", 4, "--to", 8).err
    assert steadypull("zero", gappy, "--from", 8, "--to", 12).code == 0
    assert "outside its range" in steadypull("zero", clipped, "--from", 1, "--to", 5).err


def test_a_zero_that_overlaps_another_is_refused(steadypull, standing) -> None:
    """The same seconds cannot confirm themselves."""
    steadypull("zero", standing, "--from", 2, "--to", 10)

    assert "overlaps" in steadypull("zero", standing, "--from", 8, "--to", 14).err
    assert len(zeros(standing)) == 1


@pytest.fixture
def weighed(tmp_path):
    """0, 100, 200, 300, 200, 100, 0 N hung for 5 s each on a link of 2 900 N per mV/V with a zero of 0.02."""
    rng = np.random.default_rng(4)
    forces = [0.0, 100.0, 200.0, 300.0, 200.0, 100.0, 0.0]
    link = np.concatenate([np.full(1000, 0.02 + force / 2900.0) for force in forces])
    path = session(tmp_path / "weights.h5", link + 0.001 * rng.normal(size=len(link)))
    return path, [f"{5 * number + 1}={force:g}" for number, force in enumerate(forces)]


def test_known_weights_give_newtons_with_their_doubt(steadypull, weighed) -> None:
    """The link's true scale is inside the interval, and the hint is for the car file."""
    path, pairs = weighed
    fit = steadypull("weigh", path, "--at", *pairs, "--json").json

    assert abs(fit["newtons_per_unit"] - 2900.0) < 2 * fit["u_newtons_per_unit"]
    assert fit["u_newtons_per_unit"] < 60.0
    assert fit["hysteresis_pct_span"] < 1.0
    ran = steadypull("weigh", path, "--at", ",".join(pairs))
    assert "1 mV/V is 2" in ran.out
    assert "newtons_per_unit = 2" in ran.err


def test_weights_that_cannot_be_used(steadypull, weighed) -> None:
    """Two weights, one weight only, nonsense."""
    path, pairs = weighed

    assert "three or more" in steadypull("weigh", path, "--at", *pairs[:2]).err
    assert "are the same" in steadypull("weigh", path, "--at", "1=5", "6=5", "11=5").err
    assert "START_S=NEWTON" in steadypull("weigh", path, "--at", "x=5").err
    assert "behind the end" in steadypull("weigh", path, "--at", "1=0", "6=1", "99=5").err


def test_a_shunt_of_120_ohm_by_59_88_kilohm_moves_half_a_millivolt_per_volt(steadypull, tmp_path) -> None:
    """1 000 microstrain at gauge factor 2 is 0.5 mV/V on a quarter bridge, less its nonlinearity (from the circuit)."""
    rng = np.random.default_rng(5)
    link = np.concatenate((np.full(1000, 0.1), np.full(1000, 0.1 - 1000 * 120 / (4 * 59880 + 240))))
    path = session(tmp_path / "shunt.h5", link + 0.001 * rng.normal(size=len(link)))
    words = ("--gauge", 120, "--resistor", 59880)
    ran = steadypull("shunt", path, *words, "--off", 1, "--on", 6, "--json").json

    assert ran["verdict"] == "good"
    assert ran["factor"] == pytest.approx(1.0, abs=0.005)
    assert "wrong way" in steadypull("shunt", path, *words, "--off", 6, "--on", 1).err
    assert "either" in steadypull("shunt", *words).err
    assert steadypull("shunt", *words, "--moved", "-0.46").out.splitlines()[1].startswith("off:")
    assert "up to a gigaohm" in steadypull("shunt", "--gauge", 120, "--resistor", 1e11, "--moved", "-0.5").error


def test_zero_is_taken_in_a_session_with_its_raw_part_alone(steadypull, held) -> None:
    """A tool that knows the raw part alone leaves the tables out; a zero makes its own."""
    with h5py.File(held, "r+") as file:
        for name in ("holds", "pinned", "pulls", "zeros", "events", "live", "calibrations"):
            del file[name]

    assert steadypull("zero", held, "--from", 1, "--to", 4).code == 0

    with h5py.File(held) as file:
        assert [(row["start_s"], row["end_s"]) for row in file["zeros"][:]] == [(1.0, 4.0)]


def test_a_sway_far_below_what_the_link_carries_is_no_motion(steadypull, tmp_path) -> None:
    """A quiet amplifier shows a sway of 0.1 % of the load in the drive that follows: the car stands. The same sway
    with nothing behind it to measure it by is refused."""
    rng = np.random.default_rng(2)
    t = np.arange(round(60 * RATE)) / RATE
    still = 0.05 + 0.0008 * np.sin(2 * t) + 0.0003 * rng.normal(size=len(t))
    driven = np.where(t < 20, still, still + 0.8 * np.sin(0.3 * (t - 20)))
    for name, link in (("driven.h5", driven), ("still.h5", still)):
        path = session(tmp_path / name, link)
        with h5py.File(path, "r+") as file:
            del file["pulls"], file["live"]

    assert steadypull("zero", tmp_path / "driven.h5", "--from", 1, "--to", 8).code == 0
    assert "taken while moving" in steadypull("zero", tmp_path / "still.h5", "--from", 1, "--to", 8).err


@pytest.fixture
def waiting(tmp_path):
    """A car that idles for 12 s, drives to 4 900 rpm and idles again; the link is loaded only while it drives."""
    rng = np.random.default_rng(5)
    idle, drive = 200 * 12, 200 * 8
    rise = 4000.0 * np.sin(np.pi * np.arange(drive) / drive) + 900.0
    rpm = np.concatenate((np.full(idle, 900.0), rise, np.full(idle, 900.0)))
    link = np.concatenate((np.full(idle, 0.030), np.full(drive, 0.5) * rise / 4900.0, np.full(idle, 0.031)))
    return session(tmp_path / "waiting.h5", link + 0.004 * rng.normal(size=len(link)), rpm)


def test_a_session_proposes_its_own_standing_stretch(steadypull, waiting) -> None:
    """It is shown, and taken where a person says that the car stood as it must."""
    ran = steadypull("zero", waiting, "--standing", "--json", stdin="y\n")

    assert ran.code == 0, ran.err
    assert "in neutral, brakes off, on the level" in ran.err
    assert ran.json["start_s"] < ran.json["end_s"] <= 12.0 or ran.json["start_s"] >= 20.0
    assert ran.json["mean"] == pytest.approx(0.0305, abs=0.001)
    assert ran.json["confirmed"]
    assert steadypull("zero", waiting, "--standing", "--yes").code == 2  # the same stretch again overlaps


def test_without_an_answer_the_zero_is_wider_and_that_is_said(steadypull, waiting) -> None:
    """Nobody said that no gear, brake or slope was in it."""
    ran = steadypull("zero", waiting, "--standing", stdin="")
    stated = zeros(waiting)[0]["doubt"]

    assert ran.code == 0, ran.err
    assert "wider" in ran.out
    assert stated > 10 * 0.004 / 2000**0.5


def test_a_no_takes_no_zero(steadypull, waiting) -> None:
    """And the session stays as it was."""
    digest = hashlib.sha256(waiting.read_bytes()).digest()
    ran = steadypull("zero", waiting, "--standing", stdin="n\n")

    assert "no zero taken" in ran.err
    assert hashlib.sha256(waiting.read_bytes()).digest() == digest


def test_a_session_that_never_stands_quietly_proposes_nothing(steadypull, tmp_path) -> None:
    """The load wanders all the time."""
    wander = 0.3 * np.sin(np.arange(4000) / 64.0)
    path = session(tmp_path / "moving.h5", wander, np.full(4000, 900.0))
    ran = steadypull("zero", path, "--standing", "--yes")

    assert ran.code == 2
    assert "no quiet stretch" in ran.err


def test_zero_by_stretch_or_standing_never_both(steadypull, waiting) -> None:
    """One line says which."""
    for words in (("--standing", "--from", 1), ("--from", 1), (), ("--standing", "--rolling")):
        ran = steadypull("zero", waiting, *words)
        assert ran.code == 2
        assert len(ran.err.strip().splitlines()) == 1
