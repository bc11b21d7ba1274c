"""What hostile input may do, as rules that a run checks: on the wire, and in every kind of file that people hand over.

The suite runs some of it (`test_fuzzing.py`), `tests/bench/fuzz.py` all.
"""

from collections.abc import Callable
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np

from stream.block import Block, ChannelInfo, StreamInfo
from stream.calibrate.speed.calfile import dump_calibration, load_calibration
from stream.car import Car, load_car
from stream.errors import InputError, SteadypullError
from stream.record.journal import JournalReader
from stream.record.names import journal_path
from stream.record.session import open_session
from stream.record.summary import summarise
from stream.record.writer import SessionWriter
from stream.sources.csvlog import CsvSource
from stream.study.dataset import open_dataset
from stream.study.tables.user_table import read_advance, read_fuel, read_target
from stream.wire.encode import encode_description, encode_samples
from stream.wire.items import MAX_LOST, Item, WireChannel
from stream.wire.sniff import WireDecoder
from stream.wire.text import TextDecoder
from tests.drives import CAR, RPM_AT_0V, RPM_PER_V, Plan
from tests.hostile import flipped, spoilt_wire, torn
from tests.sessions import STARTED, write_session

ROOT = Path(__file__).parents[1]
REPLAY = ROOT / "replay_files"
ROWS, PARTS = 10, 120  # samples a frame, frames a case
EXPECTED = (ChannelInfo("speed_v", "V"), ChannelInfo("link", "mV/V"))
FAR = 1_200_000_000  # ns: past the second after which lines are taken for text
TABLE = "kPa\\rpm,1000,2000,3000\n40,1,1,1\n60,0.9,0.9,0.95\n100,0.88,0.88,0.9\n"
ADVANCE = "tune,rpm,advance\nheron,2000,20\nheron,6000,28\nplover,2000,22\nplover,6000,30\n"


class BrokenRuleError(AssertionError):
    """What was seen that no input may do."""


# -- the wire ---------------------------------------------------------------------------------------------------------


@cache
def framed() -> tuple[bytes, ...]:
    """A description and frames; each sample's first value is its number."""
    head = encode_description(
        0, "fuzz", 1000.0, [WireChannel(channel.name, channel.unit) for channel in EXPECTED], "f32"
    )
    parts = [head]
    for number in range(PARTS):
        first = number * ROWS
        rows = np.column_stack([np.arange(first, first + ROWS), np.zeros(ROWS)]).astype(np.float32)
        parts.append(encode_samples(number + 1, first, first * 1000, rows))
        if number % 40 == 39:
            parts.append(head)
    return tuple(parts)


@cache
def spoken() -> tuple[bytes, ...]:
    """A line of names and lines of numbers; each line's second value is its number."""
    return (b"t[ms],speed_v,link\n", *(b"%d,%d,0.5\n" % (number, number) for number in range(2 * PARTS * ROWS)))


def wire_case(seed: int) -> int:
    """One case through the decoders, cut in two ways; returns its bytes. Raises BrokenRuleError."""
    frames = bool(seed % 2)
    data, cuts = spoilt_wire(framed() if frames else spoken(), seed)
    known = not frames and seed % 4 == 0  # lines for which the wire is known to be text
    first = decoded(data, cuts, known)
    again = decoded(data, [*range(0, len(data), 997), len(data)], known)
    if _bits(first) != _bits(again):
        raise BrokenRuleError(f"wire {seed}: another split of the bytes gave other samples")
    _check_count(first or [], seed)
    if frames:
        _check_values(first or [], seed)
    return len(data)


def decoded(data: bytes, cuts: list[int], known: bool) -> list[Item] | None:
    """What comes of the bytes, cut so; None where they are refused in words."""
    decoder = TextDecoder(EXPECTED, frozenset(), 1000.0) if known else WireDecoder(EXPECTED, frozenset(), 1000.0)
    items: list[Item] = []
    try:
        for start, end in pairwise(cuts):
            items += decoder.feed(data[start:end], 1)
        items += decoder.feed(b"", 1 + FAR)
    except InputError:
        return None
    return items


def _bits(items: list[Item] | None) -> object:
    if items is None:
        return None
    merged: list[tuple[int, int, bool, list[bytes]]] = []
    end = -1
    for block in (item for item in items if isinstance(item, Block)):
        if merged and block.first == end and not block.lost and not block.restarted:
            merged[-1][3].append(block.samples.tobytes())
        else:
            merged.append((block.first, block.lost, block.restarted, [block.samples.tobytes()]))
        end = block.end
    return [(*head, b"".join(rest)) for *head, rest in merged]


def _check_count(items: list[Item], seed: int) -> None:
    """The count never turns back, and moves on by what came and what was lost alone."""
    end = 0
    for block in (item for item in items if isinstance(item, Block)):
        if block.first != end + block.lost or not 0 <= block.lost <= MAX_LOST or not len(block):
            raise BrokenRuleError(f"wire {seed}: {block.first} after {end}, {block.lost} lost, {len(block)} rows")
        end = block.end


def _check_values(items: list[Item], seed: int) -> None:
    """What passed its CRC is what was sent; without a restart it stands where its own number says."""
    blocks = [item for item in items if isinstance(item, Block)]
    sent = np.concatenate([block.samples[:, 0] for block in blocks]) if blocks else np.empty(0)
    if not np.isin(sent, np.arange(PARTS * ROWS)).all():
        raise BrokenRuleError(f"wire {seed}: a sample that was never sent")
    if not any(block.restarted for block in blocks):
        place = np.concatenate([np.arange(block.first, block.end) for block in blocks]) if blocks else sent
        if len(np.unique(sent - place)) > 1:
            raise BrokenRuleError(f"wire {seed}: samples moved against each other")


# -- files ------------------------------------------------------------------------------------------------------------


def _session(path: Path) -> None:
    with open_session(path) as session:
        _ = session.holds, session.pulls, session.pinned, session.zeros, session.events, session.gaps
    with open_dataset(path) as data:
        _ = data.time_s, data.speed_rpm, data.load, data.holds, data.pulls
    summarise(path)


def _journal(path: Path) -> None:
    with JournalReader(path) as reader:
        for _ in reader.items():
            pass


def _log(path: Path) -> None:
    source = CsvSource(path, _log_car())
    source.open()
    while not source.finished:
        source.read(0.1)


@cache
def _log_car() -> Car:
    return load_car(REPLAY / "hold_log.toml")


READERS: dict[str, Callable[[Path], object]] = {
    "session.h5": _session,
    "a.h5.journal": _journal,
    "log.csv": _log,
    "car.toml": load_car,
    "speed.toml": load_calibration,
    "target.csv": read_target,
    "fuel.csv": read_fuel,
    "advance.csv": read_advance,
}
# How often each comes, of sixteen files.
TURNS = tuple(
    name
    for name, times in (
        ("session.h5", 2),
        ("a.h5.journal", 2),
        ("log.csv", 3),
        ("car.toml", 3),
        ("speed.toml", 2),
        ("target.csv", 1),
        ("fuel.csv", 1),
        ("advance.csv", 2),
    )
    for _ in range(times)
)


def file_case(folder: Path, seeds: dict[str, bytes], seed: int) -> str:
    """One spoilt file of one kind through what reads it; returns 'kind: read' or 'kind: refused'.

    Whatever else is raised breaks the rule; who calls watches time and memory.
    """
    name = TURNS[seed % len(TURNS)]
    data = seeds[name]
    path = folder / name
    binary = name.endswith((".h5", ".journal"))
    path.write_bytes(flipped(data, seed) if binary else torn(data.decode(), seed))
    try:
        READERS[name](path)
    except SteadypullError as error:
        if "\n" in str(error) or not str(error):
            raise BrokenRuleError(f"file {seed}: an error of no line or of several: {error!r}") from error
        return f"{name}: refused"
    return f"{name}: read"


def make_seeds(folder: Path) -> dict[str, bytes]:
    """The sound files that cases are made of; the session and the journal are made in the folder."""
    plan = Plan(3, 100.0).hold(2000, 5).ramp(3000, 800).hold(3000, 5)
    volts = ((plan.rpm - RPM_AT_0V) / RPM_PER_V).astype(np.float32)
    samples = np.column_stack([volts, np.full_like(volts, 0.1)])
    text = CAR.format(slope=RPM_PER_V, zero=RPM_AT_0V)
    session = write_session(folder / "seed.h5", samples, 100.0, text, gaps={300: 40})
    info = StreamInfo(100.0, EXPECTED)
    writer = SessionWriter(folder / "cut.h5", info, text, tune="heron", started_utc=STARTED)
    for start in range(0, len(samples), 50):
        writer.append(Block(samples[start : start + 50], start, 100.0))
    writer.abandon()
    with open_dataset(REPLAY / "hold_drive.h5") as data:
        calibration = data.calibration
    if calibration is None:
        raise RuntimeError("the replay file has lost its calibration")
    log = (REPLAY / "hold_log.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    return {
        "session.h5": session.read_bytes(),
        "a.h5.journal": journal_path(writer.path).read_bytes(),
        "log.csv": "".join(log[:400]).encode(),
        "car.toml": (REPLAY / "hill_climb_special.toml").read_bytes(),
        "speed.toml": dump_calibration(calibration).encode(),
        "target.csv": TABLE.encode(),
        "fuel.csv": TABLE.encode(),
        "advance.csv": ADVANCE.encode(),
    }
