"""What earlier days of the same car and load calibration teach of its scatter, read from the sessions of a folder."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from contextlib import suppress
from datetime import date
from pathlib import Path

import numpy as np

from stream.car import Car, parse_car
from stream.errors import InputError
from stream.record.session import open_session
from stream.study.bands import DEFAULT_WIDTH_RPM, band_table
from stream.study.choose import gear_of_each, one_zero
from stream.study.compare.scatter import PRIOR, PastDay, Scatter, learn, turn_numbers
from stream.study.dataset import open_datasets
from stream.study.pulls import PullTrace, all_traces, in_time_order

MOST_SESSIONS = 60  # chosen: the newest; ten days of six sessions teach as much as the weight of the past can hold


def known_scatter(
    compared: Sequence[str | Path], folder: str | Path | None = None, width: float = DEFAULT_WIDTH_RPM
) -> Scatter:
    """The scatter known before the first of the compared sessions was begun.

    folder   where earlier sessions lie; None: the folders of the compared ones themselves

    Sessions of another car or load calibration, of the same day or later, without a date of their own (a log that
    begins at its import), or that cannot be read, are passed by. Raises InputError for a folder that is not there.
    """
    own = {Path(path).resolve() for path in compared}
    if folder is not None and not Path(folder).is_dir():
        raise InputError(f"{folder}: no such folder; name one that holds earlier sessions", code="no-history-folder")
    places = [Path(folder)] if folder is not None else sorted({path.parent for path in own})
    first, wanted = _first_day(own)
    if first is None or wanted is None:
        return PRIOR
    earlier: dict[Path, date] = {}
    for path in (found for place in places for found in place.glob("*.h5")):
        if path.resolve() not in own and (day := _day_of(path, wanted)) is not None and day < first:
            earlier[path] = day
    newest = sorted(earlier, key=lambda path: earlier[path], reverse=True)[:MOST_SESSIONS]
    days: dict[date, list[Path]] = defaultdict(list)
    for path in newest:
        days[earlier[path]].append(path)
    return learn([past for day in sorted(days) for past in _past_days(days[day], width)])


def load_key(car: Car) -> tuple[object, ...]:
    """What must be equal for the load of two sessions to be on one scale."""
    load = car.by_role("load")
    if load is None:
        return (car.car.name,)
    return (
        car.car.name, load.name, load.unit, load.sign, load.newtons_per_unit, load.bridge, load.gauge_factor, load.side,
    )  # fmt: skip


def _first_day(paths: Iterable[Path]) -> tuple[date | None, tuple[object, ...] | None]:
    """Day of the first of the sessions, and the key of its load."""
    days, key = [], None
    for path in sorted(paths):
        with suppress(InputError), open_session(path) as session:
            days.append(session.started_utc.date())
            key = key or load_key(parse_car(session.car_text, str(path)))
    return (min(days), key) if days else (None, None)


def _day_of(path: Path, wanted: tuple[object, ...]) -> date | None:
    """The day of a session that may teach; None for one that may not."""
    with suppress(InputError), open_session(path) as session:
        if session.dated and session.finished and load_key(parse_car(session.car_text, str(path))) == wanted:
            return session.started_utc.date()
    return None


def _past_days(paths: Sequence[Path], width: float) -> list[PastDay]:
    """One day's pulls, a `PastDay` for each gear; those that a person dropped or the verdict calls flawed left out."""
    pulls: list[PullTrace] = []
    with suppress(InputError):
        pulls = [pull for pull in all_traces(open_datasets(paths))[0] if pull.usable]
    if len(pulls) < 2:
        return []
    pulls = one_zero(in_time_order(pulls))[0]
    gears = gear_of_each(pulls, width)[0]
    found = []
    for gear in dict.fromkeys(gears):
        own = [pull for pull, name in zip(pulls, gears, strict=True) if name == gear]
        load = band_table(own, width).load
        known = np.isfinite(load)
        usual = np.nanmedian(np.abs(np.where(known, load, np.nan))) if known.any() else 0.0
        clear = known & (np.abs(load) > 0.1 * usual)
        with np.errstate(divide="ignore", invalid="ignore"):
            logs = np.where(clear, np.log(np.abs(load)), np.nan)
        # bands that most pulls cross; a pull that misses one of them teaches nothing of the level
        common = np.isfinite(logs).mean(axis=0) > 0.8
        names = sorted({pull.tune for pull in own})
        found.append(
            PastDay(
                logs[:, common],
                np.array([names.index(pull.tune) for pull in own]),
                turn_numbers([(pull.session, pull.tune) for pull in own]),
                tuple(dict.fromkeys(pull.session for pull in own)),
            )
        )
    return found
