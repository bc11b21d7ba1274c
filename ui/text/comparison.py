"""The words of a comparison: the answer first, then what it rests on."""

import math
from collections.abc import Iterable
from datetime import datetime

from stream.study.compare.coach import Advice
from stream.study.compare.compare import BandChange, Comparison
from stream.study.compare.curve import Curves
from stream.study.pulls import PullTrace
from ui.text import faults
from ui.text.figures import many, pct, pull_load
from ui.text.lines import one_line, sentence, sentences, tune_name


def change(value: float) -> str:
    """A change in %, with its sign where it has one."""
    return pct(value, sign=True)


def day_line(resolves_pct: float | None) -> str:
    """First of all: what this day can tell apart."""
    if resolves_pct is None:
        return "What your day resolves is not known yet: it needs two clean pulls on one tune."
    return f"Your day resolves {pct(resolves_pct)} %; a smaller change is lost in the scatter."


def answer(result: Comparison | None, trouble: str) -> tuple[str, str, str]:
    """(state shape, the answer, what it rests on); `trouble` says why there is no comparison."""
    if result is None:
        return "caution", "No comparison", sentence(trouble)
    overall, base, trial = result.overall, tune_name(result.base), tune_name(result.trial)
    counts = f"{result.pulls.base} pulls of {base}, {result.pulls.trial} of {trial}"
    if overall.change_pct is None:
        return "caution", "No verdict: the two tunes share no rev band", counts
    if overall.low_pct is None or overall.high_pct is None:
        return "caution", "No verdict yet: it needs two pulls of each tune", counts
    interval = f"{change(overall.low_pct)} to {change(overall.high_pct)} %"
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


def verdict_words(result: Comparison) -> str:
    """The overall verdict in one sentence."""
    overall = result.overall
    counts = f"{result.pulls.base} pulls of {result.base!r}, {result.pulls.trial} of {result.trial!r}"
    if overall.change_pct is None:
        return f"No verdict: nothing to compare. {counts}."
    if overall.low_pct is None or overall.high_pct is None:
        return f"No verdict: one pull a side shows curves and no more. {counts}."
    interval = f"{pct(overall.low_pct, sign=True)} to {pct(overall.high_pct, sign=True)} %"
    way = "more" if overall.change_pct > 0 else "less"
    if overall.resolved:
        words = f"{result.trial!r} gives {pct(abs(overall.change_pct))} % {way} load than {result.base!r} ({interval})"
        words = f"Resolved: {words}, {counts}."
    else:
        words = f"Not resolved: {result.trial!r} against {result.base!r} may be anything from {interval}, {counts}."
    return f"In this order only. {words}" if result.order_only else words


def band_words(result: Comparison, width: float) -> str:
    """At which speeds the change is resolved, runs of bands drawn together."""
    bands = result.bands
    if not any(band.resolved for band in bands):
        return "No band is resolved by itself."
    told = []
    for word, sign in (("more", 1), ("less", -1)):
        spans: list[list[float]] = []
        for band in bands:
            if not band.resolved or band.change_pct is None or band.change_pct * sign <= 0:
                continue
            low, high = band.rpm - width / 2, band.rpm + width / 2
            if spans and low - spans[-1][1] < 1e-6 * width:
                spans[-1][1] = high
            else:
                spans.append([low, high])
        if spans:
            told.append(f"{word} at " + ", ".join(f"{low:.0f} to {high:.0f}" for low, high in spans) + " rpm")
    return f"Resolved by band: {'; '.join(told)}."


def more_pulls_words(result: Comparison) -> str:
    """How fine this comparison is, and how many pulls would settle 2 %."""
    if result.smallest_resolvable_pct is None:
        return "How fine this is cannot be said with so few pulls."
    words = f"These pulls would show a change of {pct(result.smallest_resolvable_pct)} % four times in five"
    if result.pulls_for_2_pct is None:
        return f"{words}."
    low, high = result.pulls_for_2_pct
    return (
        f"{words}; {low} to {high} pulls of each tune would show 2 %."
        if low != high
        else (f"{words}; {low} pulls of each tune would show 2 %.")
    )


def next_pull(advice: Advice | None) -> str:
    """The coach's words, without the day's, which stand on top already."""
    if advice is None:
        return ""
    words = advice.words
    if advice.day_resolves_pct is not None:
        words = words.removeprefix(f"Your day resolves {advice.day_resolves_pct:.1f} %. ")
    words = one_line(words.removeprefix("Next: "))
    return words[:1].upper() + words[1:]


def to_mind(result: Comparison | None, curves: Curves | None, remarks: Iterable[str]) -> list[str]:
    """Everything that must be said beside the answer, each once; 'in this order only' first."""
    lines = [] if result is None else list(result.warnings)
    lines += [] if curves is None else [w for w in curves.warnings if "relative power" not in w]
    lines += remarks
    lines.sort(key=lambda line: not line.startswith("in this order only"))
    return sentences(lines)


def band_reading(band: BandChange, result: Comparison, width: float) -> str:
    """The numbers of a band, for the pointer."""
    low, high = band.rpm - width / 2, band.rpm + width / 2
    sides = []
    for name, mean, count in (
        (result.base, band.base_mean, band.base_n),
        (result.trial, band.trial_mean, band.trial_n),
    ):
        shown = f"{pull_load(mean, result.unit)} ({many(count, 'pull')})"
        sides.append(f"{tune_name(name)} {shown}" if mean is not None else f"{tune_name(name)}: no pull")
    text = f"{low:.0f} to {high:.0f} rpm:  {',  '.join(sides)}"
    if band.change_pct is None:
        return text
    text += f".  Change {change(band.change_pct)} %"
    if band.low_pct is None or band.high_pct is None:
        return f"{text}, no interval from so few pulls"
    text += f" ({change(band.low_pct)} to {change(band.high_pct)} %)"
    return f"{text}, {'resolved' if band.resolved else 'not resolved'}"


def chance(band: BandChange) -> str:
    """The adjusted p of a band; '<0.001' where more would be false precision."""
    if band.p_adjusted is None:
        return ""
    return "<0.001" if band.p_adjusted < 0.001 else f"{band.p_adjusted:.2g}"


def verdict(pull: PullTrace) -> str:
    """A pull's verdict with its reasons."""
    return "clean" if pull.verdict == "clean" else faults.faults(pull.faults) or "flawed"


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
