"""The words of the shelf, on the command line and in the window alike."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from stream.record.summary import Summary
from ui.text.faults import fault
from ui.text.figures import count, many, moment, one_line, pct, sentences
from ui.text.findings import say_all

if TYPE_CHECKING:
    from stream.study.compare.trend import Trend


NOTED = "Note kept"
FORMATS = {"mat": "MATLAB", "parquet": "Parquet", "nc": "netCDF"}  # ending: what else an export may be


def tunes(session: Summary) -> str:
    """The tunes in a session, or that none was named."""
    return one_line(", ".join(session.tunes)) or ("no name" if session.readable else "")


def pulls(session: Summary) -> str:
    """Clean pulls, and flawed ones where there are any."""
    if not session.readable:
        return ""
    if not session.pulls_clean and not session.pulls_flawed:
        return "none"
    flawed = f", {session.pulls_flawed} flawed" if session.pulls_flawed else ""
    return f"{session.pulls_clean} clean{flawed}"


def trouble(session: Summary) -> str:
    """Why a session is not whole or cannot be read, in a line; '' for one that can."""
    if session.state != "cut-off":
        return session.trouble
    rest = "the journal beside it brings back the rest" if session.journal else "what it holds can be used"
    return f"cut off while recording; {rest}"


def troubles(session: Summary) -> list[str]:
    """What is wrong with a session, the worst first; empty for a sound one."""
    words = [line] if (line := trouble(session)) else []
    if session.readable and session.lost_samples:
        words.append(f"{many(session.lost_samples, 'sample')} lost")
    if session.readable and session.clipped_samples:
        words.append(f"{many(session.clipped_samples, 'sample')} clipped")
    return words


def health(session: Summary) -> str:
    """One cell: what is wrong, or 'good'."""
    return "; ".join(troubles(session)) or "good"


def why_flawed(session: Summary) -> str:
    """The faults of the pulls with their counts."""
    return ", ".join(f"{fault(name)} ×{times}" for name, times in session.faults.items())


def search(sessions: Sequence[Summary], text: str) -> list[Summary]:
    """The sessions in which every word of `text` is found, in whatever the shelf shows of them."""
    words = text.casefold().split()
    return [one for one, shown in ((one, _shown(one)) for one in sessions) if all(word in shown for word in words)]


def _shown(session: Summary) -> str:
    date = "" if session.started_utc is None else f"{session.started_utc.astimezone():%Y-%m-%d %H:%M}"
    gear = "" if session.gear is None else f"gear {session.gear}"
    flaws = (*session.faults, *map(fault, session.faults), session.state, *troubles(session))
    return " ".join((session.path, date, *session.tunes, session.car, gear, session.note, *flaws)).casefold()


def name(session: Summary, folder: Path) -> str:
    """The file, with the folders below the shelf's own; bytes that are no letters become question marks."""
    path = Path(session.path)
    shown = path.relative_to(folder) if path.is_relative_to(folder) else path
    return one_line(str(shown).encode("utf-8", "replace").decode("utf-8"))


def total(sessions: int, shown: int) -> str:
    """How many there are, and how many of them are shown."""
    return many(sessions, "session") if shown == sessions else f"{count(shown)} of {many(sessions, 'session')}"


def trend_lines(trend: "Trend") -> tuple[str, str]:
    """A trend as an answer, and session by session what it rests on."""
    tune, month = one_line(trend.tune), 30.0
    low, high = trend.low_pct_per_day, trend.high_pct_per_day
    if trend.slope_pct_per_day is None or low is None or high is None:
        answer = f"{tune}: no trend can be told yet; it takes three sessions at different times"
    elif low <= 0 <= high:
        answer = f"{tune}: no drift shown; it may be {month * low:+.1g} to {month * high:+.1g} % in 30 days"
    else:
        way = "falls" if high < 0 else "rises"
        rate = month * abs(trend.slope_pct_per_day)
        answer = f"{tune} {way} by about {rate:.2g} % in 30 days ({month * low:+.2g} to {month * high:+.2g} %)"
    steps = [f"{moment(p.started)}: {pct(p.change_pct, sign=True)} %" for p in trend.points]
    told = "Against the first session: " + ", ".join(steps) + "." if steps else ""
    return answer, " ".join([told, *sentences(say_all(trend.findings))])


CHOOSE = "Choose the folder that holds your sessions"
NONE_HERE = "No session in this folder yet: drive or rehearse on Start, or choose another folder"
