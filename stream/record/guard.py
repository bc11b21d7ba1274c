"""Sessions may come from strangers: what a file declares is checked before anything in it is believed or read.

A session is one file: links out of it, external storage and virtual datasets are refused, wherever they stand. A size
that is declared and not stored is refused before memory is taken for it. What passes here may still be damaged; then
reading it raises, which `session.reading_words` puts into words.
"""

from pathlib import Path
from typing import Any, Final

import h5py
import numpy as np
import numpy.typing as npt

from stream.errors import InputError
from stream.record import layout

_MIB = 1 << 20
_MOST_OBJECTS = 4096  # chosen: a session holds about 30
_DEEPEST = 16  # chosen: /also/NAME/raw/samples is four deep
_MOST_ATTRIBUTES = 256  # of one object; chosen: the root has about 15
_ATTRIBUTE_BYTES = _MIB  # of one attribute; HDF5 keeps up to 64 KiB in an object's header
_HARMLESS_BYTES = 64 * _MIB  # chosen: may be declared by any file, stored or not
_TABLE_BYTES = 512 * _MIB  # chosen: /live/time of a week at 100 Hz
_PACKED = 64  # chosen: measured samples shrink to a twentieth at best under HDF5's own filters
_CHUNK_BYTES = 256 * _MIB  # chosen: a chunk is unpacked whole, and holds half a second
_TEXT_BYTES = 64 * _MIB  # chosen: words of one table; 16 000 events of the longest text
_STORED_WORD = 16  # bytes, with addresses of eight, which is what HDF5 writes
_KNOWN: Final = frozenset({*layout.TABLES, *layout.LIVE, layout.SAMPLES, layout.HISTORY})


def check_file(path: Path, file: Any) -> None:
    """Refuse a file that is not all in itself, or declares more than it holds. Raises InputError."""
    places: dict[tuple[int, int], str] = {}  # object -> the first name it was met by
    waiting = [(file.id, "")]
    _check_attributes(path, file.id, "/")
    while waiting:
        group, inside = waiting.pop()
        if group.get_num_objs() > _MOST_OBJECTS - len(places):
            raise _odd(path, f"{inside or '/'} holds more than {_MOST_OBJECTS} objects")
        for name in list(group):
            where = f"{inside}/{name.decode('utf-8', 'replace')}"
            kind = group.links.get_info(name).type
            if kind == h5py.h5l.TYPE_SOFT:
                continue  # within this file, where what it points to is looked at itself
            if kind != h5py.h5l.TYPE_HARD:
                raise elsewhere(path, where, "is a link to another file")
            item = h5py.h5o.open(group, name)
            about = h5py.h5o.get_info(item)
            met = places.setdefault((about.fileno, about.addr), where)
            if met != where:
                continue  # another name of what was looked at, or a ring
            _check_attributes(path, item, where)
            if isinstance(item, h5py.h5g.GroupID):
                if where.count("/") >= _DEEPEST:
                    raise _odd(path, f"{where} stands more than {_DEEPEST} groups deep")
                waiting.append((item, where))
            elif isinstance(item, h5py.h5d.DatasetID):
                _check_dataset(path, item, where)
    _check_names(path, file)


def _check_dataset(path: Path, item: Any, where: str) -> None:
    plan = item.get_create_plist()
    shape = plan.get_layout()
    if shape == h5py.h5d.VIRTUAL or (shape == h5py.h5d.CONTIGUOUS and plan.get_external_count()):
        raise elsewhere(path, where, "keeps its values in another file")
    name = where.removeprefix("/")
    if name not in _KNOWN and not name.startswith("also/"):
        return  # of another tool; never read here
    size = item.get_type().get_size()
    if shape == h5py.h5d.CHUNKED and _bytes(plan.get_chunk(), size) > _CHUNK_BYTES:
        raise _odd(path, f"{where} is stored in pieces of more than {_CHUNK_BYTES // _MIB} MiB")
    declared = _bytes(item.shape or (), size)
    if declared <= _HARMLESS_BYTES:
        return
    if declared > _PACKED * item.get_storage_size():
        raise _odd(path, f"{where} declares {declared} bytes and stores {item.get_storage_size()}")
    if declared > _TABLE_BYTES and not name.endswith(layout.SAMPLES):
        raise _odd(path, f"{where} declares {declared} bytes, more than a session's tables have")


def _check_attributes(path: Path, item: Any, where: str) -> None:
    count = h5py.h5a.get_num_attrs(item)
    if count > _MOST_ATTRIBUTES:
        raise _odd(path, f"{where} has {count} attributes")
    for number in range(count):
        attribute = h5py.h5a.open(item, index=number)
        if _bytes(attribute.shape or (), attribute.get_type().get_size()) > _ATTRIBUTE_BYTES:
            name = attribute.name.decode("utf-8", "replace")
            raise _odd(path, f"{where} has an attribute {name!r} of more than {_ATTRIBUTE_BYTES // _MIB} MiB")


def _check_names(path: Path, file: Any) -> None:
    """No table may be /raw under another name, or what changes the one would change the other."""
    raw = {_address(file, name) for name in (layout.SAMPLES, layout.GAPS, layout.CLOCK, "raw")} - {None}
    for name in {*_KNOWN, layout.CALIBRATIONS, layout.CONDITIONS, "live"} - {layout.SAMPLES, layout.GAPS, layout.CLOCK}:
        if _address(file, name) in raw:
            raise _odd(path, f"/{name} is what came off the wire under another name")


def _address(file: Any, name: str) -> tuple[int, int] | None:
    try:
        about = h5py.h5o.get_info(file.id, name.encode())
    except (KeyError, RuntimeError):
        return None
    return about.fileno, about.addr


def read_rows(dataset: Any) -> npt.NDArray[Any]:
    """All rows of a table, its words bounded: a few bytes can stand for the same long word again and again.

    Raises ValueError where they are too long, and what h5py raises for damage.
    """
    dtype = dataset.dtype
    words = [name for name in dtype.names or () if dtype[name].hasobject]
    if not words:
        return np.asarray(dataset[:])
    rows = len(dataset)
    longest = dataset.file.id.get_filesize()  # no word is longer than its file
    if rows * len(words) * longest <= _TEXT_BYTES or _declared_text(dataset.id, words) <= _TEXT_BYTES:
        return np.asarray(dataset[:])
    step = max(1, _TEXT_BYTES // (longest * len(words)))
    parts, length = [], 0
    for start in range(0, rows, step):
        part = dataset[start : start + step]
        length += sum(len(word) for name in words for word in part[name])
        if length > _TEXT_BYTES:
            raise ValueError(f"{dataset.name} holds more than {_TEXT_BYTES // _MIB} MiB of text")
        parts.append(part)
    return np.concatenate(parts)


def _declared_text(item: Any, words: list[str]) -> float:
    """Bytes of all words of a table, as its own chunks say them, without one of them being read; infinite where they do
    not. In a stored row a word is its length in four bytes, then where it stands, in twelve (HDF5 File Format
    Specification 3.0, III.N); in memory it is a pointer.
    """
    plan, kind = item.get_create_plist(), item.get_type()
    if plan.get_layout() != h5py.h5d.CHUNKED or plan.get_nfilters() or len(item.shape) != 1:
        return float("inf")
    (rows,), (chunk,) = item.shape, plan.get_chunk()
    places = sorted(kind.get_member_offset(kind.get_member_index(name.encode())) for name in words)
    more = _STORED_WORD - np.dtype(np.intp).itemsize
    size = kind.get_size() + more * len(words)
    total = 0
    for first in range(0, rows, chunk):
        try:
            _, raw = item.read_direct_chunk((first,))
        except (OSError, RuntimeError, ValueError):
            return float("inf")
        if len(raw) != size * chunk:
            return float("inf")
        kept = np.frombuffer(raw, np.uint8).reshape(chunk, size)[: rows - first]
        for number, place in enumerate(places):
            at = place + more * number
            total += int(np.ascontiguousarray(kept[:, at : at + 4]).view("<u4").sum(dtype=np.int64))
    return total


def is_cut_short(path: Path) -> bool:
    """Whether an HDF5 file is shorter than its superblock says it ends (HDF5 File Format Specification 3.0, II.A)."""
    with path.open("rb") as file:
        head = file.read(64)
        length = file.seek(0, 2)
    if len(head) < 64:
        return True
    old = head[8] < 2  # version of the superblock: from 2 on it is packed closer
    width, place = (head[13], 24 + 2 * head[13]) if old else (head[9], 12 + 2 * head[9])
    place += 4 if head[8] == 1 else 0
    return length < int.from_bytes(head[place : place + width], "little")


def _bytes(shape: tuple[int, ...], size: int) -> int:
    """Bytes of an array, in whole numbers that cannot overflow."""
    count = int(size)
    for length in shape:
        count *= int(length)
    return count


def elsewhere(path: Path, where: str, what: str) -> InputError:
    """What is said of a file that is not all in itself."""
    return InputError(f"{path}: {where} {what}; a session is one file, so use the one that was recorded")


def _odd(path: Path, what: str) -> InputError:
    return InputError(f"{path}: {what}; no session is like that, so use the one that was recorded")
