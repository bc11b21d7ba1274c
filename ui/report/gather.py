"""Everything a report tells of some sessions, read once: sessions, pulls, curves, comparisons, air, files."""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from stream.errors import InputError
from stream.findings import Finding, warning
from stream.record.session import open_session
from stream.record.summary import Summary, summarise
from stream.study.compare.answer import Comparison
from stream.study.compare.coach import Resolves, day_resolves
from stream.study.compare.compare import compare
from stream.study.compare.curve import Curves, curves
from stream.study.compare.scatter import Scatter, known_scatter
from stream.study.dataset import Dataset, open_datasets
from stream.study.force.air import AirFactors, air_factors
from stream.study.force.boost import Reading
from stream.study.pulls import PullTrace, all_traces, correction_of
from ui.report.gather_advice import Asked, Studies, studies_of
from ui.text.findings import say_all


@dataclass(frozen=True, slots=True)
class SourceFile:
    """A session file: its SHA-256, its size, and the version that recorded it."""

    sha256: str
    size: int
    recorded_by: str
    live_filter: str


@dataclass(frozen=True, slots=True)
class Air:
    """The day's air for a session: °C, hPa where the car stood, % relative humidity, and the standards' factors."""

    temperature_c: float
    pressure_hpa: float
    humidity_pct: float
    factors: AirFactors


@dataclass(frozen=True, slots=True)
class Compared:
    """Two tunes; `result` None where they cannot be compared, and then `trouble` says why."""

    base: str
    trial: str
    result: Comparison | None
    resolves: Resolves | None
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class Gathered:
    """What the sections are made from. Sessions, summaries and files belong together one to one, in order of time.

    air             by session; empty where none was given
    corrected       whether load was corrected to standard air
    air_findings    what must be said of that
    curve_trouble   why there are no curves, '' where there are
    words           what must be said of the sessions
    """

    sessions: tuple[Dataset, ...]
    summaries: tuple[Summary, ...]
    files: tuple[SourceFile, ...]
    pulls: tuple[PullTrace, ...]
    words: tuple[str, ...]
    curves: Curves | None
    curve_trouble: str
    comparisons: tuple[Compared, ...]
    width_rpm: float
    air: Mapping[str, Air]
    corrected: bool
    air_findings: tuple[Finding, ...]
    software: str
    made: datetime
    studies: Studies

    @property
    def cars(self) -> tuple[str, ...]:
        """Names of the cars, each once."""
        return tuple(dict.fromkeys(session.car.car.name for session in self.sessions))

    def short(self, text: str) -> str:
        """The text with each session's path cut down to its file's name."""
        for session in self.sessions:
            text = text.replace(str(session.path), session.path.name)
        return text


def gather(
    paths: Sequence[str],
    *,
    width_rpm: float,
    base: str | None = None,
    air: Mapping[str, Reading] | None = None,
    kept_air: bool = True,
    beyond_range: bool = False,
    asked: Asked | None = None,
) -> Gathered:
    """Read the sessions and study them.

    base       the tune that all others are compared with; the first one driven where None
    air        readings by session path; None: those kept with the sessions, where `kept_air`
    asked      the tables that proposals are wanted for

    Raises InputError: a session that cannot be read, a base that no session has, an air out of range, a table that
    cannot be read or advised on.
    """
    sessions = tuple(open_datasets(paths))
    pulls, words = _pulls(sessions)
    readings = _readings(sessions, air, kept_air, beyond_range)
    factors, air_findings = _correction(pulls, air, kept_air, beyond_range)
    found, trouble = _curves(pulls, width_rpm, factors)
    scatter = known_scatter(pulls, width=width_rpm)
    return Gathered(
        sessions=sessions,
        summaries=tuple(summarise(session.path) for session in sessions),
        files=tuple(_file(session.path) for session in sessions),
        pulls=tuple(pulls),
        words=tuple(words),
        curves=found,
        curve_trouble=trouble,
        comparisons=_comparisons(pulls, base, width_rpm, factors, scatter),
        width_rpm=width_rpm,
        air=readings,
        corrected=factors is not None,
        air_findings=air_findings,
        software=software(),
        made=datetime.now(UTC),
        studies=studies_of(
            sessions,
            asked or Asked(),
            width_rpm,
            [(one.temperature_c, one.pressure_hpa, one.humidity_pct) for one in readings.values()],
        ),
    )


def _readings(
    sessions: Sequence[Dataset], air: Mapping[str, Reading] | None, kept_air: bool, beyond_range: bool
) -> dict[str, Air]:
    """The air by session path: as given, else as kept."""
    found = (
        {}
        if air is None
        else {path: (one.temperature_c, one.pressure_hpa, one.humidity_pct) for path, one in air.items()}
    )
    if air is None and kept_air:
        for data in sessions:
            if (one := data.weather) is not None:
                found[str(data.path)] = (one.temperature_c, one.pressure_hpa, one.humidity_pct)
    return {path: Air(*one, air_factors(*one, beyond_range=beyond_range)) for path, one in found.items()}


def _correction(
    pulls: Sequence[PullTrace], air: Mapping[str, Reading] | None, kept_air: bool, beyond_range: bool
) -> tuple[Mapping[str, float] | None, tuple[Finding, ...]]:
    """(factor by session, what must be said of it); a report without a zero is printed, uncorrected."""
    if not pulls or (air is None and not kept_air):
        return None, ()
    try:
        found = correction_of(pulls, air, beyond_range=beyond_range)
    except InputError as error:
        if error.code != "air-needs-zero":
            raise
        return None, (warning("air-kept-no-zero"),)
    return found.factors, found.findings


def software() -> str:
    """The name and version of what made the report."""
    try:
        return f"Steadypull {version('steadypull')}"
    except PackageNotFoundError:
        return "Steadypull, run from a folder"


def _pulls(sessions: Sequence[Dataset]) -> tuple[list[PullTrace], list[str]]:
    with_load = [session for session in sessions if session.car.by_role("load") is not None]
    pulls, found = all_traces(with_load)
    words = say_all(found)
    words += [f"{s.path}: has no load channel, so its pulls are not studied" for s in sessions if s not in with_load]
    return pulls, words


def _curves(pulls: list[PullTrace], width: float, air: Mapping[str, float] | None) -> tuple[Curves | None, str]:
    if not pulls:
        return None, "no pull was found in these sessions"
    try:
        return curves(pulls, width, air), ""
    except InputError as error:
        return None, str(error)


def _comparisons(
    pulls: list[PullTrace], base: str | None, width: float, air: Mapping[str, float] | None, scatter: Scatter
) -> tuple[Compared, ...]:
    tunes = list(dict.fromkeys(pull.tune for pull in pulls))
    if base is not None and base not in tunes:
        there = ", ".join(repr(tune) for tune in tunes) or "no pull at all"
        raise InputError(f"--base {base!r}: no pull of it in these sessions; they hold {there}")
    if len(tunes) < 2:
        return ()
    first = tunes[0] if base is None else base
    return tuple(_compared(pulls, first, trial, width, air, scatter) for trial in tunes if trial != first)


def _compared(
    pulls: list[PullTrace], base: str, trial: str, width: float, air: Mapping[str, float] | None, scatter: Scatter
) -> Compared:
    both = [pull for pull in pulls if pull.tune in (base, trial)]
    try:
        result = compare(pulls, base, trial, width, air, scatter)
        return Compared(base, trial, result, day_resolves(both, width))
    except InputError as error:
        return Compared(base, trial, None, None, str(error))


def _file(path: Path) -> SourceFile:
    with path.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
    with open_session(path) as session:
        speed = session.h5.get("live/speed")
        used = "" if speed is None else speed.attrs.get("filter", "")
        live_filter = used.decode() if isinstance(used, bytes) else str(used)
        return SourceFile(digest, path.stat().st_size, session.software_version, live_filter)
