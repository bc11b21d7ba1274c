"""How far the job in a folder is: each step done, next, open or missing, from what its sessions say. No Qt in here."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from stream.record.summary import Summary
from ui.text import job as words
from ui.window.memory import FolderJob

State = Literal["done", "next", "open", "missing"]
LEAST_HOLDS = 3  # a line with an uncertainty takes three


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the trail; `why` says what it lacks or has. 'open': can be done, but another one is next."""

    key: str
    state: State
    why: str

    @property
    def name(self) -> str:
        """Its name on the trail."""
        return words.STEPS[self.key][0]


@dataclass(frozen=True, slots=True)
class Found:
    """What a folder's sessions offer: those with held speeds, most first, and those with pulls, in order of time."""

    holds: tuple[Summary, ...]
    pulls: tuple[Summary, ...]
    calibrated: tuple[Summary, ...]

    @property
    def clean(self) -> dict[str, int]:
        """Clean pulls of each tune, in the order they were driven."""
        counts: dict[str, int] = {}
        for session in self.pulls:
            tune = session.tunes[0] if session.tunes else ""
            counts[tune] = counts.get(tune, 0) + session.pulls_clean
        return counts

    @property
    def enough(self) -> bool:
        """Whether two tunes have pulls, and together enough for the first look."""
        clean = {tune: number for tune, number in self.clean.items() if number}
        return len(clean) >= 2 and sum(clean.values()) >= words.FIRST_LOOK

    @property
    def next_tune(self) -> str:
        """Of the tunes that were pulled the one with fewer clean pulls, or '' for one that is new."""
        clean = self.clean
        return min(clean, key=lambda tune: clean[tune]) if len(clean) > 1 else ""


def sort_out(sessions: Sequence[Summary]) -> Found:
    """Sort a folder's sessions by what they offer."""
    readable = sorted((s for s in sessions if s.readable), key=lambda s: (s.started_utc is not None, s.started_utc))
    pulls = tuple(s for s in readable if s.pulls_clean + s.pulls_flawed)
    holds = [s for s in readable if s.holds >= LEAST_HOLDS]
    holds.sort(key=lambda s: (s.pulls_clean + s.pulls_flawed > 0, -s.holds))
    return Found(tuple(holds), pulls, tuple(s for s in readable if s.calibrated))


def trail(sessions: Sequence[Summary], job: FolderJob, *, car: bool) -> tuple[Step, ...]:
    """The steps in order; at most one is next. Pulls come before what is done to their sessions at the desk."""
    found = sort_out(sessions)
    car = car or any(session.readable for session in sessions)  # each carries its car file
    raw = [
        ("plan", car, "", "" if car else words.NO_CAR),
        ("hold", bool(found.holds or found.calibrated), "", "" if found.holds else words.NO_HOLDS),
        ("fit", bool(found.calibrated), "" if found.holds or found.calibrated else words.NO_HOLDS, ""),
        ("pull", found.enough, "", words.pulls_so_far(found.clean) if found.pulls else words.NO_PULLS),
        _apply(found),
        _zero(found),
        _compare(found, job),
        _tables(found, job),
        _report(found, job),
    ]
    steps: list[Step] = []
    taken = False
    for key, done, missing, why in raw:
        state: State = "done" if done else "missing" if missing else "open" if taken else "next"
        taken = taken or state == "next"
        steps.append(Step(key, state, missing or why))
    order = list(words.STEPS)
    return tuple(sorted(steps, key=lambda step: order.index(step.key)))


Raw = tuple[str, bool, str, str]  # key, whether it is done, what it lacks, what there is to say


def _apply(found: Found) -> Raw:
    left = [session for session in found.pulls if not session.calibrated]
    missing = words.NO_PULLS if not found.pulls else "" if found.calibrated else words.NO_FIT
    why = words.lacking(len(left), len(found.pulls), "the calibration") if left else ""
    return "apply", bool(found.pulls) and not left, missing, why


def _zero(found: Found) -> Raw:
    left = [session for session in found.pulls if not session.zeros]
    why = words.lacking(len(left), len(found.pulls), "a zero") if left else ""
    return "zero", bool(found.pulls) and not left, "" if found.pulls else words.NO_PULLS, why


def _compare(found: Found, job: FolderJob) -> Raw:
    two = len([tune for tune, number in found.clean.items() if number]) >= 2
    done = two and {session.path for session in found.pulls} <= set(job.compared)
    return "compare", done, "" if two else words.NO_COMPARISON, "" if done else words.NOT_COMPARED


def _tables(found: Found, job: FolderJob) -> Raw:
    written = [name for name, path in job.tables.items() if Path(path).is_file()]
    why = words.tables_so_far(written)
    return "tables", len(written) == len(("ignition", "mixture")), "" if found.pulls else words.NO_PULLS, why


def _report(found: Found, job: FolderJob) -> Raw:
    report = Path(job.report) if job.report else None
    there = report is not None and report.is_file()
    sessions = [Path(session.path) for session in (*found.holds, *found.pulls)]
    newest = max((path.stat().st_mtime for path in sessions if path.exists()), default=0.0)
    done = report is not None and there and report.stat().st_mtime >= newest
    return "report", done, "" if sessions else words.NO_PULLS, report.name if done and report is not None else ""
