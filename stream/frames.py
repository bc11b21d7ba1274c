"""Records and columns as a pandas frame or an xarray data set, where that library is installed."""

import importlib
from collections.abc import Iterable, Mapping
from typing import Any

from stream.errors import InputError


def library(name: str, part: str, instead: str = "") -> Any:
    """An optional library. Raises InputError that names the package and the optional part it belongs to."""
    try:
        return importlib.import_module(name)
    except ImportError:
        package = name.partition(".")[0]
        raise InputError(
            f"the package {package} is not installed; install it, or Steadypull's part '{part}'{instead}",
            "library-missing",
            package=package,
            part=part,
        ) from None


def to_pandas(records: Iterable[Any]) -> Any:
    """A pandas DataFrame with a row a record: holds, pulls, bands, or any other records of this project.

    Raises InputError where pandas is not installed.
    """
    pandas = library("pandas", "notebook")
    rows = list(records)
    names = list(getattr(rows[0], "__struct_fields__", None) or rows[0].__dataclass_fields__) if rows else []
    return pandas.DataFrame([{name: getattr(row, name) for name in names} for row in rows], columns=names or None)


def columns_to_pandas(index: tuple[str, Any], columns: Mapping[str, tuple[Any, str]]) -> Any:
    """A DataFrame of columns (values, unit); the units stand in its `attrs["units"]`."""
    pandas = library("pandas", "notebook")
    name, values = index
    frame = pandas.DataFrame({key: part for key, (part, _) in columns.items()}, index=pandas.Index(values, name=name))
    frame.attrs["units"] = {key: unit for key, (_, unit) in columns.items()}
    return frame


def columns_to_xarray(index: tuple[str, Any], columns: Mapping[str, tuple[Any, str]], about: Mapping[str, str]) -> Any:
    """An xarray Dataset of columns (values, unit) over one coordinate in seconds; units as `units` attributes."""
    xarray = library("xarray", "notebook")
    name, values = index
    whole = xarray.Dataset(
        {key: (name, part, {"units": unit}) for key, (part, unit) in columns.items()}, {name: values}, dict(about)
    )
    whole[name].attrs["units"] = "s"
    return whole
