"""A CSV log as text: separator, header, and the numbers of the columns that are needed."""

import csv
import gzip
import re
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from itertools import islice
from pathlib import Path
from typing import Final, TextIO

import numpy as np
import numpy.typing as npt

from stream.errors import InputError
from stream.wire.description import FLOAT32_MAX

Floats = npt.NDArray[np.float64]

_HEAD_BYTES: Final = 65536
_CHUNK_ROWS: Final = 65536
_MISSING: Final = frozenset({"", "-", "--", "nan", "na", "n/a", "#n/a", "null", "none"})
# "1,234" between commas may be a thousand and more, so it is no number at all
_DECIMAL_COMMA: Final = re.compile(r"[+-]?(?:0,\d{3}|\d*,\d{1,2}|\d*,\d{4,})(?:[eE][+-]?\d+)?")
_UNIT: Final = re.compile(r"\s*(?:\[(?P<square>[^\]]*)\]|\((?P<round>[^)]*)\))\s*$")
_SEPARATORS: Final = {";": "semicolon", "\t": "tab", ",": "comma"}


@dataclass(frozen=True, slots=True)
class Header:
    """The header line: its cells as written, the separator, the line it is on, and the encoding."""

    cells: tuple[str, ...]
    separator: str
    line: int
    encoding: str

    def find(self, column: str, path: Path) -> int:
        """The place of a column: its cell as written, or less a unit in brackets, or in other letter case.

        Raises InputError where there is none, listing what there is, or more than one.
        """
        wanted = column.strip()
        tries = (
            [cell == wanted for cell in self.cells],
            [_bare(cell) == wanted for cell in self.cells],
            [_bare(cell).casefold() == _bare(wanted).casefold() for cell in self.cells],
        )
        for hits in tries:
            if sum(hits) == 1:
                return hits.index(True)
            if any(hits):
                raise InputError(f"{path}: line {self.line}: column {column!r} names {sum(hits)} columns; rename one")
        have = ", ".join(repr(cell[:40]) for cell in self.cells[:40])
        raise InputError(
            f"{path}: line {self.line}: no column {column!r}; the header has {have}; "
            f"set 'column' of that channel in the car file"
        )

    def unit(self, place: int) -> str:
        """The unit written in brackets behind a column's name, '' where there is none."""
        found = _UNIT.search(self.cells[place])
        return (found["square"] or found["round"] or "").strip() if found else ""


@dataclass(frozen=True, slots=True)
class Table:
    """The needed columns: values float64 (rows, columns), NaN for missing; time, or None; each row's line.

    Time is in the column's own unit, ISO stamps in seconds since the first, which `began` keeps.
    """

    values: Floats
    time_s: Floats | None
    lines: npt.NDArray[np.int64]
    notes: tuple[str, ...]
    began: datetime | None = None


def _bare(cell: str) -> str:
    return _UNIT.sub("", cell).strip()


@contextmanager
def _opened(path: Path, encoding: str) -> Iterator[TextIO]:
    """The log as text, unpacked where it is gzip. Raises InputError for what cannot be read."""
    try:
        with path.open("rb") as raw:
            packed = raw.read(2) == b"\x1f\x8b"
        if packed:
            with gzip.open(path, "rt", encoding=encoding, errors="replace", newline="") as text:
                yield text
        else:
            with path.open(encoding=encoding, errors="replace", newline="") as text:
                yield text
    except FileNotFoundError:
        raise InputError(f"{path}: no such file; check the name") from None
    except IsADirectoryError:
        raise InputError(f"{path}: is a folder; give the log in it") from None
    except (EOFError, zlib.error, gzip.BadGzipFile) as error:
        raise InputError(f"{path}: the gzip file is damaged or cut off ({error}); copy it again") from None
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}); check its permissions") from None
    except csv.Error as error:
        raise InputError(f"{path}: not a CSV log ({error}); check its quotes") from None


def read_header(path: Path) -> Header:
    """Find the header line, the separator and the encoding. Raises InputError for what is no CSV log."""
    with _opened(path, "latin-1") as text:
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
    lines = head.splitlines()
    first = next((number for number, line in enumerate(lines) if line.strip()), None)
    if first is None:
        raise InputError(f"{path}: is empty; a log has one header line and a row a sample")
    sample = next((line for line in lines[first + 1 :] if line.strip()), "")
    separator = _separator(lines[first], sample)
    cells = [cell.strip() for cell in next(csv.reader([lines[first]], delimiter=separator, skipinitialspace=True))]
    while cells and not cells[-1]:
        cells.pop()
    if not cells or all(_is_number(cell) for cell in cells):
        raise InputError(f"{path}: line {first + 1}: holds no column names; put a header line there")
    return Header(tuple(cells), separator, first + 1, encoding)


def _separator(header: str, sample: str) -> str:
    """What cuts header and first row into as many cells; a semicolon comes before the commas of decimals."""
    counts = {}
    for mark in _SEPARATORS:
        cut = [len(next(csv.reader([line], delimiter=mark), [])) for line in (header, sample)]
        counts[mark] = (cut[0] > 1 and abs(cut[1] - cut[0]) <= 1, cut[0] > 1)
    return max(counts, key=lambda mark: counts[mark])


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


class _Cells:
    """Turns one column's cells into numbers, chunk by chunk, and names the cell that is none."""

    def __init__(self, path: Path, header: Header, place: int) -> None:
        self.place = place
        self._path = path
        self._name = header.cells[place]

    def numbers(self, cells: list[str], lines: npt.NDArray[np.int64]) -> Floats:
        """Float64 (n,), NaN for missing cells and for what 32 bits cannot hold."""
        try:
            out = np.fromiter(map(float, cells), np.float64, len(cells))
        except ValueError:
            pairs = zip(cells, lines.tolist(), strict=True)
            out = np.array([self._number(cell, line) for cell, line in pairs], dtype=np.float64)
        out[~(np.abs(out) <= FLOAT32_MAX)] = np.nan
        return out

    def _number(self, cell: str, line: int) -> float:
        text = cell.strip()
        if text.casefold() in _MISSING:
            return np.nan
        try:
            return float(text.replace(",", ".") if _DECIMAL_COMMA.fullmatch(text) else text)
        except ValueError:
            raise InputError(
                f"{self._path}: line {line}, column {self._name!r}: {text[:40]!r} is not a number; "
                "mend the cell, or leave it empty where nothing was measured"
            ) from None

    def stamps(self, cells: list[str], lines: npt.NDArray[np.int64], epoch: list[datetime]) -> Floats:
        """Seconds since the first stamp, kept in `epoch`, from ISO 8601 date-times; NaN where missing."""
        out = np.full(len(cells), np.nan)
        for row, cell in enumerate(cells):
            text = cell.strip()
            if text.casefold() in _MISSING:
                continue
            try:
                stamp = datetime.fromisoformat(text)
                if not epoch:
                    epoch.append(stamp)
                out[row] = (stamp - epoch[0]).total_seconds()
            except (ValueError, TypeError):  # TypeError: with and without a zone in one file
                raise InputError(
                    f"{self._path}: line {int(lines[row])}, column {self._name!r}: {text[:40]!r} is neither "
                    "seconds nor an ISO 8601 date-time like those above; mend the stamp"
                ) from None
        return out


def read_table(path: Path, header: Header, places: list[int], time_place: int | None) -> Table:
    """Read the columns at `places`, and the time column. Raises InputError that names line and column."""
    columns = [_Cells(path, header, place) for place in places]
    clock = _Cells(path, header, time_place) if time_place is not None else None
    values: list[Floats] = []
    times: list[Floats] = []
    numbers: list[npt.NDArray[np.int64]] = []
    epoch: list[datetime] = []
    iso: bool | None = None
    notes: list[str] = []
    with _opened(path, header.encoding) as text:
        for rows, lines in _chunks(text, header, path, notes):
            values.append(
                np.column_stack([column.numbers([row[column.place] for row in rows], lines) for column in columns])
            )
            numbers.append(lines)
            if clock is not None:
                cells = [row[clock.place] for row in rows]
                if iso is None:
                    iso = _looks_like_dates(cells)
                times.append(clock.stamps(cells, lines, epoch) if iso else clock.numbers(cells, lines))
    if not values:
        raise InputError(f"{path}: has a header line and no rows; nothing was logged")
    time_s = np.concatenate(times) if clock is not None else None
    return Table(np.concatenate(values), time_s, np.concatenate(numbers), tuple(notes), epoch[0] if epoch else None)


def _looks_like_dates(cells: list[str]) -> bool:
    first = next((cell.strip() for cell in cells if cell.strip().casefold() not in _MISSING), "0")
    return not _is_number(first.replace(",", "."))


def _chunks(
    text: TextIO, header: Header, path: Path, notes: list[str]
) -> Iterator[tuple[list[list[str]], npt.NDArray[np.int64]]]:
    """Rows as lists of as many cells as the header has, with their lines; blank lines are left out."""
    for _ in range(header.line):
        text.readline()
    source = text if header.separator == "," else (line.replace(",", ".") for line in text)
    reader = csv.reader(source, delimiter=header.separator, skipinitialspace=True)
    width = len(header.cells)
    while True:
        before = header.line + reader.line_num
        rows = list(islice(reader, _CHUNK_ROWS))
        if not rows:
            return
        lines = np.arange(before + 1, before + 1 + len(rows), dtype=np.int64)
        if set(map(len, rows)) != {width}:
            last = len(rows) < _CHUNK_ROWS
            kept = [_fit(row, int(line), header, path) for row, line in zip(rows, lines, strict=True)]
            if last and width > 1 and 0 < len(rows[-1]) < width:
                notes.append(f"line {int(lines[-1])}: the last row is cut off and left out")
                kept[-1] = None
            while width == 1 and last and kept and not rows[len(kept) - 1]:
                kept.pop()
            lines = lines[: len(kept)][[row is not None for row in kept]]
            rows = [row for row in kept if row is not None]
        if rows:
            yield rows, lines


def _fit(row: list[str], line: int, header: Header, path: Path) -> list[str] | None:
    """A row with as many cells as the header; a short one is filled up, a blank line is None."""
    width = len(header.cells)
    if len(row) == width:
        return row
    if not any(cell.strip() for cell in row) and len(row) <= 1 < width:
        return None
    while len(row) > width and not row[-1].strip():
        row = row[:-1]
    if len(row) > width:
        comma = "with decimal commas, separate the columns by semicolons"
        hint = comma if header.separator == "," else "mend it"
        raise InputError(f"{path}: line {line}: has {len(row)} cells where the header has {width}; {hint}")
    return row + [""] * (width - len(row))
