"""The words of the Compare screen: the answer first, then what it rests on. No Qt in here."""

import math
from collections.abc import Iterable
from datetime import datetime

from stream.study.compare.compare import BandChange, Comparison
from stream.study.trace import PullTrace
from ui.cli.compare import band_words, more_pulls_words
from ui.cli.study_options import figures, pct
from ui.shelf_words import one_line
from ui.window.compare_study import Answer, Opened
from ui.window.words import FAULT_WORDS

CAUTION = (
    "More load says nothing of knock, mixture or heat: keep their limits. A closed road; local law and a licensed "
    "professional rule."
)


def signed(value: float) -> str:
    """A change in %, with its sign where it has one."""
    text = pct(value, sign=True)
    return text[1:] if text in ("+0.0", "-0.0") else text


def tune(name: str) -> str:
    """A tune's name as a person wrote it, or that there is none."""
    return one_line(name) or "no name"


def day_line(resolves_pct: float | None) -> str:
    """First of all: what this day can tell apart."""
    if resolves_pct is None:
        return "What your day resolves is not known yet: it needs two clean pulls on one tune."
    return f"Your day resolves {pct(resolves_pct)} %; a smaller change is lost in the scatter."


def answer(found: Answer) -> tuple[str, str, str]:
    """(state shape, the answer, what it rests on)."""
    result = found.comparison
    if result is None:
        why = one_line(found.trouble)
        return "caution", "No comparison", f"{why[:1].upper()}{why[1:]}."
    overall, base, trial = result.overall, tune(result.base), tune(result.trial)
    counts = f"{result.pulls.base} pulls of {base}, {result.pulls.trial} of {trial}"
    if overall.change_pct is None:
        return "caution", "No verdict: the two tunes share no rev band", counts
    if overall.low_pct is None or overall.high_pct is None:
        return "caution", "No verdict yet: it needs two pulls of each tune", counts
    interval = f"{signed(overall.low_pct)} to {signed(overall.high_pct)} %"
    kind = "caution" if result.order_only else "ok"
    only = ", in this order only" if result.order_only else ""
    if overall.resolved:
        way = "more" if overall.change_pct > 0 else "less"
        title = f"{trial} gives {pct(abs(overall.change_pct))} % {way} load than {base}{only}"
        return kind, title, f"Overall {interval} (95 % interval); {counts}."
    if any(band.resolved for band in result.bands):
        title = f"{trial} differs from {base} at some speeds, not overall{only}"
        return kind, title, f"Overall it may be anything from {interval}; {counts}."
    title = f"No difference shown between {trial} and {base}"
    return "idle", title, f"It may be anything from {interval}; {counts}. {more_pulls_words(result)}"


def bands_line(result: Comparison | None, width: float) -> str:
    """At which speeds it is resolved; '' where at none, which the answer says."""
    if result is None or not any(band.resolved for band in result.bands):
        return ""
    return one_line(band_words(result, width))


def next_pull(found: Answer) -> str:
    """The coach's words, without the day's, which stand on top already."""
    if found.advice is None:
        return ""
    words = found.advice.words
    if found.advice.day_resolves_pct is not None:
        words = words.removeprefix(f"Your day resolves {found.advice.day_resolves_pct:.1f} %. ")
    words = one_line(words.removeprefix("Next: "))
    return words[:1].upper() + words[1:]


def to_mind(found: Answer, opened: Opened) -> list[str]:
    """Everything that must be said beside the answer, each once; 'in this order only' first."""
    lines = [] if found.comparison is None else list(found.comparison.warnings)
    lines += [] if found.curves is None else [w for w in found.curves.warnings if "relative power" not in w]
    lines += opened.remarks
    lines = [one_line(line) for line in dict.fromkeys(lines)]
    lines.sort(key=lambda line: not line.startswith("in this order only"))
    return [f"{line[:1].upper()}{line[1:]}." for line in lines]


def band_reading(band: BandChange, found: Answer, unit: str) -> str:
    """The numbers of a band, for the pointer."""
    low, high = band.rpm - found.width / 2, band.rpm + found.width / 2
    sides = []
    for name, mean, count in ((found.base, band.base_mean, band.base_n), (found.trial, band.trial_mean, band.trial_n)):
        pulls = "1 pull" if count == 1 else f"{count} pulls"
        sides.append(f"{tune(name)} {load(mean, unit)} ({pulls})" if mean is not None else f"{tune(name)}: no pull")
    text = f"{low:.0f} to {high:.0f} rpm:  {',  '.join(sides)}"
    if band.change_pct is None:
        return text
    text += f".  Change {signed(band.change_pct)} %"
    if band.low_pct is None or band.high_pct is None:
        return f"{text}, no interval from so few pulls"
    text += f" ({signed(band.low_pct)} to {signed(band.high_pct)} %)"
    return f"{text}, {'resolved' if band.resolved else 'not resolved'}"


def load(value: float | None, unit: str) -> str:
    """A mean load, in no more figures than pulls are worth."""
    text = figures(value, None if value is None else abs(value) / 50)
    return f"{text} {unit}".strip()


def chance(band: BandChange) -> str:
    """The adjusted p of a band; '<0.001' where more would be false precision."""
    if band.p_adjusted is None:
        return ""
    return "<0.001" if band.p_adjusted < 0.001 else f"{band.p_adjusted:.2g}"


def verdict(pull: PullTrace) -> str:
    """A pull's verdict with its reasons."""
    if pull.verdict == "clean":
        return "clean"
    return ", ".join(FAULT_WORDS.get(fault, fault) for fault in pull.faults) or "flawed"


def when(pull: PullTrace, with_day: bool = True) -> str:
    """Minute, and day where wanted, that the pull began."""
    if not math.isfinite(pull.started):
        return ""
    return f"{datetime.fromtimestamp(pull.started).astimezone():{'%d %b %H:%M' if with_day else '%H:%M'}}"


def on_one_day(pulls: Iterable[PullTrace]) -> bool:
    """Whether these pulls were all made on one day, so that the hour alone tells them apart."""
    days = {datetime.fromtimestamp(p.started).astimezone().date() for p in pulls if math.isfinite(p.started)}
    return len(days) <= 1


def span(pull: PullTrace) -> str:
    """From which speed to which, to the nearest 50 rpm."""
    import numpy as np

    time = pull.time_s
    start = float(time[0]) if pull.start_s is None else pull.start_s
    end = float(time[-1]) if pull.end_s is None else pull.end_s
    speeds = pull.speed_rpm[(time >= start) & (time <= end) & np.isfinite(pull.speed_rpm)]
    if not len(speeds):
        return ""
    return f"{50 * round(float(speeds[0]) / 50)}–{50 * round(float(speeds[-1]) / 50)}"
