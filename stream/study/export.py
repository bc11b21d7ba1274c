"""A session for any other tool: CSV, Parquet, MATLAB and netCDF files of its live rows, holds, pulls or raw samples.

CSV and MATLAB files need nothing more than Steadypull does; Parquet and netCDF need the libraries of the optional part
`export`. A unit stands in a column's head, in square brackets where the name does not say it already, and beside the
column where the format has a place for it.
"""

import csv
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Final, Literal

import numpy as np
import numpy.typing as npt

from stream.errors import InputError, StorageError
from stream.frames import library
from stream.record.session import Session, open_session
from stream.record.tables import Rows
from stream.study.dataset import Dataset, open_dataset

Progress = Callable[[int, int], None]
What = Literal["live", "raw", "holds", "pulls"]
WHATS: Final[tuple[What, ...]] = ("live", "raw", "holds", "pulls")
MOST_MAT_BYTES: Final = 1 << 31  # of a variable in a MATLAB file of level 5: The MathWorks, 'MAT-File Format' (2024)

CHOOSE: Final = ", or choose .csv or .mat"

# Units that a column's own name says already, by the end of the name.
_SAID: Final = {"_s": "s", "_rpm": "rpm", "_rpm_per_s": "rpm/s"}


@dataclass(frozen=True, slots=True)
class Column:
    """One column: its name, its unit ('' for none), what it is in words, and how a number of it is written in CSV."""

    name: str
    unit: str = ""
    about: str = ""
    form: str = "%.9g"

    @property
    def head(self) -> str:
        """The column's head in a CSV file."""
        said = any(self.name.endswith(end) and self.unit == unit for end, unit in _SAID.items())
        return self.name if said or not self.unit else f"{self.name} [{self.unit}]"


@dataclass(frozen=True, slots=True)
class Table:
    """A table to be written.

    about    tune, when it began (ISO 8601) and car, in words
    index    the name of the column that counts the rows: time_s, or '' where each row stands alone
    rows     how many there are
    pieces   the columns' values, (rows of the piece,) each, one piece after the other
    """

    columns: tuple[Column, ...]
    index: str
    rows: int
    about: dict[str, str]
    pieces: Callable[[], Iterator[Sequence[Rows]]]


def export_session(session_path: str | Path, out: str | Path, what: What = "live", tell: Progress | None = None) -> int:
    """Write a part of a session to a file whose ending says the format: .csv, .parquet, .mat or .nc.

    what   live: time, speed, load, signal, and the number of the hold or pull a row is in (0: none); raw: every sample
           as recorded; holds, pulls: what was found, a row each, with what was said of it
    tell   told (rows written, rows)

    Speed is by the calibration in force. Lost samples show as steps in time. Returns the rows written; the file is
    there whole or not at all. Raises InputError (an ending or a part that there is not, a library that is not
    installed) and StorageError.
    """
    out = Path(out)
    write = _WRITERS.get(out.suffix.lower())
    if write is None:
        raise InputError(
            f"{out}: the name's ending says no format that can be written; end it in {', '.join(_WRITERS)}",
            "export-format",
        )
    if what not in WHATS:
        raise InputError(f"{what!r} is no part of a session; choose {', '.join(WHATS)}", "export-part")
    if what == "raw":
        return _export_raw(session_path, out, write, tell)
    with open_dataset(session_path) as data:
        table = _MAKERS[what](data)
    _whole(out, lambda draft: write(draft, table, tell))
    return table.rows


def _export_raw(session_path: str | Path, out: Path, write: "Writer", tell: Progress | None) -> int:
    with open_session(session_path) as session:
        index = session.sample_index()

        def pieces() -> Iterator[Sequence[Rows]]:
            for row, slab in session.slabs():
                yield [index[row : row + len(slab)] / session.rate_hz, *slab.T]

        channels = (Column(channel.name, channel.unit) for channel in session.info.channels)
        table = Table((_TIME, *channels), "time_s", session.rows, _about(session), pieces)
        _whole(out, lambda draft: write(draft, table, tell))
        return session.rows


def _about(session: Session, car: str = "") -> dict[str, str]:
    about = {"tune": session.tune, "started_utc": session.started_utc.isoformat()}
    return about | ({"car": car} if car else {})


_TIME: Final = Column("time_s", "s", "time from the first sample", "%.6f")


def _signal_unit(data: Dataset) -> str:
    return data.car.need("engine_speed", "an export").unit


def _live(data: Dataset) -> Table:
    values: list[Rows] = [data.time_s, data.speed_rpm, data.load, data.signal]
    values += [_numbers(data.time_s, found) for found in (data.holds, data.pulls)]
    columns = (
        _TIME,
        Column("speed_rpm", "rpm", "engine speed by the calibration in force", "%.1f"),
        Column("load", data.load_unit, "driveline load as recorded, filtered", "%.6g"),
        Column("signal", _signal_unit(data), "engine speed signal, filtered", "%.6g"),
        Column("hold", "", "number of the hold, from 1; 0: none", "%d"),
        Column("pull", "", "number of the pull, from 1; 0: none", "%d"),
    )
    return Table(columns, "time_s", len(data.time_s), _about(data.session, data.car.car.name), lambda: iter([values]))


def _holds(data: Dataset) -> Table:
    unit = _signal_unit(data)
    columns = (
        Column("start_s", "s", "begin, seconds from the first sample"),
        Column("end_s", "s", "end, seconds from the first sample"),
        Column("signal_mean", unit, "mean of the engine speed signal"),
        Column("signal_sem", unit, "standard error of that mean"),
        Column("speed_rpm", "rpm", "engine speed by the calibration in force"),
        Column("speed_sd_rpm", "rpm", "standard deviation of engine speed within the hold"),
        Column("drift_rpm_per_s", "rpm/s", "drift of engine speed"),
        Column("load_mean", data.load_unit, "mean driveline load as recorded"),
        Column("n_effective", "", "independent samples that the mean is worth"),
        Column("accepted", "", "1: counts; 0: dropped by a person"),
        Column("target_rpm", "rpm", "speed it was meant to be"),
    )
    records = [{**_plain(hold), **_plain(mark)} for hold, mark in zip(data.holds, data.hold_marks, strict=True)]
    return _of_records(data, columns, records)


def _pulls(data: Dataset) -> Table:
    columns = (
        Column("start_s", "s", "begin, seconds from the first sample"),
        Column("end_s", "s", "end, seconds from the first sample"),
        Column("start_rpm", "rpm", "engine speed at the begin"),
        Column("end_rpm", "rpm", "highest engine speed"),
        Column("tune", "", "tune in the car", "%s"),
        Column("gear", "", "gear; empty: not known"),
        Column("verdict", "", "clean or flawed", "%s"),
        Column("faults", "", "why it is flawed, joined by blanks", "%s"),
        Column("kept", "", "1: kept by a person, -1: dropped, 0: by verdict"),
    )
    records = [
        {**_plain(pull), **_plain(mark), "faults": " ".join(pull.faults)}
        for pull, mark in zip(data.pulls, data.pull_marks, strict=True)
    ]
    return _of_records(data, columns, records)


_MAKERS: Final[dict[str, Callable[[Dataset], Table]]] = {"live": _live, "holds": _holds, "pulls": _pulls}


def _plain(record: Any) -> dict[str, Any]:
    return {name: getattr(record, name) for name in record.__struct_fields__}


def _of_records(data: Dataset, columns: tuple[Column, ...], records: Sequence[dict[str, Any]]) -> Table:
    """A column of words is an object array of str, any other float64, NaN where nothing is known."""
    values: list[Rows] = []
    for column in columns:
        cells = [record[column.name] for record in records]
        if column.form == "%s":
            values.append(np.array(cells, object))
        else:
            values.append(np.array([math.nan if cell is None else float(cell) for cell in cells]))
    return Table(columns, "", len(records), _about(data.session, data.car.car.name), lambda: iter([values]))


def _numbers(time_s: Any, found: Sequence[Any]) -> npt.NDArray[np.int64]:
    """For each row the number, from 1, of the stretch it lies in."""
    numbers = np.zeros(len(time_s), dtype=np.int64)
    for number, stretch in enumerate(found, 1):
        numbers[(time_s >= stretch.start_s) & (time_s <= stretch.end_s)] = number
    return numbers


# -- one writer for each format -----------------------------------------------------------------------------------

Writer = Callable[[Path, Table, Progress | None], None]


def _csv(path: Path, table: Table, tell: Progress | None) -> None:
    """Nine figures are all that a float32 holds; what is not known is an empty cell."""
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, lineterminator="\n").writerow(column.head for column in table.columns)
        done = 0
        for values in table.pieces():
            if table.index:
                forms = [column.form for column in table.columns]
                np.savetxt(file, np.column_stack(values), forms, delimiter=",")
            else:
                _csv_rows(file, table.columns, values)
            done += len(values[0])
            if tell is not None:
                tell(done, table.rows)


def _csv_rows(file: IO[str], columns: Sequence[Column], values: Sequence[Rows]) -> None:
    writer = csv.writer(file, lineterminator="\n")
    for row in zip(*values, strict=True):
        cells = zip(columns, row, strict=True)
        writer.writerow(
            "" if isinstance(cell, float) and math.isnan(cell) else column.form % cell for column, cell in cells
        )


def _gathered(table: Table) -> list[Rows]:
    pieces = list(table.pieces())
    return [
        np.concatenate([piece[place] for piece in pieces]) if pieces else np.empty(0)
        for place in range(len(table.columns))
    ]


def _mat(path: Path, table: Table, tell: Progress | None) -> None:
    """One variable a column, `units` and `long_names` structs beside them; of level 5, which any reader knows."""
    from scipy.io import savemat

    if table.rows * 8 >= MOST_MAT_BYTES:
        raise InputError(
            f"{path.with_suffix('')}: {table.rows} rows are more than a MATLAB file holds; choose .parquet or .nc"
        )
    names = [_identifier(column.name) for column in table.columns]
    whole: dict[str, Any] = {}
    for name, values in zip(names, _gathered(table), strict=True):
        whole[name] = values.reshape(-1, 1)
    whole["units"] = {name: column.unit for name, column in zip(names, table.columns, strict=True)}
    whole["long_names"] = {name: column.about for name, column in zip(names, table.columns, strict=True)}
    whole["session"] = table.about
    savemat(path, whole, appendmat=False, do_compression=True, long_field_names=True)
    if tell is not None:
        tell(table.rows, table.rows)


def _identifier(name: str) -> str:
    """A name that MATLAB takes: letters of ASCII, digits and underscores, a letter first, at most 63."""
    kept = "".join(letter if letter.isascii() and (letter.isalnum() or letter == "_") else "_" for letter in name)
    return (kept if kept[:1].isalpha() else f"x{kept}")[:63]


def _parquet(path: Path, table: Table, tell: Progress | None) -> None:
    """One row group a piece; unit and long_name in each field's metadata."""
    pa, pq = library("pyarrow", "export", CHOOSE), library("pyarrow.parquet", "export", CHOOSE)

    def batch(values: Sequence[Rows]) -> Any:
        fields = [
            pa.field(
                column.name,
                pa.string() if column.form == "%s" else pa.from_numpy_dtype(part.dtype),
                metadata={"unit": column.unit, "long_name": column.about},
            )
            for column, part in zip(table.columns, values, strict=True)
        ]
        # what is not known is null where each row stands alone; a missing sample stays the NaN that was recorded
        arrays = [
            pa.array(np.ascontiguousarray(part), type=field.type, from_pandas=not table.index)
            for part, field in zip(values, fields, strict=True)
        ]
        return pa.Table.from_arrays(arrays, schema=pa.schema(fields, metadata=table.about))

    writer, done = None, 0
    try:
        for values in table.pieces():
            part = batch(values)
            writer = writer or pq.ParquetWriter(path, part.schema)
            writer.write_table(part)
            done += len(values[0])
            if tell is not None:
                tell(done, table.rows)
    finally:
        if writer is not None:
            writer.close()
    if writer is None:
        raise InputError("this session has no sample; nothing was written")


def _netcdf(path: Path, table: Table, tell: Progress | None) -> None:
    """netCDF-4 with the names of the CF conventions: `units`, `long_name`; time_s is the coordinate."""
    h5netcdf = library("h5netcdf", "export", CHOOSE)
    import h5py

    dimension = table.index or "row"
    with h5netcdf.File(path, "w") as file:
        file.dimensions = {dimension: table.rows}
        file.attrs.update({"Conventions": "CF-1.11", **table.about})
        variables: list[Any] = []
        done = 0
        for values in table.pieces():
            for place, (column, part) in enumerate(zip(table.columns, values, strict=True)):
                if done == 0:
                    kind = h5py.string_dtype() if column.form == "%s" else part.dtype
                    variable = file.create_variable(column.name.replace("/", "_"), (dimension,), kind)
                    if column.unit:
                        variable.attrs["units"] = column.unit
                    variable.attrs["long_name"] = column.about or column.name
                    variables.append(variable)
                variables[place][done : done + len(part)] = part
            done += len(values[0])
            if tell is not None:
                tell(done, table.rows)


_WRITERS: Final[dict[str, Writer]] = {".csv": _csv, ".parquet": _parquet, ".mat": _mat, ".nc": _netcdf}


def _whole(out: Path, write: Callable[[Path], None]) -> None:
    """A file that is there whole, or not at all."""
    draft = out.with_name(out.name + ".part")
    try:
        write(draft)
        draft.replace(out)
    except OSError as error:
        raise StorageError(f"{out}: cannot be written ({error.strerror}); choose another folder") from None
    finally:
        draft.unlink(missing_ok=True)
