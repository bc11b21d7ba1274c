"""Time stamps as logs write them, to seconds: numbers, date-times, times of day."""

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from stream.sources.csv_head import MISSING
from stream.units import Floats

Form = Literal["number", "date", "day"]

_LOOKED_AT: Final = 200  # stamps that tell the form
_DAY_S: Final = 86400.0
_UNITS: Final = {
    "": 1.0,
    "s": 1.0,
    "sec": 1.0,
    "second": 1.0,
    "seconds": 1.0,
    "ms": 1e-3,
    "msec": 1e-3,
    "millisecond": 1e-3,
    "milliseconds": 1e-3,
    "us": 1e-6,
    "µs": 1e-6,
    "μs": 1e-6,
    "ns": 1e-9,
    "min": 60.0,
    "h": 3600.0,
}
# As seconds since 1970 they lie in the year 5138 or later: they count milliseconds, microseconds or nanoseconds.
_EPOCH_FROM: Final = ((1e17, 1e-9), (1e14, 1e-6), (1e11, 1e-3))
_EPOCH_S: Final = 1e8  # March 1973; a clock that counts from its own start does not reach it within three years
_EPOCH_SPAN: Final = 0.02  # of the stamp itself: a log of less than a year
_TIME: Final = r"(?P<h>\d{1,4}):(?P<m>\d{2}):(?P<s>\d{2})(?:[.,:](?P<f>\d+))?(?:\s*(?P<half>[AaPp])\.?[Mm]\.?)?"
_DAY: Final = re.compile(_TIME)
_MINUTES: Final = re.compile(r"(?P<m>\d+):(?P<s>\d{2})[.,](?P<f>\d+)")
_DATE: Final = re.compile(
    r"(?:(?P<d>\d{1,2})\.(?P<mo>\d{1,2})\.(?P<y>\d{4})|(?P<y2>\d{4})[/.](?P<mo2>\d{1,2})[/.](?P<d2>\d{1,2}))"
    rf"[T ,]+{_TIME}"
)


def unit_s(unit: str) -> float | None:
    """Seconds in a unit of time as a header or a car file writes it; None where it is none."""
    return _UNITS.get(unit.strip().casefold())


@dataclass(slots=True)
class StampReader:
    """Turns a log's stamps into seconds, chunk by chunk; the first ones decide on their form.

    `began` is the first date-time, from which date-times are counted.
    """

    form: Form | None = None
    began: datetime | None = None

    def read(self, cells: list[str]) -> tuple[Floats, npt.NDArray[np.bool_]]:
        """(seconds, NaN where missing; whether the cell is no stamp)"""
        if self.form is None:
            self.form = form_of(cells)
        out, wrong = np.full(len(cells), np.nan), np.zeros(len(cells), dtype=np.bool_)
        parse = {"date": self._date, "day": day_seconds}.get(self.form or "", number_of)
        for row, cell in enumerate(cells):
            text = cell.strip()
            if text.casefold() in MISSING:
                continue
            seconds = parse(text)
            if seconds is None:
                wrong[row] = True
            else:
                out[row] = seconds
        return out, wrong

    def _date(self, text: str) -> float | None:
        stamp = date_of(text)
        if stamp is None:
            return None
        if self.began is None:
            self.began = stamp
        try:
            return (stamp - self.began).total_seconds()
        except TypeError:  # with and without a zone in one file
            return None


def form_of(cells: list[str]) -> Form | None:
    """The form of most of the first stamps; None where none is there."""
    texts = [text for cell in cells if (text := cell.strip()).casefold() not in MISSING][:_LOOKED_AT]
    if not texts:
        return None
    tests = {"number": number_of, "day": day_seconds, "date": date_of}
    counts = {form: sum(parse(text) is not None for text in texts) for form, parse in tests.items()}
    best = max(counts, key=lambda form: counts[form])
    return best if counts[best] else "number"  # type: ignore[return-value]


def number_of(text: str) -> float | None:
    """A number with a decimal point or comma; what a column of stamps holds has no thousands."""
    try:
        value = float(text.replace(",", ".") if text.count(",") == 1 and "." not in text else text)
    except ValueError:
        return None
    return None if "_" in text or not np.isfinite(value) else value


def day_seconds(text: str) -> float | None:
    """Seconds since midnight of hh:mm:ss with a fraction or without, or of mm:ss.f; None for anything else."""
    found = _DAY.fullmatch(text)
    if found is None:
        found = _MINUTES.fullmatch(text)
        return None if found is None else 60.0 * int(found["m"]) + _seconds(found)
    hours, minutes = int(found["h"]), int(found["m"])
    if found["half"]:
        if not 1 <= hours <= 12:
            return None
        hours = hours % 12 + (12 if found["half"] in "pP" else 0)
    if minutes > 59 or int(found["s"]) > 60:
        return None
    return 3600.0 * hours + 60.0 * minutes + _seconds(found)


def _seconds(found: re.Match[str]) -> float:
    return float(f"{found['s']}.{found['f'] or '0'}")


def date_of(text: str) -> datetime | None:
    """A date-time in ISO 8601, with or without the T, or as dd.mm.yyyy or yyyy/mm/dd and a time of day."""
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        pass
    found = _DATE.fullmatch(text)
    if found is None:
        return None
    seconds = day_seconds(text[found.start("h") :])
    if seconds is None:
        return None
    try:
        day = datetime(int(found["y"] or found["y2"]), int(found["mo"] or found["mo2"]), int(found["d"] or found["d2"]))
        return day + timedelta(seconds=round(seconds, 6))
    except (ValueError, OverflowError):
        return None


@dataclass(frozen=True, slots=True)
class Clock:
    """Stamps in seconds on one running count.

    dated   they are dates, epochs or times of day: counted from the first of them
    began   the date-time of the first one, where it is known
    """

    time_s: Floats
    dated: bool
    began: datetime | None


def on_one_count(stamps: Floats, form: Form | None, scale: float, began: datetime | None) -> Clock:
    """Stamps as they were read, (n,) with NaN where missing, as seconds; midnight passed over, epochs recognised."""
    known = stamps[np.isfinite(stamps)]
    if form == "date" or not len(known):
        return Clock(stamps, form == "date", began)
    if form == "day":
        return Clock(_over_midnight(stamps), True, None)
    low, middle, high = np.quantile(known, [0.1, 0.5, 0.9])
    if high - low > _EPOCH_SPAN * middle or middle * scale < _EPOCH_S:
        return Clock(stamps * scale, False, None)
    scale = next((finer for least, finer in _EPOCH_FROM if middle * scale >= least), 1.0) * scale
    first = float(known[0])
    try:
        start = datetime.fromtimestamp(first * scale, UTC)
    except (ValueError, OverflowError, OSError):
        start = None
    return Clock((stamps - first) * scale, True, start)


def _over_midnight(stamps: Floats) -> Floats:
    """Seconds since the first midnight of the log: a step of about a day back is midnight."""
    known = np.flatnonzero(np.isfinite(stamps))
    seconds = stamps[known]
    if len(seconds) and seconds.max() < _DAY_S:  # else they count hours beyond a day themselves
        steps = np.diff(seconds)
        days = np.concatenate(([0.0], np.cumsum(-np.rint(steps / _DAY_S))))
        seconds = seconds + _DAY_S * days
    out = stamps.copy()
    out[known] = seconds - (seconds[0] if len(seconds) else 0.0)
    return out


def stamp_words(stamp: float, form: Form | None, began: datetime | None) -> str:
    """A stamp about as it stood in the log."""
    if form == "date" and began is not None:
        try:
            return (began + timedelta(seconds=stamp)).isoformat(sep=" ")
        except OverflowError:
            pass
    if form == "day":
        whole, second = divmod(stamp, 60.0)
        return f"{int(whole) // 60:02d}:{int(whole) % 60:02d}:{second:06.3f}"
    return f"{stamp:.15g}"
