"""Why a pull is flawed, in words: one table for every screen, command and page."""

from collections.abc import Iterable

# every value of `stream.live.records.PullFault`
FAULTS = {
    "wheelspin": "wheelspin",
    "lift": "lifted early",
    "gear-change": "gear change",
    "part-throttle": "not full throttle",
    "brake": "braking",
    "cornering": "cornering",
    "bump": "bump",
    "clipped": "clipped",
    "lost-samples": "lost samples",
    "too-short": "too short",
    "too-quick": "too quick",
    "zero-drifted": "zero drifted",
    "over-limit": "over a limit",
}


def fault(name: str) -> str:
    """One fault. A newer recording may hold one that this version does not know: its name stands."""
    return FAULTS.get(name, name.replace("-", " "))


def faults(names: Iterable[str]) -> str:
    """All faults of a pull in one line; '' for none."""
    return ", ".join(fault(name) for name in names)


def verdict(verdict: str, names: Iterable[str]) -> str:
    """'clean', or 'flawed: lifted early, bump'."""
    why = faults(names)
    return f"{verdict}: {why}" if verdict != "clean" and why else verdict
