"""Session files as a stranger might make them: flipped bytes, links for datasets, sizes that nothing stands behind.

Every spoiler takes an open h5py.File (or, for `flipped`, bytes) of a sound session.
"""

import random
import re
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import h5py
import numpy as np

TABLES = ("holds", "pulls", "pinned", "events", "zeros", "raw/gaps", "raw/clock", "live/time", "live/speed")
LINKED = (*TABLES, "raw/samples", "calibrations", "conditions", "heard", "commands", "history", "also/second/raw")
ODD_WORDS = (
    "nan",
    "-1",
    "0",
    "1e308",
    "-1e-308",
    "1e12",
    "9" * 30,
    "\u0663",
    "x",
    "",
    "[",
    "]",
    '"',
    "'",
    "#",
    "=",
    "\0",
)
ODD_LINES = (
    b"t,speed_v,link\n",
    b"t[s],link,speed_v\n",
    b"1e12,1,1\n",
    b"nan,nan,nan\n",
    b"?",
    b"\0",
    b"#" * 300,
    b"a,b\n",
)
FOLLOWED = 64 << 20  # bytes; what a spoilt file declares is many times this


def external_link(name: str, victim: Path) -> Callable[[Any], None]:
    """`name` is in another file."""

    def spoil(file: Any) -> None:
        if name in file:
            del file[name]
        file[name] = h5py.ExternalLink(str(victim), f"/{name}")

    return spoil


def through_a_soft_link(victim: Path) -> Callable[[Any], None]:
    """/holds leads to a group that is in another file."""

    def spoil(file: Any) -> None:
        del file["holds"]
        file["away"] = h5py.ExternalLink(str(victim), "/")
        file["holds"] = h5py.SoftLink("/away/holds")

    return spoil


def external_storage(store: Path) -> Callable[[Any], None]:
    """The samples lie in another file."""

    def spoil(file: Any) -> None:
        kept, shape = dict(file["raw/samples"].attrs), file["raw/samples"].shape
        del file["raw/samples"]
        made = file.create_dataset("raw/samples", shape, "<f4", external=[(str(store), 0, h5py.h5f.UNLIMITED)])
        made.attrs.update(kept)

    return spoil


def virtual(victim: Path) -> Callable[[Any], None]:
    """The samples are a view of another file's."""

    def spoil(file: Any) -> None:
        kept, shape = dict(file["raw/samples"].attrs), file["raw/samples"].shape
        del file["raw/samples"]
        plan = h5py.VirtualLayout(shape, "<f4")
        plan[:] = h5py.VirtualSource(str(victim), "raw/samples", shape)
        file.create_virtual_dataset("raw/samples", plan).attrs.update(kept)

    return spoil


def declared(name: str, rows: int) -> Callable[[Any], None]:
    """`name` says that it has so many rows, and stores none."""

    def spoil(file: Any) -> None:
        old = file[name]
        kept = {key: value for key, value in old.attrs.items() if not key.isupper()}
        dtype, columns = old.dtype, old.shape[1:]
        del file[name]
        made = file.create_dataset(name, (rows, *columns), dtype, maxshape=(None, *columns), chunks=(4096, *columns))
        made.attrs.update(kept)

    return spoil


def packed(name: str, rows: int) -> Callable[[Any], None]:
    """`name` is gigabytes of nothing, packed small."""

    def spoil(file: Any) -> None:
        old = file[name]
        kept, dtype, columns = dict(old.attrs), old.dtype, old.shape[1:]
        del file[name]
        made = file.create_dataset(
            name, (rows, *columns), dtype, maxshape=(None, *columns), chunks=(1 << 20, *columns), compression="gzip"
        )
        made[: 1 << 20] = np.zeros((1 << 20, *columns), dtype)
        made.attrs.update(kept)

    return spoil


def one_word_many_times(file: Any) -> None:
    """A word of 300 kB that 40 000 events share: 12 GB from a file of 2 MB."""
    rows = np.zeros(40_000, file["events"].dtype)
    rows["kind"], rows["text"] = "note", ""
    rows["text"][0] = "x" * 300_000
    del file["events"]
    events = file.create_dataset("events", (len(rows),), rows.dtype, chunks=(4096,), maxshape=(None,))
    events[:] = rows
    # the first row's reference into the heap, written over every other row's, as bytes of the stored chunk: a word is
    # stored as length (4 bytes), address (8) and index (4), HDF5 file format specification, section IV.B
    before = [name for name in rows.dtype.names or () if name in ("time", "kind")]
    offset = sum(16 if rows.dtype[name].hasobject else rows.dtype[name].itemsize for name in before)
    file.flush()
    reference = b""
    for start in range(0, len(rows), 4096):
        _, raw = events.id.read_direct_chunk((start,))
        table = np.frombuffer(raw, np.uint8).reshape(4096, -1).copy()
        reference = reference or table[0, offset : offset + 16].tobytes()
        table[:, offset : offset + 16] = np.frombuffer(reference, np.uint8)
        events.id.write_direct_chunk((start,), table.tobytes())


def second_name_of_raw(file: Any) -> None:
    """/holds is /raw/gaps: what changes the one changes the other."""
    del file["holds"]
    file["holds"] = file["raw/gaps"]


def ring_of_groups(file: Any) -> None:
    """A group that holds itself."""
    file.create_group("ring")
    file["ring/again"] = file["/"]


def deep(file: Any) -> None:
    """Groups in groups, a thousand deep."""
    group = file
    for _ in range(1000):
        group = group.create_group("d")


def flipped(data: bytes, seed: int) -> bytes:
    """One to eight bytes turned over; half the time among the first 8 KiB, where HDF5 keeps what leads to the rest."""
    dice = random.Random(seed)
    spoilt = bytearray(data)
    for _ in range(dice.randint(1, 8)):
        end = min(8192, len(spoilt)) if dice.random() < 0.5 else len(spoilt)
        spoilt[dice.randrange(end)] = dice.randrange(256)
    return bytes(spoilt)


def torn(text: str, seed: int) -> bytes:
    """A text as a disk, a copy or a stranger might leave it: cells, lines and bytes changed, moved, doubled, lost."""
    dice = random.Random(seed)
    lines = text.splitlines(keepends=True)
    for _ in range(dice.randint(1, 6)):
        at = dice.randrange(len(lines))
        what = dice.randrange(7)
        if what == 0:
            lines[at] = re.sub(r"[-+.\w]+", lambda _: dice.choice(ODD_WORDS), lines[at], count=dice.randint(1, 3))
        elif what == 1:
            lines.insert(dice.randrange(len(lines)), lines[at])
        elif what == 2 and len(lines) > 1:
            del lines[at : at + dice.randint(1, 20)]
        elif what == 3:
            lines[at] = lines[at][: dice.randrange(len(lines[at]) + 1)]
        elif what == 4:
            lines[at] = lines[at].translate(str.maketrans(",.=[", dice.choice([";,=[", "\t.=[", ",,:(", "  =["])))
        elif what == 5:
            lines[at] = dice.choice(ODD_WORDS) * dice.choice([1, 3, 400])
        lines = lines or ["\n"]
    data = "".join(lines).encode("utf-8", "surrogatepass")
    return flipped(data, seed) if data and dice.random() < 0.3 else data


def spoilt_wire(parts: Sequence[bytes], seed: int, length: int = 40_000) -> tuple[bytes, list[int]]:
    """(what comes of a device's frames or lines over a bad cable, where it is cut into reads). Parts are lost, doubled,
    swapped, late, torn; bytes are turned over, added or gone; noise comes in between."""
    dice = random.Random(seed)
    level = dice.choice([0.0, 0.002, 0.02, 0.2])  # how bad the cable is
    sent: list[bytes] = []
    late: list[bytes] = []
    for part in parts:
        if dice.random() >= level:
            sent.append(part)
        else:
            what = dice.randrange(7)
            if what == 0:
                sent.extend([part] * dice.randint(2, 4))
            elif what == 1:
                late.append(part)
            elif what == 2:
                sent.append(flipped(part, dice.randrange(1 << 30)))
            elif what == 3:
                sent.append(part[: dice.randrange(len(part))])
            elif what == 4:
                sent += [dice.randbytes(dice.choice([1, 30, 3000])), part]
            elif what == 5:
                sent.append(dice.choice(ODD_LINES) + part)
        if late and dice.random() < 0.1:
            sent.append(late.pop(dice.randrange(len(late))))
    data = b"".join(sent)[:length]
    cuts = sorted(dice.randrange(len(data) + 1) for _ in range(dice.choice([0, 3, 60])))
    return data, [0, *cuts, len(data)]
