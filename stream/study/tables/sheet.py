"""A delimited text file as cells that can be written back byte for byte: separator, quotes, line ends, encoding."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Literal

from stream.errors import InputError
from stream.typed import read_bounded

Separator = Literal[",", ";", "\t"]
Place = tuple[int, int]  # row and column of a cell, both from 0; they count every line and every separator
_BOM = "\ufeff"
NUMBER = re.compile(r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?")
_UNIT = re.compile(r"(?<=[\d.,])\s*([^\W\d]+|%|°|1/min)$")  # behind a number
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f]")
_NO_UNITS: Mapping[str, str] = MappingProxyType({})
_QUOTED = re.compile(r'"(?:[^"]|"")*"')


@dataclass(frozen=True, slots=True)
class Sheet:
    """Every cell as it stands in the file, and what stands behind it.

    cells      rows of raw texts, quotes and blanks included
    ends       what ends each cell: the separator, a line end, or '' at the end of the file
    lines      line number of each row, from 1 (a quoted cell may hold line ends)
    encoding   how the file's bytes are read and written: UTF-8, UTF-16 where its mark says so, else Latin-1
    """

    path: Path
    separator: Separator
    cells: tuple[tuple[str, ...], ...]
    ends: tuple[tuple[str, ...], ...]
    lines: tuple[int, ...]
    bom: bool
    encoding: str = "utf-8"

    def content(self) -> list[int]:
        """Rows that hold anything; a first line `sep=…` is none."""
        rows = [row for row, cells in enumerate(self.cells) if any(plain(cell) for cell in cells)]
        if rows and re.fullmatch(r'"?sep=.?"?', "".join(self.cells[rows[0]]).strip(), re.IGNORECASE):
            return rows[1:]
        return rows

    def words(self, row: int) -> list[str]:
        """The cells of a row without quotes and blanks, trailing empty ones left out."""
        found = [plain(cell) for cell in self.cells[row]]
        while found and not found[-1]:
            found.pop()
        return found

    def where(self, row: int, column: int) -> str:
        """File, line and column of a cell, for an error."""
        return f"{self.path}: line {self.lines[row]}, column {column + 1}"

    def number(self, place: Place, cure: str, units: Mapping[str, str] = _NO_UNITS) -> float:
        """The number in a cell; one of `units` may stand behind it. Raises InputError, naming the place, where there is
        none."""
        row, column = place
        raw = self.cells[row][column] if column < len(self.cells[row]) else ""
        text = plain(raw)
        if units and (unit := _UNIT.search(text)) and unit.group(1).lower() in units:
            text = text[: unit.start()]
        comma_allowed = self.separator != "," or _QUOTED.fullmatch(raw.strip(" "))
        if NUMBER.fullmatch(text) and (comma_allowed or "," not in text):
            value = float(text.replace(",", "."))
            if abs(value) < 1e300:
                return value
        if text.lower().lstrip("+-") in ("nan", "inf", "infinity"):
            raise InputError(f"{self.where(row, column)}: {text!r} is not finite; {cure}", code="table-cell")
        what = f"{text!r} is not a number" if text else "is empty"
        raise InputError(f"{self.where(row, column)}: {what}; {cure}", code="table-cell")

    def unit(self, place: Place, units: Mapping[str, str]) -> str:
        """What the one of `units` that stands behind the number of a cell means; '' where none does."""
        row, column = place
        found = _UNIT.search(plain(self.cells[row][column])) if column < len(self.cells[row]) else None
        return "" if found is None else units.get(found.group(1).lower(), "")

    def decimals(self, place: Place) -> int:
        """Digits behind the decimal mark of a cell, 0 where it is no number."""
        found = NUMBER.match(plain(self.cells[place[0]][place[1]]))
        if found is None:
            return 0
        mantissa, _, exponent = found.group().lower().partition("e")
        behind = re.split(r"[.,]", mantissa)[1:]
        return max(len(behind[0] if behind else "") - int(exponent or 0), 0)

    def formatted(self, place: Place, value: float, decimals: int, mark: str) -> str:
        """The cell with another number in it: its blanks, quotes and sign style kept."""
        raw = self.cells[place[0]][place[1]]
        found = NUMBER.search(raw)
        own = found.group() if found else ""
        mark = next((sign for sign in ",." if sign in own), mark)
        if self.separator == "," and '"' not in raw:
            mark = "."
        text = f"{value:.{decimals}f}"
        if float(text) == 0:
            text = text.lstrip("-")
        if own.startswith("+") and value >= 0:
            text = f"+{text}"
        text = text.replace(".", mark)
        return text if found is None else raw[: found.start()] + text + raw[found.end() :]

    def text(self, changed: Mapping[Place, str] | None = None) -> str:
        """The whole file, with some cells replaced."""
        changed = changed or {}
        parts = [_BOM] if self.bom else []
        for row, (cells, ends) in enumerate(zip(self.cells, self.ends, strict=True)):
            for column, (cell, end) in enumerate(zip(cells, ends, strict=True)):
                parts += (changed.get((row, column), cell), end)
        return "".join(parts)


def plain(raw: str) -> str:
    """A cell's text without its quotes and the blanks around it."""
    text = raw.strip()
    if len(text) > 1 and _QUOTED.fullmatch(text):
        text = text[1:-1].replace('""', '"').strip()
    return text


def read_sheet(path: Path) -> Sheet:
    """Read a file. Raises InputError where it cannot be read or holds no table."""
    try:
        data = read_bounded(path, "table")
    except FileNotFoundError:
        raise InputError(f"{path}: no such file; check the name") from None
    except IsADirectoryError:
        raise InputError(f"{path}: is a folder; give the CSV file in it") from None
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}); check its permissions") from None
    return parse_sheet(path, *_decoded(path, data))


def _decoded(path: Path, data: bytes) -> tuple[str, str]:
    """(text, encoding). Spreadsheets write UTF-8, UTF-16 with its mark, or one byte a letter. Raises InputError."""
    for mark, encoding in ((b"\xff\xfe", "utf-16-le"), (b"\xfe\xff", "utf-16-be")):
        if data.startswith(mark):
            try:
                return data.decode(encoding), encoding
            except UnicodeDecodeError:
                break
    try:
        return data.decode("utf-8"), "utf-8"
    except UnicodeDecodeError as error:
        text = data.decode("latin-1")  # every byte is a letter, so that all of them go back as they came
        if _CONTROL.search(text):
            raise InputError(f"{path}: not text at byte {error.start}; save it as CSV in UTF-8") from None
        return text, "latin-1"


def parse_sheet(path: Path, text: str, encoding: str = "utf-8") -> Sheet:
    """The cells of a text. Raises InputError where it holds fewer than two rows."""
    bom = text.startswith(_BOM)
    text = text.removeprefix(_BOM)
    separator = _separator(text)
    inside = re.escape(separator)
    token = re.compile(rf'( *"(?:[^"]|"")*"[^{inside}\r\n]*|[^{inside}\r\n]*)({inside}|\r\n|\n|\r|\Z)')
    rows: list[tuple[str, ...]] = []
    ends: list[tuple[str, ...]] = []
    lines = [1]
    cells: list[str] = []
    marks: list[str] = []
    at = 0
    while True:
        found = token.match(text, at)
        if found is None:  # cannot be: both alternatives match everywhere; a loop without an end must not be
            raise InputError(f"{path}: line {lines[-1]}: cannot be split into cells; save it as plain CSV")
        at = found.end()
        cells.append(found.group(1))
        marks.append(found.group(2))
        if found.group(2) != separator:
            rows.append(tuple(cells))
            ends.append(tuple(marks))
            if not found.group(2):
                break
            lines.append(lines[-1] + len(re.findall(r"\r\n|\n|\r", "".join(cells))) + 1)
            cells, marks = [], []
    sheet = Sheet(path, separator, tuple(rows), tuple(ends), tuple(lines), bom, encoding)
    if len(sheet.content()) < 2:
        raise InputError(f"{path}: has no rows below a first line; a table has its axis in the first row")
    return sheet


def _separator(text: str) -> Separator:
    """The separator of the first line that holds anything, quoted cells left out."""
    told = re.match(r'\s*"?sep=(.)"?\s*?[\r\n]', text, re.IGNORECASE)
    if told and told.group(1) in ",;\t":
        return told.group(1)  # type: ignore[return-value]
    lines = (line for line in _QUOTED.sub("", text).splitlines() if line.strip())
    for line in lines:
        if line.strip().lower().startswith("sep="):
            continue
        return "\t" if "\t" in line else ";" if ";" in line else ","
    return ","
