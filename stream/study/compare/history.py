"""What earlier days of the same car and load calibration teach of its scatter, read from the sessions of a folder."""

from collections import defaultdict
from collections.abc import Sequence
from contextlib import ExitStack, suppress
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np

from stream.errors import InputError
from stream.record.shelf import summaries
from stream.record.shelf_index import ShelfIndex
from stream.study.bands import DEFAULT_WIDTH_RPM, band_table
from stream.study.choose import gear_of_each, one_zero
from stream.study.compare.scatter import PRIOR, PastDay, Scatter, learn, turn_numbers
from stream.study.dataset import Dataset, open_dataset, same_drive
from stream.study.pulls import PullTrace, all_traces, in_time_order, load_key

MOST_SESSIONS = 60  # chosen: the newest; ten days of six sessions teach as much as the weight of the past can hold


def known_scatter(
    pulls: Sequence[PullTrace],
    folder: str | Path | None = None,
    width: float = DEFAULT_WIDTH_RPM,
    *,
    busy: Sequence[Path] = (),
) -> Scatter:
    """The scatter known before the day of the first of these pulls.

    pulls    those compared, of all their sessions
    folder   where earlier sessions lie; None: the folders of the pulls' own sessions
    busy     sessions that are being recorded: not opened

    Sessions of another car or load calibration, of the same day or later, without a date of their own (a log that
    begins at its import), copies of another, or that cannot be read, are passed by. Raises InputError for a folder that
    is not there.
    """
    if folder is not None and not Path(folder).is_dir():
        raise InputError(f"{folder}: no such folder; name one that holds earlier sessions", code="no-history-folder")
    began = [pull.started for pull in pulls if np.isfinite(pull.started)]
    if not began:
        return PRIOR
    first = datetime.fromtimestamp(min(began), UTC).date()
    own = {Path(pull.session).resolve() for pull in pulls} | {path.resolve() for path in busy}
    places = [Path(folder)] if folder is not None else sorted({path.parent for path in own})
    with ExitStack() as opened:
        earlier: list[tuple[date, Dataset]] = []
        others = [path for place in places for path in sorted(place.glob("*.h5")) if path.resolve() not in own]
        for path in _sound(others, first):
            if (found_one := _earlier(path, first, pulls[0])) is not None:
                opened.push(found_one)
                if same_drive(found_one, (data for _, data in earlier)) is None:
                    earlier.append((found_one.started_utc.astimezone(UTC).date(), found_one))
        earlier.sort(key=lambda pair: pair[0])
        days: dict[date, list[Dataset]] = defaultdict(list)
        for day, data in earlier[-MOST_SESSIONS:]:
            days[day].append(data)
        return learn([past for day in sorted(days) for past in _past_days(days[day], width)])


def _sound(paths: Sequence[Path], first: date) -> list[Path]:
    """Those of earlier days that can be read to their end. Nobody named them, so a damaged one must not hang this."""
    if not paths:
        return []
    with ShelfIndex() as index:
        found = summaries(paths, index)
    return [
        Path(one.path)
        for one in found
        if one.readable and one.started_utc is not None and one.started_utc.astimezone(UTC).date() < first
    ]


def _earlier(path: Path, first: date, like: PullTrace) -> Dataset | None:
    """The session, open, where it may teach."""
    with suppress(InputError):
        data = open_dataset(path)
        session = data.session
        before = session.started_utc.astimezone(UTC).date() < first
        if before and session.dated and session.finished and load_key(data) == like.load_key:
            return data
        data.close()
    return None


def _past_days(sessions: Sequence[Dataset], width: float) -> list[PastDay]:
    """One day's pulls, a `PastDay` for each gear; those that a person dropped or the verdict calls flawed left out."""
    pulls: list[PullTrace] = []
    with suppress(InputError):
        pulls = [pull for pull in all_traces(sessions)[0] if pull.usable]
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
