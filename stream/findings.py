"""What the engine noticed: a code, how much it matters, and the values behind it. The sentence is made in `ui/text`.

Decisions rest on `code` and `values`, never on words.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Literal

Severity = Literal["note", "warning", "danger"]
"""note: good to know; warning: changes what a result is worth; danger: acting on it could hurt engine or person."""

Value = str | int | float | bool | None | tuple[str | float, ...]


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing noticed.

    code       words joined by hyphens, unique in the project, e.g. 'knock-channel-flat'
    values     what the sentence needs; numbers with the unit in their name ('rpm', 'change_pct'), never prose
    """

    code: str
    severity: Severity = "warning"
    values: Mapping[str, Value] = field(default_factory=dict)


def note(code: str, **values: Value) -> Finding:
    """A finding that is good to know and changes nothing."""
    return Finding(code, "note", values)


def warning(code: str, **values: Value) -> Finding:
    """A finding that changes what a result is worth."""
    return Finding(code, "warning", values)


def danger(code: str, **values: Value) -> Finding:
    """A finding on which to act could hurt engine or person."""
    return Finding(code, "danger", values)


def plain(finding: Finding) -> str:
    """A finding without its sentence: the code and its values, for an engine that runs without `ui`."""
    return ", ".join([finding.code, *(f"{name}={value}" for name, value in finding.values.items())])


def unique(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """The findings in order, each once."""
    kept: list[Finding] = []
    for finding in findings:
        if finding not in kept:
            kept.append(finding)
    return tuple(kept)
