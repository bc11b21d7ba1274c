"""The head of a CSV log: encoding, separator, the header line among what stands before it, and the units under it."""

import csv
import gzip
import io
import re
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, TextIO

from stream.errors import InputError

_HEAD_BYTES: Final = 65536
_HEAD_LINES: Final = 1000  # a header stands among these
_UNIT_ROWS: Final = 3  # rows without a number that may stand under a header: units, types, remarks
_UNIT: Final = re.compile(r"\s*(?:\[(?P<square>[^\]]*)\]|\((?P<round>[^)]*)\))\s*$")
_SEPARATORS: Final = (";", "\t", ",")
_DECLARED: Final = re.compile(r'\s*"?sep=(.)"?\s*', re.IGNORECASE)
_VALUE: Final = re.compile(r"[+-]?[\d.,]*\d[\d.,]*(?:[eE][+-]?\d+)?|\d+[:.\-/]\d+[:.\-/]\d+.*|\d+:\d+\S*")
MISSING: Final = frozenset({"", "-", "--", "---", "nan", "na", "n/a", "#n/a", "null", "none"})
PACKED = 64  # a log of numbers shrinks to a tenth; chosen
HARMLESS_BYTES = 64 << 20


@dataclass(frozen=True, slots=True)
class Header:
    """The header line of a log.

    cells      as written; `units` those of a row under it, both in the order of the columns
    line       the number of its line; `first_row` that of the line behind header and units
    no_rows    lines of the head that are no rows, stripped: they are none further down either
    text       the header line itself, stripped
    """

    path: Path
    cells: tuple[str, ...]
    separator: str
    line: int
    encoding: str
    first_row: int
    units: tuple[str, ...] = ()
    no_rows: frozenset[str] = frozenset()
    text: str = ""

    def find(self, column: str) -> int:
        """The place of a column: its cell as written, or less a unit in brackets, or in other letter case.

        Raises InputError where there is none, listing what there is, or more than one.
        """
        hits = hits_of(self.cells, column)
        if len(hits) == 1:
            return hits[0]
        if hits:
            raise InputError(
                f"{self.path}: line {self.line}: column {column!r} names {len(hits)} columns; rename one",
                "column-twice",
            )
        have = ", ".join(repr(cell[:40]) for cell in self.cells[:40])
        raise InputError(
            f"{self.path}: line {self.line}: no column {column!r}; the header has {have}; "
            f"set 'column' of that channel in the car file",
            "no-column",
        )

    def has(self, column: str) -> bool:
        """Whether the header has a column of this name, and only one."""
        return len(hits_of(self.cells, column)) == 1

    def unit(self, place: int) -> str:
        """The unit written in brackets behind a column's name, or under it; '' where there is none."""
        found = _UNIT.search(self.cells[place])
        own = (found["square"] or found["round"] or "").strip() if found else ""
        return own or (self.units[place] if place < len(self.units) else "")


def hits_of(cells: Sequence[str], column: str) -> list[int]:
    """The places at which a column stands in a header: as written, else less its unit, else in other letter case."""
    wanted = column.strip()
    tests = (
        [cell == wanted for cell in cells],
        [_bare(cell) == wanted for cell in cells],
        [_bare(cell).casefold() == _bare(wanted).casefold() for cell in cells],
    )
    hits = next((test for test in tests if any(test)), [])
    return [place for place, hit in enumerate(hits) if hit]


def _bare(cell: str) -> str:
    return _UNIT.sub("", cell).strip()


class _Bounded(io.RawIOBase):
    """What a packed log holds, up to so many bytes: a small file can be packed so that it fills any memory."""

    def __init__(self, path: Path, inner: gzip.GzipFile, most: int) -> None:
        self._path, self._inner, self._left = path, inner, most

    def readable(self) -> bool:
        """It is."""
        return True

    def readinto(self, buffer: Any, /) -> int:
        """The next bytes. Raises InputError once more have come than a log can be packed to."""
        data = self._inner.read1(len(buffer))
        buffer[: len(data)] = data
        self._left -= len(data)
        if self._left < 0:
            raise InputError(
                f"{self._path}: unpacks to over {PACKED} times its size, as no log does; give the log itself"
            )
        return len(data)


@contextmanager
def opened(path: Path, encoding: str) -> Iterator[TextIO]:
    """The log as text, unpacked where it is gzip. Raises InputError for what cannot be read."""
    try:
        with path.open("rb") as raw:
            packed = raw.read(2) == b"\x1f\x8b"
        if packed:
            most = PACKED * path.stat().st_size + HARMLESS_BYTES
            with path.open("rb") as raw:
                raw.seek(-4, io.SEEK_END)  # RFC 1952, 2.3.1: ISIZE, of the last member, modulo 2^32
                said = int.from_bytes(raw.read(4), "little")
            if said > most:  # or it is cut off: unpack it once before a row is read
                with gzip.open(path) as inner, _Bounded(path, inner, most) as all_of_it:
                    while all_of_it.read(1 << 20):
                        pass
            with gzip.open(path) as inner:
                yield io.TextIOWrapper(io.BufferedReader(_Bounded(path, inner, most)), encoding, "replace")
        else:
            with path.open(encoding=encoding, errors="replace") as text:
                yield text
    except FileNotFoundError:
        raise InputError(f"{path}: no such file; check the name") from None
    except IsADirectoryError:
        raise InputError(f"{path}: is a folder; give the log in it") from None
    except (EOFError, zlib.error, gzip.BadGzipFile) as error:
        raise InputError(f"{path}: the gzip file is damaged or cut off ({error}); copy it again") from None
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}); check its permissions") from None


def cells_of(line: str, separator: str) -> list[str]:
    """The cells of one line, quotes taken off; none for a blank line."""
    try:
        return next(csv.reader([line], delimiter=separator, skipinitialspace=True), [])
    except csv.Error:  # a cell longer than any
        return [line]


def _names_of(line: str, separator: str) -> tuple[str, ...]:
    """The cells as names, stripped, without the empty ones that a separator at the line's end makes."""
    cells = [cell.strip() for cell in cells_of(line, separator)]
    while cells and not cells[-1]:
        cells.pop()
    return tuple(cells)


def read_header(path: Path, wanted: Sequence[str]) -> Header:
    """Find the header line: that which holds most of the `wanted` columns, the first of them where several do.

    Raises InputError for what is no CSV log.
    """
    lines, encoding = _head_of(path)
    filled = [number for number, line in enumerate(lines) if line.strip()]
    if not filled:
        raise InputError(f"{path}: is empty; a log has one header line and a row a sample")
    declared = _DECLARED.fullmatch(lines[filled[0]].rstrip("\n"))
    if declared:
        filled = filled[1:]
    marks = (declared[1],) if declared else _SEPARATORS
    at, separator, cells = _best(lines, filled, marks, wanted)
    if not cells or all(_is_value(cell) for cell in cells):
        raise InputError(f"{path}: line {at + 1}: holds no column names; put a header line there", "no-header")
    units, first_row = _units_under(lines, at, separator, len(cells))
    no_rows = frozenset(line.strip() for line in lines[:first_row] if line.strip())
    return Header(path, cells, separator, at + 1, encoding, first_row + 1, units, no_rows, lines[at].strip())


def _head_of(path: Path) -> tuple[list[str], str]:
    """(the first lines, the encoding)"""
    with opened(path, "latin-1") as text:
        head = text.read(_HEAD_BYTES)
    raw = head.encode("latin-1")
    if not raw.strip():
        raise InputError(f"{path}: is empty; a log has one header line and a row a sample")
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise InputError(f"{path}: is UTF-16 text; save it as UTF-8")
    if b"\0" in raw:
        raise InputError(f"{path}: holds binary data, not text; give a CSV log")
    encoding = "utf-8-sig"
    try:
        head = raw[: raw.rfind(b"\n") + 1 or len(raw)].decode(encoding)
    except UnicodeDecodeError:
        encoding = "cp1252"
        head = raw.decode(encoding, errors="replace")
    if not head.strip():  # blank lines, and then one without an end
        head = raw.decode(encoding, errors="replace")
    return list(io.StringIO(head, newline=None))[:_HEAD_LINES], encoding


def _best(
    lines: list[str], filled: list[int], marks: Sequence[str], wanted: Sequence[str]
) -> tuple[int, str, tuple[str, ...]]:
    """(place of the header line, separator, its cells). A comment is a header only where no other line is one."""
    plain = [at for at in filled if not lines[at].lstrip().startswith("#")]
    columns = [_bare(name).casefold() for name in wanted]
    for places in (plain, [at for at in filled if at not in set(plain)]):
        best: tuple[int, int, str, tuple[str, ...]] = (0, 0, "", ())
        for at in places:
            for mark in marks:
                cells = _names_of(lines[at].lstrip().lstrip("#"), mark)
                there = {_bare(cell).casefold() for cell in cells}  # the widest of the tests of `hits_of`
                found = sum(column in there for column in columns)
                if found > best[0]:
                    best = (found, at, mark, cells)
            if best[0] == len(wanted):
                break
        if best[0]:
            _, at, mark, cells = best
            if len(cells) == 1 and len(marks) > 1:  # nothing to tell separators apart by but the rows
                mark = _separator(lines[at], _next_filled(lines, at))
            return at, mark, cells
    return _by_shape(lines, plain or filled or [0], marks)


def _by_shape(lines: list[str], filled: list[int], marks: Sequence[str]) -> tuple[int, str, tuple[str, ...]]:
    """The line of names above the first row of as many numbers; else the first line."""
    for at in filled:
        below = _next_filled(lines, at)
        for mark in marks:
            cells, row = _names_of(lines[at], mark), cells_of(below, mark)
            named = len(cells) > 1 and not any(_is_value(cell) for cell in cells)
            if named and 0 <= len(row) - len(cells) <= 1 and sum(map(_is_value, row)) > len(row) / 2:
                return at, mark, cells
    at = filled[0]
    mark = marks[0] if len(marks) == 1 else _separator(lines[at], _next_filled(lines, at))
    return at, mark, _names_of(lines[at], mark)


def _next_filled(lines: list[str], at: int) -> str:
    return next((line for line in lines[at + 1 :] if line.strip()), "")


def _separator(header: str, sample: str) -> str:
    """What cuts header and first row into as many cells; a semicolon comes before the commas of decimals."""
    counts = {}
    for mark in _SEPARATORS:
        cut = [len(cells_of(line, mark)) for line in (header, sample)]
        counts[mark] = (cut[0] > 1 and abs(cut[1] - cut[0]) <= 1, cut[0] > 1)
    best = max(counts, key=lambda mark: counts[mark])
    return best if counts[best][1] else ","


def _units_under(lines: list[str], at: int, separator: str, width: int) -> tuple[tuple[str, ...], int]:
    """(units of the row under the header, '' each where there is none; index of the line behind it).

    Such a row has as many cells as the header at most, words among them, and no number but the unit 1.
    """
    units: tuple[str, ...] = ()
    behind = at + 1
    rows = 0
    for number in range(at + 1, len(lines)):
        if not lines[number].strip() or lines[number].lstrip().startswith("#"):
            continue
        cells = _names_of(lines[number], separator)
        values = sum(_is_value(cell) for cell in cells if cell != "1")
        words = sum(cell.casefold() not in MISSING for cell in cells) - values
        if values or not words or not 0 < len(cells) <= width or (width > 1 and len(cells) == 1) or rows == _UNIT_ROWS:
            break
        if cells_of(lines[at], separator) == cells_of(lines[number], separator):
            break
        units = units or tuple(cell.strip("[]() ") for cell in cells)
        rows, behind = rows + 1, number + 1
    return units, behind


def _is_value(cell: str) -> bool:
    """Whether a cell is a number or a stamp."""
    text = cell.strip()
    if _VALUE.fullmatch(text):
        return True
    try:
        float(text)
    except ValueError:
        return False
    return text.casefold() not in MISSING
