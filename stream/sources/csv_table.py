"""The rows of a CSV log: the numbers of the columns that are needed, and the lines that do not fit."""

import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import datetime
from itertools import islice
from typing import Final, Literal, TextIO

import numpy as np

from stream.errors import InputError
from stream.findings import Finding, warning
from stream.sources.csv_head import MISSING, Header, cells_of, hits_of, opened
from stream.sources.stamp_text import Form, StampReader
from stream.units import Counts, Flags, Floats
from stream.wire.items import FLOAT32_MAX

_CHUNK_ROWS: Final = 16384
_LINES_NAMED: Final = 8  # of those that do not fit
_MOST_LEFT_OUT: Final = 0.01  # of the rows
# "1,234" between commas may be a thousand and more, so it is no number at all
_DECIMAL_COMMA: Final = re.compile(r"[+-]?(?:0,\d{3}|\d*,\d{1,2}|\d*,\d{4,})(?:[eE][+-]?\d+)?")
_THOUSANDS: Final = re.compile(r'(?:(?<=[;\t|])|^)\s*"?[+-]?[1-9]\d{0,2}(?:\.\d{3})+"?\s*(?=$|[;\t|\n])')
_COMMENT: Final = re.compile(r"\s#\s.*$|\s#[^\d#/]*$")


@dataclass(frozen=True, slots=True)
class BadLine:
    """A line that is left out: a wrong count of `cells`, or a `column` with a `text` that does not fit."""

    line: int
    reason: Literal["cells", "number", "stamp", "stamp-off-line"]
    column: str = ""
    text: str = ""
    cells: int = 0

    def why(self, header: Header) -> str:
        """The end of an error's line."""
        if self.reason == "cells":
            commas = header.separator == "," and self.cells > len(header.cells)
            hint = "; with decimal commas, separate the columns by semicolons" if commas else ""
            return f": has {self.cells} cells where the header has {len(header.cells)}{hint}"
        said = {
            "number": "is not a number; mend the cell, or leave it empty where nothing was measured",
            "stamp": "is no time stamp like the others; mend it",
            "stamp-off-line": "is a time stamp far off the line of those before and behind it; mend it",
        }[self.reason]
        return f", column {self.column!r}: {self.text!r} {said}"


@dataclass(slots=True)
class LeftOut:
    """The lines of a log that do not fit."""

    header: Header
    bad: list[BadLine] = field(default_factory=list)

    @property
    def first(self) -> BadLine:
        """The one nearest to the log's beginning."""
        return min(self.bad, key=lambda bad: bad.line)

    def check(self, rows: int) -> None:
        """Raises InputError, naming the first one, where more than one row in a hundred of `rows` is left out."""
        if len(self.bad) <= _MOST_LEFT_OUT * rows:
            return
        first = self.first
        count = f"; {len(self.bad)} of {rows} rows do not fit, and at most 1 in 100 is left out"
        raise InputError(f"{self.header.path}: line {first.line}{first.why(self.header)}{count}", "lines-do-not-fit")


@dataclass(slots=True)
class Table:
    """The needed columns of a log.

    values      float64 (rows, columns), NaN for missing cells
    stamps      (rows,) as read: numbers in the column's own unit, date-times in seconds since `began`, times of day
                in seconds since midnight; None where no time column was asked for
    form        which of these
    lines       (rows,) the number of each row's line
    left_out    lines that do not fit
    headers     how often the header stands again further down
    cut_off     the line of a last row that is cut off, 0 where it is whole
    """

    values: Floats
    stamps: Floats | None
    form: Form | None
    lines: Counts
    left_out: LeftOut
    headers: int
    cut_off: int
    began: datetime | None


@dataclass(frozen=True, slots=True)
class _Layout:
    """Where the needed columns stand, and the counts of cells that a row may have."""

    places: tuple[int, ...]
    time: int | None
    widths: frozenset[int]

    @property
    def needed(self) -> tuple[int, ...]:
        return self.places if self.time is None else (*self.places, self.time)


class _Rows:
    """Reads chunk after chunk of lines into arrays."""

    def __init__(self, header: Header, layout: _Layout) -> None:
        self.header, self.layout = header, layout
        self.stamps = StampReader()
        self.left_out = LeftOut(header)
        self.headers = 0
        self.cut_off = 0
        self.parts: list[tuple[Floats, Floats | None, Counts]] = []
        self._names = [header.cells[place] for place in layout.places]
        self._time_name = "" if layout.time is None else header.cells[layout.time]
        self._known = frozenset(header.cells)

    def take(self, texts: list[str], numbers: Counts, *, last: bool) -> None:
        """Lines with their numbers; `last` where the file ends with them."""
        if self.header.separator != ",":
            self._refuse_thousands(texts, numbers)
        if not self._quickly(texts, numbers):
            self._slowly(texts, numbers, last=last)

    def _refuse_thousands(self, texts: list[str], numbers: Counts) -> None:
        """Raises InputError where a value has a dot as of thousands beside decimal commas: 2.345 may be both."""
        for text, line in zip(texts, numbers.tolist(), strict=True):
            if "," not in text or _THOUSANDS.search(text) is None:
                continue
            cells = text.rstrip("\n").split(self.header.separator)
            for place, name in zip(self.layout.places, self._names, strict=True):
                if place < len(cells) and _THOUSANDS.fullmatch(cells[place]):
                    raise InputError(
                        f"{self.header.path}: line {line}, column {name!r}: {cells[place].strip()!r} in a log with "
                        "decimal commas may be thousands or a decimal; write numbers without marks for thousands",
                        "thousands-or-decimal",
                    )

    def _quickly(self, texts: list[str], numbers: Counts) -> bool:
        """All lines at once by numpy's own reader, where each is a full row of plain numbers."""
        separator, layout = self.header.separator, self.layout
        if self.stamps.form not in (None, "number") or len(layout.widths) > 1:
            return False
        (width,) = layout.widths
        counts = {line.count(separator) for line in texts}
        ended = counts == {width} and all(line.rstrip(" \n").endswith(separator) for line in texts)
        if counts != {width - 1} and not ended:
            return False
        if separator != ",":
            texts = [line.replace(",", ".") for line in texts]
        try:
            table = np.loadtxt(texts, delimiter=separator, usecols=layout.needed, comments=None, ndmin=2)
        except ValueError:
            return False
        if len(table) != len(texts):
            return False
        stamps: Floats | None = None
        if layout.time is not None:
            stamps = table[:, -1]
            if not np.isfinite(stamps).all():
                return False
            self.stamps.form = "number"
        self.parts.append((_in_range(table[:, : len(layout.places)]), stamps, numbers))
        return True

    def _slowly(self, texts: list[str], numbers: Counts, *, last: bool) -> None:
        """Line by line: what is no row is told from what should be one."""
        rows: list[list[str]] = []
        lines: list[int] = []
        blanks: list[int] = []
        for at, (text, line) in enumerate(zip(texts, numbers.tolist(), strict=True)):
            stripped = text.strip()
            if not stripped:
                blanks.append(line)
                continue
            if stripped.startswith("#"):
                continue
            if len(self.header.cells) == 1:  # nothing was measured in the blank lines before
                rows += [[""] for _ in blanks]
                lines += blanks
            blanks.clear()
            if stripped in self.header.no_rows and not all(map(_is_number, self._split(text))):
                self.headers += stripped == self.header.text
                continue
            cells = self._fitted(text)
            if cells is None or cells[self.layout.places[0]].strip() in self._known:
                moved = self._moved(self._split(text), line)
                if moved is not None:
                    self._cells(rows, lines)
                    self.headers += 1
                    self.layout = moved
                    self.take(texts[at + 1 :], numbers[at + 1 :], last=last)
                    return
            if cells is not None:
                rows.append(cells)
                lines.append(line)
                continue
            count = len(self._split(text))
            if last and line == numbers[-1] and count < len(self.header.cells):
                self.cut_off = line
            else:
                self.left_out.bad.append(BadLine(line, "cells", cells=count))
        if len(self.header.cells) == 1 and not last:
            rows += [[""] for _ in blanks]
            lines += blanks
        self._cells(rows, lines)

    def _split(self, text: str) -> list[str]:
        if self.header.separator != ",":
            text = text.replace(",", ".")
        if '"' not in text:
            return text.rstrip("\n").split(self.header.separator)
        return cells_of(text, self.header.separator)

    def _fitted(self, text: str) -> list[str] | None:
        """The cells of a row, None where their count is wrong; empty ones too many, and a comment, are dropped."""
        most = max(self.layout.widths)
        found = _COMMENT.search(text) if "#" in text else None
        for part in (text, text[: found.start()]) if found else (text,):
            cells = self._split(part)
            while len(cells) > most and not cells[-1].strip():
                cells = cells[:-1]
            if len(cells) in self.layout.widths:
                return cells
        return None

    def _moved(self, row: list[str], line: int) -> _Layout | None:
        """The layout that a header in mid file asks for; None where the row is none.

        Raises InputError where it lacks a column that is needed.
        """
        cells = [cell.strip() for cell in row]
        known = sum(cell in self._known for cell in cells)
        if known < 2 or 2 * known < len(self.header.cells) or any(map(_is_number, cells)):
            return None
        wanted = [*self._names, self._time_name] if self.layout.time is not None else self._names
        places = [hits_of(cells, name) for name in wanted]
        for name, hits in zip(wanted, places, strict=True):
            if len(hits) != 1:
                raise InputError(
                    f"{self.header.path}: line {line}: another header, without column {name!r}; "
                    "cut the log there and give each part a car file of its own",
                    "another-header",
                )
        found = [hits[0] for hits in places]
        while cells and not cells[-1]:
            cells.pop()
        time = found.pop() if self.layout.time is not None else None
        return _Layout(tuple(found), time, frozenset({len(cells)}))

    def _cells(self, rows: list[list[str]], numbers: list[int]) -> None:
        if not rows:
            return
        lines = np.array(numbers, dtype=np.int64)
        wrong: Flags = np.zeros(len(rows), dtype=np.bool_)
        columns = []
        for place, name in zip(self.layout.places, self._names, strict=True):
            cells = [row[place] for row in rows]
            column, bad = _numbers(cells)
            self._leave_out("number", name, cells, lines, bad & ~wrong)
            wrong |= bad
            columns.append(column)
        stamps: Floats | None = None
        if self.layout.time is not None:
            cells = [row[self.layout.time] for row in rows]
            stamps, bad = self.stamps.read(cells)
            self._leave_out("stamp", self._time_name, cells, lines, bad & ~wrong)
            wrong |= bad
        values = _in_range(np.column_stack(columns))
        self.parts.append((values[~wrong], None if stamps is None else stamps[~wrong], lines[~wrong]))

    def _leave_out(
        self, reason: Literal["number", "stamp"], name: str, cells: list[str], lines: Counts, bad: Flags
    ) -> None:
        for row in np.flatnonzero(bad).tolist():
            self.left_out.bad.append(BadLine(int(lines[row]), reason, name, cells[row].strip()[:40]))


def lines_left_out(left_out: LeftOut, rows: int) -> list[Finding]:
    """What is to be said of the lines that do not fit, with the numbers of the first ones."""
    bad = sorted(left_out.bad, key=lambda line: line.line)
    if not bad:
        return []
    first = bad[0]
    return [
        warning(
            "lines-left-out",
            count=len(bad),
            rows=rows,
            lines=tuple(float(one.line) for one in bad[:_LINES_NAMED]),
            reason=first.reason,
            column=first.column,
            text=first.text,
            cells=first.cells,
            wanted=len(left_out.header.cells),
        )
    ]


def _in_range(values: Floats) -> Floats:
    with np.errstate(invalid="ignore"):
        return np.where(np.abs(values) <= FLOAT32_MAX, values, np.nan)


def _numbers(cells: list[str]) -> tuple[Floats, Flags]:
    """(numbers, NaN for missing cells; which cells are neither)"""
    wrong = np.zeros(len(cells), dtype=np.bool_)
    try:
        if not any("_" in cell for cell in cells):
            return np.fromiter(map(float, cells), np.float64, len(cells)), wrong
    except ValueError:
        pass
    out = np.full(len(cells), np.nan)
    for row, cell in enumerate(cells):
        number = _number(cell)
        if number is None:
            wrong[row] = True
        else:
            out[row] = number
    return out, wrong


def _number(cell: str) -> float | None:
    """The number in a cell, NaN where nothing was measured, None where it is no number."""
    text = cell.strip()
    if text.casefold() in MISSING:
        return np.nan
    try:
        return None if "_" in text else float(text.replace(",", ".") if _DECIMAL_COMMA.fullmatch(text) else text)
    except ValueError:
        found = _COMMENT.search(text)
        return _number(text[: found.start()]) if found else None


def _is_number(cell: str) -> bool:
    number = _number(cell)
    return number is not None and not np.isnan(number)


def read_table(header: Header, places: list[int], time_place: int | None) -> Table:
    """Read the columns at `places`, and the stamps. What does not fit is left out; whether it is too much is for the
    caller to ask, once it is known which stamps do not fit either.

    Raises InputError that names line and column.
    """
    rows: _Rows | None = None
    with opened(header.path, header.encoding) as text:
        for lines, numbers, last in _chunks(text, header):
            if rows is None:
                rows = _Rows(header, _layout(header, lines, places, time_place))
            rows.take(lines, numbers, last=last)
    if rows is None or not (rows.parts or rows.left_out.bad):
        raise InputError(f"{header.path}: has a header line and no rows; nothing was logged")
    if not rows.parts:
        rows.left_out.check(len(rows.left_out.bad))
    return Table(
        values=np.concatenate([part[0] for part in rows.parts]),
        stamps=None if time_place is None else np.concatenate([part[1] for part in rows.parts if part[1] is not None]),
        form=rows.stamps.form,
        lines=np.concatenate([part[2] for part in rows.parts]),
        left_out=rows.left_out,
        headers=rows.headers,
        cut_off=rows.cut_off,
        began=rows.stamps.began,
    )


def _layout(header: Header, lines: list[str], places: list[int], time_place: int | None) -> _Layout:
    """Rows have as many cells as the header; where most are shorter and yet have all that is needed, these fit too."""
    width = len(header.cells)
    layout = _Layout(tuple(places), time_place, frozenset({width}))
    counts = [len(cells_of(line, header.separator)) for line in lines[:200] if line.strip()]
    usual = max(set(counts), key=counts.count) if counts else width
    if max(layout.needed) < usual < width:
        layout = replace(layout, widths=frozenset({usual, width}))
    return layout


def _chunks(text: TextIO, header: Header) -> Iterator[tuple[list[str], Counts, bool]]:
    """(lines, their numbers, whether the file ends there), from the first row on; blank lines at its end are gone."""
    first = header.first_row
    lines = list(islice(text, first - 1, first - 1 + _CHUNK_ROWS))
    while lines:
        more = list(islice(text, _CHUNK_ROWS))
        while not more and lines and not lines[-1].strip():
            lines.pop()
        if lines:
            yield lines, np.arange(first, first + len(lines), dtype=np.int64), not more
        first += _CHUNK_ROWS
        lines = more
