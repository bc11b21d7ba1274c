"""Numbers out of text lines of a known layout: many at once where all is well, else one by one."""

import io
from types import GenericAlias

import msgspec
import numpy as np

from stream.units import Floats

_NUMERALS = b"0123456789+-.eE,; \t\naAfFiInNtTyY"  # all that lines of numbers, 'nan' and 'inf' are made of
_PIECE = 32  # lines that are looked at together where a wrong one is near


def without_comment(line: bytes) -> bytes:
    """The line without its comment, blanks at its ends, and question marks that were echoed before it."""
    return line.partition(b"#")[0].strip().lstrip(b"?").lstrip()


def separator_of(line: bytes) -> bytes:
    """Semicolon, tab or comma, whichever is there, in this order; else a blank."""
    return next((mark for mark in (b";", b"\t", b",") if mark in line), b" ")


def cells_of(line: bytes, separator: bytes) -> list[bytes]:
    """The cells of a line. A run of blanks of any kind is one separator, of the others each one counts."""
    return line.split() if separator == b" " else line.split(separator)


def numbers_of(line: bytes, separator: bytes) -> list[float] | None:
    """The numbers of one line, or None where a cell is not a number."""
    if b"_" in line:  # float() reads 1_0 as ten
        return None
    try:
        return [float(cell) for cell in cells_of(line, separator)]
    except ValueError:
        return None


class LineParser:
    """Parses lines of `columns` numbers between `separator`s.

    The quick ways below accept only what the line-by-line way accepts, so that the result does not depend on
    how the bytes were split.
    """

    def __init__(self, separator: bytes, columns: int) -> None:
        self._separator = separator
        self._columns = columns
        rows = GenericAlias(list, (GenericAlias(tuple, (float,) * columns),))
        self._json: msgspec.json.Decoder[list[tuple[float, ...]]] = msgspec.json.Decoder(rows)
        self._tables = False  # which way worked last
        self.bad: list[bytes] = []

    def parse(self, chunk: bytes) -> Floats:
        """Values of the good lines, shape (lines, columns); lines that do not parse are appended to `bad`.

        `chunk` is whole lines with LF or CRLF between them and none at the end.
        """
        values = self.quickly(chunk)
        if values is None:
            values = self._piecewise(chunk)
            values += 0.0
        return values

    def quickly(self, chunk: bytes) -> Floats | None:
        """The same where each line is plain numbers, else None."""
        values = self._quickly(chunk)
        if values is not None:
            values += 0.0  # no -0.0: the quick ways do not agree on the sign of '-0'
        return values

    def _piecewise(self, chunk: bytes) -> Floats:
        """Line by line only where a wrong line is near: one shall not make a thousand good ones slow."""
        lines = chunk.split(b"\n")
        pieces = [b"\n".join(lines[start : start + _PIECE]) for start in range(0, len(lines), _PIECE)]
        parsed = [self._quickly(piece) if len(pieces) > 1 else None for piece in pieces]
        return np.concatenate(
            [
                self._line_by_line(piece) if values is None else values
                for piece, values in zip(pieces, parsed, strict=True)
            ]
        )

    def _quickly(self, chunk: bytes) -> Floats | None:
        """All lines at once, or None where one of them is not plain numbers."""
        lines = chunk.count(b"\n") + 1
        ways = (self._as_table, self._as_json) if self._tables else (self._as_json, self._as_table)
        for way in ways:
            values = way(chunk)
            if values is not None and len(values) == lines:
                self._tables = way == self._as_table
                return values
        return None

    def _as_json(self, chunk: bytes) -> Floats | None:
        # A JSON reader is the quickest strict reader of plain numbers. It knows no '+1', '.5' or 'nan'.
        if self._separator != b",":
            if b"," in chunk:
                return None
            chunk = chunk.replace(self._separator, b",")
        try:
            rows = self._json.decode(b"[[" + chunk.replace(b"\n", b"],[") + b"]]")
        except (msgspec.DecodeError, UnicodeDecodeError):
            return None
        return np.array(rows, dtype=np.float64).reshape(-1, self._columns)

    def _as_table(self, chunk: bytes) -> Floats | None:
        chunk = chunk.removesuffix(b"\r").replace(b"\r\n", b"\n")  # a lone CR would end a line here
        if chunk.translate(None, _NUMERALS) or not chunk.strip():
            return None
        delimiter = None if self._separator == b" " else self._separator.decode()
        try:
            values = np.loadtxt(io.BytesIO(chunk), delimiter=delimiter, comments=None, ndmin=2)
        except ValueError:
            return None
        return values if values.shape[1] == self._columns else None

    def _line_by_line(self, chunk: bytes) -> Floats:
        rows: list[list[float]] = []
        for raw in chunk.split(b"\n"):
            line = without_comment(raw)
            if not line:
                continue
            numbers = numbers_of(line, self._separator)
            if numbers is None or len(numbers) != self._columns:
                self.bad.append(line)
            else:
                rows.append(numbers)
        return np.array(rows, dtype=np.float64).reshape(-1, self._columns)
