"""What a report is made of: sections of facts, words, tables and pictures. Both writers print these and nothing else,
so that a number cannot differ between them.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Literal

from ui.report.canvas import Canvas
from ui.text.figures import one_line

Tone = Literal["plain", "answer", "mind", "caution"]


@dataclass(frozen=True, slots=True)
class Words:
    """A paragraph. `answer` stands out, `mind` is something to mind, `caution` is about safety."""

    text: str
    tone: Tone = "plain"


def minds(lines: Iterable[str]) -> list[Words]:
    """What to mind, each once, as sentences."""
    return [Words(f"Warning: {text}.", "mind") for line in dict.fromkeys(lines) if (text := one_line(line).rstrip("."))]


@dataclass(frozen=True, slots=True)
class Facts:
    """What is what, a line each: (name, value)."""

    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Table:
    """Cells as printed. `text` names the columns that read from the left; all others are figures."""

    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    text: frozenset[int] = frozenset()
    note: str = ""


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture that a writer has drawn on a canvas of the page's width and this height, mm. `says` stands below it,
    and in its place where it cannot be seen.
    """

    draw: Callable[[Canvas], None]
    height_mm: float
    says: str


Part = Words | Facts | Table | Picture


@dataclass(frozen=True, slots=True)
class Section:
    """A heading and what stands below it; `own_page`: nothing else stands on its page."""

    title: str
    parts: tuple[Part, ...]
    own_page: bool = False


@dataclass(frozen=True, slots=True)
class Report:
    """The whole report; `made` is said at the foot of each page."""

    title: str
    subtitle: str
    made: str
    sections: tuple[Section, ...] = field(default_factory=tuple)
