"""The door for scripts and notebooks: what a person does with recorded drives, as about a dozen functions.

    from stream import load_day, compare
    day = load_day("drives")                         # a folder, one session, or several
    result = compare(day, "heron", "plover")
    result.overall.change_pct, result.to_pandas()    # plain records; frames where pandas is installed

    open_session(path)      one session: time_s, speed_rpm, load, signal, holds, pulls; .to_pandas(), .to_xarray()
    load_day(paths)         the pulls of a day's sessions, in order; .to_pandas(): a row a pull
    load_car(path)          a car file
    curves(day)             load against engine speed, per tune
    compare(day, A, B)      tune against tune, band by band, with intervals and verdicts
    coach(day)              the next pull to make, or settled
    power(day)              force, torque and power at the wheels
    coastdown(session)      road load A, B, C of a session's coastdowns
    fit_speed(paths, …)     holds to a speed calibration
    survey(path)            what a drive tells of the measuring chain
    align(session, log, car)   a controller's log on the session's clock
    air_factors(…)          correction factors of an engine's torque to standard air
    export_session(…)       a session as CSV, Parquet, MATLAB or netCDF
    to_pandas(records)      any records as a frame, such as session.holds

The commands and the window stand on the same functions. Results carry `findings`: codes and values of what must be
said with them. Whatever a person can mend is raised as InputError, one line with place and cure.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Literal

import msgspec

from stream.calibrate.speed.calfile import SpeedCalibration
from stream.car import Car, load_car
from stream.errors import InputError, SteadypullError
from stream.findings import Finding
from stream.frames import to_pandas
from stream.sources.log_columns import ControllerLog, read_controller_log
from stream.study.bands import DEFAULT_WIDTH_RPM
from stream.study.clock import Alignment, align_log
from stream.study.compare import coach as _coach
from stream.study.compare import compare as _compare
from stream.study.compare import curve as _curve
from stream.study.compare.answer import Comparison
from stream.study.compare.scatter import PRIOR, Scatter, known_scatter
from stream.study.dataset import Dataset, open_dataset, open_datasets
from stream.study.export import export_session
from stream.study.force import power as _power
from stream.study.force.air import air_factors
from stream.study.force.boost import Correction, Reading
from stream.study.force.coastdown import session_coastdown
from stream.study.force.road_load import RoadLoad
from stream.study.pulls import PullTrace, all_traces, correction_of, pull_traces
from stream.study.speed import Reference, fit_row, load_row
from stream.study.survey.records import Survey
from stream.study.survey.survey import survey_session

__all__ = [
    "Day",
    "InputError",
    "Reading",
    "SteadypullError",
    "air_factors",
    "align",
    "coach",
    "coastdown",
    "compare",
    "curves",
    "export_session",
    "fit_speed",
    "load_car",
    "load_day",
    "open_session",
    "power",
    "survey",
    "to_pandas",
]

Paths = str | Path | Sequence[str | Path]
Air = Literal["kept"] | None | Reading | Mapping[str, Reading]
"""The air to correct to standard air with: as kept in the sessions, none, one reading, or one by session's path."""


@dataclass(frozen=True, slots=True)
class Day:
    """Sessions in the order they were begun, their pulls in the order they were made, and what must be said of them.

    A pull (`PullTrace`) carries its rows: time_s, speed_rpm, load, with its zero taken off where there is one.
    """

    sessions: tuple[Dataset, ...]
    pulls: tuple[PullTrace, ...]
    findings: tuple[Finding, ...]

    @property
    def tunes(self) -> tuple[str, ...]:
        """Tunes in the order they were first driven."""
        return tuple(dict.fromkeys(pull.tune for pull in self.pulls))

    def to_pandas(self) -> Any:
        """A DataFrame with a row a pull."""
        return to_pandas(_PullRow.of(pull) for pull in self.pulls)

    def close(self) -> None:
        """Give the files back; what has been made already stays."""
        for session in self.sessions:
            session.close()

    def __enter__(self) -> "Day":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


class _PullRow(msgspec.Struct, frozen=True):
    """What a frame shows of a pull; the mean load is over its rows between start and end."""

    session: str
    number: int
    tune: str
    gear: int | None
    start_s: float | None
    end_s: float | None
    verdict: str
    faults: str
    usable: bool
    zero: float | None
    unit: str

    @classmethod
    def of(cls, pull: PullTrace) -> "_PullRow":
        return cls(
            session=pull.session,
            number=pull.number,
            tune=pull.tune,
            gear=pull.gear,
            start_s=pull.start_s,
            end_s=pull.end_s,
            verdict=pull.verdict,
            faults=" ".join(pull.faults),
            usable=pull.usable,
            zero=None if pull.zero is None else pull.zero.value,
            unit=pull.unit,
        )


def open_session(path: str | Path, car: Car | None = None) -> Dataset:
    """One session, everything on its own clock, made when first asked for; `car` in place of the car file in it."""
    return open_dataset(path, car)


def load_day(paths: Paths, car: Car | None = None) -> Day:
    """The pulls of sessions: a folder (its *.h5), one session or several, in any order.

    Raises InputError where a session cannot be read or is given twice, and where none holds a pull.
    """
    given = [paths] if isinstance(paths, (str, Path)) else list(paths)
    if len(given) == 1 and Path(given[0]).is_dir():
        given = sorted(Path(given[0]).glob("*.h5"))
        if not given:
            raise InputError(f"{paths}: no session in this folder; give one that holds .h5 files", "no-session")
    return day_of(open_datasets(given, car), [str(path) for path in given])


def day_of(
    sessions: Sequence[Dataset], names: Sequence[str] = (), tell: Callable[[int], object] = lambda _: None
) -> Day:
    """A day of sessions that are open; `tell` is told how many were read. Raises InputError where none holds a pull;
    `names` are what it calls them."""
    read = 0

    def traces(data: Dataset) -> Sequence[PullTrace]:
        nonlocal read
        found = pull_traces(data)
        read += 1
        tell(read)
        return found

    pulls, findings = all_traces(sessions, traces)
    if not pulls:
        what = names[0] if len(names) == 1 else "none of these sessions"
        raise InputError(f"{what}: no pull was found; drive one, or look at what was found", "no-pull", what=what)
    return Day(tuple(sessions), tuple(pulls), tuple(findings))


def scatter_before(day: Day, history: str | Path | None = None, band_rpm: float = DEFAULT_WIDTH_RPM) -> Scatter:
    """What earlier days in a folder (None: the sessions' own; 'none': no day) teach of the car's scatter."""
    return PRIOR if history == "none" else known_scatter(day.pulls, history, band_rpm)


def correction(day: Day, air: Air = "kept", *, beyond_range: bool = False) -> Correction:
    """The factors to standard air, by session, and what must be said of them; factors None: nothing is corrected."""
    if air is None:
        return Correction(None, ())
    if air == "kept":
        return correction_of(day.pulls, None, beyond_range=beyond_range)
    if isinstance(air, Reading):
        air = {pull.session: air for pull in day.pulls}
    if isinstance(air, str):
        raise InputError(f"{air!r} is no air; give 'kept', None, or a reading")
    return correction_of(day.pulls, air, beyond_range=beyond_range)


def curves(
    day: Day, *, band_rpm: float = DEFAULT_WIDTH_RPM, air: Air = "kept", beyond_range: bool = False
) -> _curve.Curves:
    """Load against engine speed, per tune, 95 % intervals across pulls."""
    factors = correction(day, air, beyond_range=beyond_range)
    result = _curve.curves(day.pulls, band_rpm, factors.factors)
    return msgspec.structs.replace(result, findings=(*result.findings, *factors.findings))


def compare(
    day: Day,
    base: str,
    trial: str,
    *,
    band_rpm: float = DEFAULT_WIDTH_RPM,
    air: Air = "kept",
    beyond_range: bool = False,
    history: str | Path | None = None,
    drift_pct: float = _compare.DRIFT_PCT,
) -> Comparison:
    """Change of load from base to trial, band by band and overall; turns of pulls are the replicates.

    history     folder of earlier sessions that teach this car's scatter; None: the sessions' own; 'none': today alone
    drift_pct   standard uncertainty of a drift through the day, counted where the order would not show one
    """
    scatter = scatter_before(day, history, band_rpm)
    factors = correction(day, air, beyond_range=beyond_range)
    result = _compare.compare(day.pulls, base, trial, band_rpm, factors.factors, scatter, drift_pct)
    return msgspec.structs.replace(result, findings=(*result.findings, *factors.findings))


def coach(
    day: Day,
    base: str | None = None,
    trial: str | None = None,
    *,
    band_rpm: float = DEFAULT_WIDTH_RPM,
    history: str | Path | None = None,
) -> _coach.Advice:
    """The next pull to make, or settled; without tunes those driven first and last."""
    return _coach.coach(day.pulls, base, trial, band_rpm, scatter=scatter_before(day, history, band_rpm))


def power(
    day: Day,
    *,
    band_rpm: float = DEFAULT_WIDTH_RPM,
    road_load: RoadLoad | None = None,
    air_density: float | None = None,
    both_ways: bool = False,
    kept_air: bool = True,
) -> _power.Power:
    """Force, torque and power at the wheels; `road_load` is what `coastdown` gave, `air_density` in kg/m³."""
    return _power.power(day.sessions, band_rpm, road_load, air_density, both_ways, kept_air)


def coastdown(session: Dataset | str | Path, *, same_direction: bool = False) -> RoadLoad:
    """A, B and C of F = A + B v + C v² from the coastdowns in a session."""
    if isinstance(session, Dataset):
        return session_coastdown(session, same_direction)
    with open_dataset(session) as data:
        return session_coastdown(data, same_direction)


def fit_speed(
    paths: Paths,
    targets: Sequence[float] | None = None,
    *,
    at: Sequence[tuple[float, float]] | None = None,
    reading_error_rpm: float = 50.0,
    scale_error_pct: float = 1.0,
    model: str = "auto",
    car: Car | None = None,
) -> SpeedCalibration:
    """Holds to a speed calibration: `targets`, rpm, as held, or `at` pairs (start of the hold in s, rpm), or neither,
    where the holds are marked. Errors are standard (k = 1)."""
    reference = Reference(
        targets=None if targets is None else tuple(targets),
        at=None if at is None else tuple(at),
        reading_error_rpm=reading_error_rpm,
        scale_error_pct=scale_error_pct,
        model=model,
    )
    given = [paths] if isinstance(paths, (str, Path)) else list(paths)
    return fit_row(load_row(given, car), reference)


def survey(path: str | Path, car: Car | None = None) -> Survey:
    """What a drive tells of the measuring chain: dead band, ceiling, noise, cross-talk, pulses per turn."""
    return survey_session(path, car)


def align(session: Dataset, log: ControllerLog | str | Path, car: Car | None = None) -> Alignment:
    """The place of a controller's log on the session's clock; `car` is the car file that describes the log."""
    if not isinstance(log, ControllerLog):
        if car is None:
            raise InputError(f"{log}: needs the car file that describes the log")
        log = read_controller_log(log, car)
    return align_log(session, log)
