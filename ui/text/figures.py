"""Figures as text: rounded to what they are worth, with their unit; times and counts. One rule for screen and paper.
Text that others wrote, made fit for one line.
"""

import math
from collections.abc import Iterable
from datetime import datetime

NO_FIGURE = "–––"  # where a figure is watched and there is none
Z95 = 1.96  # half of a 95 % interval in standard uncertainties of a normal distribution


def figures(value: float | None, u: float | None) -> str:
    """A value to the second figure of its uncertainty `u`, to four of its own where there is none; '' if not known."""
    if value is None or not math.isfinite(value):
        return ""
    if u is not None and u > 0 and math.isfinite(u):
        decimals = 1 - math.floor(math.log10(u))
    else:
        decimals = 3 - (math.floor(math.log10(abs(value))) if value else 0)
    return f"{round(value, decimals) + 0.0:.{max(decimals, 0)}f}"


def plus_minus(value: float, u: float) -> str:
    """A value with half its 95 % interval, both to the same figure; `u` is the standard uncertainty."""
    half = Z95 * u
    return f"{figures(value, half)} ± {figures(half, half)}" if half > 0 and math.isfinite(half) else f"{value:.6g}"


def two_figures(value: float | None, unit: str = "") -> str:
    """Two significant figures and all whole ones, without an exponent; '–––' where it is not known."""
    if value is None or not math.isfinite(value):
        return NO_FIGURE
    decimals = max(0, 1 - math.floor(math.log10(abs(value)))) if value else 0
    return f"{value:.{min(decimals, 9)}f} {unit}".strip()


def pct(value: float | None, sign: bool = False) -> str:
    """Per cent to one decimal, whole from 10 % on; '?' where it cannot be known. A rounded zero has no sign."""
    if value is None or not math.isfinite(value):
        return "?"
    decimals = 0 if abs(value) >= 10 else 1
    rounded = round(value, decimals) + 0.0
    return f"{rounded:{'+' if sign and rounded else ''}.{decimals}f}"


def pull_load(value: float | None, unit: str = "") -> str:
    """The mean load of pulls, to the second figure of 2 % of it: they repeat no better."""
    return "" if value is None else f"{figures(value, abs(value) / 50)} {unit}".strip()


def live_load(value: float, unit: str) -> str:
    """Load as it is watched: two decimals of mV/V or V, whole microstrain, tens of newtons."""
    if not math.isfinite(value):
        return NO_FIGURE
    step = load_step(unit)
    return f"{round(value, 2) + 0.0:.2f}" if step < 1 else str(round(value / step) * round(step))


def load_step(unit: str) -> float:
    """The last digit of a load that is watched."""
    return {"N": 10.0, "microstrain": 1.0}.get(unit, 0.01)


def live_rpm(value: float, step: int = 10) -> str:
    """Engine speed as it is watched, to the nearest `step`: a foot wanders by more than that."""
    return NO_FIGURE if not math.isfinite(value) else str(round(value / step) * step)


class StillLoad:
    """Load as it is watched, without a last digit that flickers: the figure stays until the load is clearly another."""

    CLEARLY = 0.8  # of the last digit; half of it is where rounding alone would turn

    def __init__(self) -> None:
        self._shown: tuple[float, str] = (math.nan, "")

    def text(self, value: float, unit: str) -> str:
        """The figure for now."""
        shown, in_unit = self._shown
        step = load_step(unit)
        if in_unit != unit or not abs(value - shown) < self.CLEARLY * step:
            shown = round(value / step) * step if math.isfinite(value) else math.nan
            self._shown = shown, unit
        return live_load(shown, unit)


def whole(value: float | None) -> str:
    """A whole number; '' where it is not known."""
    return "" if value is None or not math.isfinite(value) else f"{round(value)}"


def signed(value: float | None) -> str:
    """A difference in whole numbers with its sign, 0 without; '' where it is not known."""
    if value is None or not math.isfinite(value):
        return ""
    return f"{round(value):+d}" if round(value) else "0"


def count(value: int) -> str:
    """A count, with the thousands set apart by a narrow space."""
    return f"{value:,}".replace(",", "\u202f")


def many(number: int, what: str) -> str:
    """'1 hold', '2 holds'."""
    return f"{count(number)} {what}{'' if number == 1 else 's'}"


def size(count: float) -> str:
    """Bytes as disks are sold: decimal, two figures."""
    for unit, scale in (("TB", 1e12), ("GB", 1e9), ("MB", 1e6)):
        if count >= scale:
            value = count / scale
            return f"{value:.1f} {unit}" if value < 10 else f"{value:.0f} {unit}"
    return "under 1 MB"


def seconds(value: float) -> str:
    """A length of time that is watched as it grows."""
    return f"{value:.1f} s"


def clock(value: float) -> str:
    """Session time as minutes and seconds, or hours too."""
    whole_s = max(0, int(value))
    hours, rest = divmod(whole_s, 3600)
    minutes = f"{rest // 60:02d}:{rest % 60:02d}"
    return f"{hours}:{minutes}" if hours else minutes


def length(value: float | None) -> str:
    """A duration as a person says it: seconds below two minutes, then minutes and seconds, then hours."""
    if value is None:
        return ""
    whole_s = round(value)
    if whole_s < 120:
        return f"{whole_s} s"
    if whole_s < 7200:
        return f"{whole_s // 60} min {whole_s % 60:02d} s"
    return f"{whole_s // 3600} h {whole_s % 3600 // 60:02d} min"


def moment(when: datetime | float | str | None) -> str:
    """Day and minute on the wall: of a time, of seconds since 1970 or of an ISO 8601 stamp; another text stays."""
    if when is None or (isinstance(when, float) and not math.isfinite(when)):
        return ""
    if isinstance(when, str):
        try:
            time = datetime.fromisoformat(when)
        except ValueError:
            return when
    else:
        time = when if isinstance(when, datetime) else datetime.fromtimestamp(when)
    return f"{time.astimezone():%Y-%m-%d %H:%M}"


def interval(low: float | None, high: float | None, decimals: int) -> str:
    """An interval; a side without bound is said."""
    if low is None and high is None:
        return ""
    ends = ["no bound" if end is None else f"{end:.{decimals}f}" for end in (low, high)]
    return f"{ends[0]} to {ends[1]}"


def one_line(text: str, longest: int | None = None) -> str:
    """Foreign text on one line: line ends and control characters become blanks; cut with '…' beyond `longest`."""
    shown = " ".join("".join(letter if letter.isprintable() else " " for letter in text).split())
    return shown if longest is None or len(shown) <= longest else shown[: longest - 1] + "…"


def sentence(line: str) -> str:
    """A line with a capital letter and one full stop; '' stays ''. A file's name in front stays as it is."""
    text = one_line(line).rstrip(".")
    if text.split(" ", 1)[0].isalpha():
        text = f"{text[:1].upper()}{text[1:]}"
    return text if not text or text.endswith(("?", "!")) else f"{text}."


def sentences(lines: Iterable[str]) -> list[str]:
    """Each line once, as a sentence."""
    return [text for line in dict.fromkeys(lines) if (text := sentence(line))]


def tune_name(name: str) -> str:
    """A tune's name as a person wrote it, or that there is none."""
    return one_line(name) or "no name"
