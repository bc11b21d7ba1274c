"""Devices that were recorded beside the first: /also/NAME in a session, and their companion files until then.

While a drive runs, each further device is written to a file of its own beside the session (`companion_path`), a session
in all but its name, with a journal as the first has: what becomes of it never touches the first recording. When that is
finished, `attach` puts the companion's /raw into the session as /also/NAME and takes the companion away.
"""

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import numpy.typing as npt

from stream.block import StreamInfo
from stream.car import Car, parse_car
from stream.errors import InputError
from stream.record import layout
from stream.record.guard import check_file, read_rows
from stream.record.names import clean_tune, journal_path, session_of
from stream.record.tables import text_of
from stream.units import Floats

COMPANION = ".also-"


@dataclass(frozen=True, slots=True)
class Joined:
    """session_s = also_s (1 + rate_ppm 1e-6) + offset_s, and the standard uncertainty of the offset."""

    offset_s: float
    rate_ppm: float
    u_offset_s: float


@dataclass(frozen=True)
class Also:
    """A further device as a session holds it. `joined` is None where its place on the session's clock is not known;
    `host_offset_s` is that place by the computer's clock, good to some tens of milliseconds at best, None without one.
    """

    name: str
    car_text: str
    info: StreamInfo
    joined: Joined | None
    host_offset_s: float | None
    group: Any

    @cached_property
    def time_s(self) -> Floats:
        """Seconds of each row from the device's first sample by its own count, lost time included, (rows,)."""
        index = layout.sample_index(len(self.group["samples"]), read_rows(self.group["gaps"]))
        return np.asarray(index / self.info.rate_hz, np.float64)

    @cached_property
    def car(self) -> Car | None:
        """Its car file; None where it cannot be read."""
        try:
            return parse_car(self.car_text, f"/also/{self.name}: the car file in it")
        except InputError:
            return None

    @cached_property
    def samples(self) -> npt.NDArray[np.float32]:
        """All samples, (rows, channels), in the device's units."""
        return np.asarray(self.group["samples"][:], np.float32)


def safe_names(cars: Sequence[str]) -> list[str]:
    """A name under /also for each car file's name: fit for a file and a group; alike ones are numbered from 2."""
    names: list[str] = []
    for car in cars:
        plain = clean_tune(car) or "device"
        number, name = 2, plain
        while name.casefold() in [one.casefold() for one in names]:  # one file where names differ in case alone
            name, number = f"{plain}-{number}", number + 1
        names.append(name)
    return names


def companion_path(session: Path, name: str) -> Path:
    """Where a further device is recorded while its session is."""
    return session.with_name(f"{session.name}{COMPANION}{name}")


def companions(session: Path) -> dict[str, Path]:
    """What a recording that was cut off left of further devices: name to companion, whole or only its journal."""
    head = f"{session.name}{COMPANION}"
    found = {}
    with suppress(OSError):
        for path in sorted(session.parent.iterdir()):
            if path.name.startswith(head):
                companion = session_of(path)
                found[companion.name[len(head) :]] = companion
    return found


def attach(file: Any, name: str, companion: Path) -> None:
    """For an edit of a session (an open h5py.File): take a finished companion in as /also/NAME. Raises InputError,
    OSError, KeyError where it is not what a session may hold."""
    with h5py.File(companion, "r") as other:
        check_file(companion, other)
        group = file.require_group(layout.ALSO)
        if name in group:
            del group[name]
        try:
            other.copy("raw", group, name)
            group[name].attrs["car"] = other.attrs["car"]
            offset = _host_offset(file, other)
            if offset is not None:
                group[name].attrs["host_offset_s"] = offset
        except BaseException:
            if name in group:
                del group[name]
            raise


def of_companion(name: str, companion: Any, session: Any) -> Also:
    """A further device as its companion holds it, beside an open session; both are open `Session`s."""
    offset = _host_offset(session.h5, companion.h5)
    return Also(name, companion.car_text, companion.info, None, offset, companion.h5["raw"])


def set_joined(file: Any, places: Mapping[str, Joined | None]) -> None:
    """For an edit: where each further device's clock lies; None: not known."""
    for name, place in places.items():
        attributes = file[f"{layout.ALSO}/{name}"].attrs
        for key in ("offset_s", "rate_ppm", "u_offset_s"):
            if place is not None:
                attributes[key] = float(getattr(place, key))
            elif key in attributes:
                del attributes[key]


def copy_also(source: Any, target: Any) -> None:
    """From one open h5py.File to another: all further devices as they stand."""
    if layout.ALSO in source:
        if layout.ALSO in target:
            del target[layout.ALSO]
        source.copy(layout.ALSO, target)


def read_also(file: Any, info_of: Any) -> tuple[Also, ...]:
    """The further devices of an open session file; `info_of` makes a StreamInfo of a dataset of samples. Raises what
    h5py raises for damage, and ValueError."""
    if layout.ALSO not in file:
        return ()
    found = []
    for name, group in file[layout.ALSO].items():
        place = [group.attrs.get(key) for key in ("offset_s", "rate_ppm", "u_offset_s")]
        host = group.attrs.get("host_offset_s")
        found.append(
            Also(
                name=name,
                car_text=text_of(group.attrs.get("car", "")),
                info=info_of(group["samples"]),
                joined=None if None in place else Joined(*(float(one) for one in place)),
                host_offset_s=None if host is None else float(host),
                group=group,
            )
        )
    return tuple(found)


def remove_companion(companion: Path) -> None:
    """Take away a companion that is in its session now."""
    for path in (companion, journal_path(companion)):
        with suppress(OSError):
            path.unlink(missing_ok=True)


def _host_offset(first: Any, other: Any) -> float | None:
    """Seconds from the first stream's first sample to the other's by the host's clock: each stream's earliest line, for
    what arrives late arrives late by what the system made it wait."""
    starts = []
    for file in (first, other):
        clock, rate = read_rows(file[layout.CLOCK]), float(file[layout.SAMPLES].attrs["rate_hz"])
        index = layout.sample_index(len(file[layout.SAMPLES]), read_rows(file[layout.GAPS]))
        known = clock[(clock["host_ns"] != 0) & (clock["index"] < len(index))]
        if not len(known):
            return None
        starts.append(known["host_ns"] - 1e9 * index[known["index"].astype(np.int64)] / rate)
    return float((starts[1].min() - starts[0].min()) / 1e9)
