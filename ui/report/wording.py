"""Figures and words that several sections share, rounded to what they are worth."""

import math

from ui.cli.study_options import figures
from ui.report.model import Words
from ui.shelf_words import FAULTS, one_line


def tune_name(name: str) -> str:
    """A tune's name as a person wrote it, or that there is none."""
    return one_line(name) or "no name"


def minds(lines: "tuple[str, ...] | list[str]") -> list[Words]:
    """What to mind, each once, as sentences."""
    told = [one_line(line).rstrip(".") for line in dict.fromkeys(lines)]
    return [Words(f"Mind: {line}.", "mind") for line in told if line]


def fault_words(faults: "tuple[str, ...]") -> str:
    """Why a pull is flawed."""
    return ", ".join(FAULTS.get(fault, fault.replace("-", " ")) for fault in faults)


def load_figure(value: float | None) -> str:
    """Load to three figures or so: pulls repeat no better."""
    return "" if value is None else figures(value, abs(value) / 50)


def rpm_figure(value: float | None) -> str:
    """Whole rpm; '' where it is not known."""
    return "" if value is None or not math.isfinite(value) else f"{value:.0f}"


def signed(text: str) -> str:
    """A signed figure; a zero after rounding has no sign."""
    return text[1:] if text.strip("+-0.") == "" and text[:1] in "+-" else text


def thousands(value: int) -> str:
    """A count, its thousands set apart."""
    return f"{value:,}".replace(",", "\u202f")
