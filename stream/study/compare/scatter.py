"""How much pulls and turns of one tune scatter on this car: learned from its earlier days, else a stated prior.

Nested analysis of variance on log load (`stats.Nested`): pulls within turns, turns within one tune of one day in one
gear. The earlier days are read from the sessions of a folder.
"""

from collections import defaultdict
from collections.abc import Sequence
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np

from stream.errors import InputError
from stream.record.shelf import ShelfIndex, summaries
from stream.study.bands import DEFAULT_WIDTH_RPM, band_table
from stream.study.choose import gear_of_each, one_zero
from stream.study.dataset import Dataset, open_dataset, same_drive
from stream.study.pulls import PullTrace, all_traces, in_time_order, load_key
from stream.study.stats import Nested
from stream.units import Floats, Ints

MOST_WEIGHT = 10.0  # degrees of freedom that the past may have beside today
PRIOR_WEIGHT = 6.0  # chosen by measurement: false claims, and a change of 5 % found, with four turns of three pulls


@dataclass(frozen=True, slots=True)
class Spread:
    """Standard deviations expected of columns, relative, each (columns,), and the degrees of freedom they are worth."""

    pull: Floats
    turn: Floats
    pull_df: float
    turn_df: float


@dataclass(frozen=True, slots=True)
class Component:
    """Standard deviations, relative, of one kind of value: of a pull about its turn, of a turn about its tune."""

    pull: float
    turn: float


@dataclass(frozen=True, slots=True)
class Scatter:
    """What is known of this car's scatter before today.

    level, band, shape   of a pull's mean over its bands, of one band, of one band less the mean over the bands
    pull_df, turn_df     degrees of freedom these are worth
    days, sessions       how many days taught it, and the sessions' paths; none: the stated prior
    """

    level: Component
    band: Component
    shape: Component
    pull_df: float = PRIOR_WEIGHT
    turn_df: float = PRIOR_WEIGHT
    days: int = 0
    sessions: tuple[str, ...] = ()

    def spread(self, bands: int) -> Spread:
        """For `bands` rev bands and, last, the level of the whole curve."""
        pull = np.append(np.full(bands, self.band.pull), self.level.pull)
        turn = np.append(np.full(bands, self.band.turn), self.level.turn)
        return Spread(pull, turn, self.pull_df, self.turn_df)

    def shape_spread(self, bands: int) -> Spread:
        """For the shape of `bands` rev bands."""
        return Spread(np.full(bands, self.shape.pull), np.full(bands, self.shape.turn), self.pull_df, self.turn_df)


# Chosen: what a careful driver on a closed road gets, from the audits' generator (pulls 0.8 % with 0.6 % of roughness,
# sessions 0.5 %); measured in tests/bench/evidence.py. Printed as a prior wherever it is used.
PRIOR = Scatter(Component(0.008, 0.005), Component(0.0105, 0.0055), Component(0.007, 0.002))


@dataclass(frozen=True, slots=True)
class PastDay:
    """One earlier day of one gear: values (pulls, bands) log load, NaN where a band is empty; tune, turn (pulls,)."""

    values: Floats
    tune: Ints
    turn: Ints
    sessions: tuple[str, ...]


def learn(days: Sequence[PastDay]) -> Scatter:
    """The scatter that earlier days show, blended with the prior as far as they are few; the prior without any."""
    level, band, shape = Nested(), Nested(), Nested()
    used = []
    for day in days:
        whole = np.isfinite(day.values).all(axis=1)
        if whole.sum() < 2 or not day.values.shape[1]:
            continue
        used.append(day)
        values, tune, turn = day.values[whole], day.tune[whole], day.turn[whole]
        mean = values.mean(axis=1)
        level.add(mean, tune, turn)
        for column in values.T:
            band.add(column, tune, turn)
            shape.add(column - mean, tune, turn)
    if not used or not (level.within_df or level.between_df):
        return PRIOR
    pull_df, turn_df = level.within_df, level.between_df
    pulls_known = max(PRIOR_WEIGHT - pull_df, 0.0)
    turns_known = max(PRIOR_WEIGHT - turn_df, 0.0)

    def blended(sums: Nested, prior: Component) -> Component:
        turn = sums.group_variance
        pull = (pulls_known * prior.pull**2 + pull_df * sums.within) / (pulls_known + pull_df)
        kept = prior.turn**2 if turn is None else turn
        kept = (turns_known * prior.turn**2 + turn_df * kept) / (turns_known + turn_df)
        return Component(float(np.sqrt(pull)), float(np.sqrt(kept)))

    return Scatter(
        level=blended(level, PRIOR.level),
        band=blended(band, PRIOR.band),
        shape=blended(shape, PRIOR.shape),
        pull_df=min(MOST_WEIGHT, pulls_known + pull_df),
        turn_df=min(MOST_WEIGHT, turns_known + turn_df),
        days=len(used),
        sessions=tuple(dict.fromkeys(path for day in used for path in day.sessions)),
    )


def turn_numbers(pulls: Sequence[tuple[str, str]]) -> Ints:
    """Number of the turn of each pull, (pulls,): a run of one tune in one recording. `pulls`: (recording, tune)."""
    changed = [number > 0 and pulls[number] != pulls[number - 1] for number in range(len(pulls))]
    return np.cumsum(changed).astype(np.intp)


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
