"""The words of a comparison: the answer first, then what it rests on."""

import math
from collections.abc import Iterable
from datetime import datetime
from typing import TYPE_CHECKING, Any

import msgspec

from stream.findings import Finding, unique
from stream.study.compare.answer import BandChange, Comparison
from stream.study.compare.coach import Advice, Resolves
from stream.study.compare.compare import Several
from stream.study.compare.curve import Curves
from stream.study.compare.trend import Trend
from stream.study.pulls import PullTrace
from ui.text import faults
from ui.text.figures import many, one_line, pct, pull_load, sentence, sentences, tune_name
from ui.text.findings import as_json, ranked, say_all

if TYPE_CHECKING:  # it brings a tenth of a second of linear algebra with it
    from stream.study.tables.sweep_plan import SweepPlan


def change(value: float) -> str:
    """A change in %, with its sign where it has one."""
    return pct(value, sign=True)


def day_line(resolves: Resolves | None) -> str:
    """First of all: what this day can tell apart, with its own interval."""
    if resolves is None:
        return "What your day resolves is not known yet: it needs two clean pulls on one tune."
    span = f"{pct(resolves.low_pct)} to {pct(resolves.high_pct)} %"
    return f"Your day resolves {pct(resolves.pct)} % ({span}); less is lost in the scatter."


def look_line(result: Comparison) -> str:
    """Where one is between the looks at which verdicts fall."""
    if not result.look:
        return f"So far: the first verdict falls at {result.next_look} pulls."
    return f"Verdict of the look at {result.look} pulls; intervals are so far; the next look is at {result.next_look}."


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
        return kind, title, f"Overall {interval} (95 % interval); {counts}. {look_line(result)}"
    if any(band.resolved for band in result.bands):
        title = f"{trial} differs from {base} at some speeds{only}"
        return kind, title, f"Overall it may be anything from {interval}; {counts}. {look_line(result)}"
    title = f"No difference shown between {trial} and {base}{only}"
    rest = f"{look_line(result)} {more_pulls_words(result)}"
    return "caution" if result.order_only else "idle", title, f"It may be anything from {interval}; {counts}. {rest}"


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
    elif any(band.resolved for band in result.bands):
        names = f"{result.trial!r} differs from {result.base!r}"
        words = f"Resolved at some speeds: {names} there; overall it may be anything from {interval}, {counts}."
    else:
        words = f"Not resolved: {result.trial!r} against {result.base!r} may be anything from {interval}, {counts}."
    return f"In this order only. {words}" if result.order_only else words


def shape_words(result: Comparison, width: float) -> str:
    """Which bands gained or lost against the curve's own mean; '' where the shape is not resolved."""
    if not result.shape.resolved:
        return ""
    spans = _spans([(band.rpm, band.change_pct) for band in result.shape.bands if band.resolved], width)
    return f"Shape, whatever shifts the whole curve: {spans}, against the curve's own mean change."


def band_words(result: Comparison, width: float) -> str:
    """At which speeds the change is resolved, runs of bands drawn together."""
    found = [(b.rpm, b.change_pct) for b in result.bands if b.resolved and b.change_pct is not None]
    return f"Resolved by band: {_spans(found, width)}." if found else "No band is resolved by itself."


def _spans(found: list[tuple[float, float]], width: float) -> str:
    """(rpm, change) of resolved bands as 'more at 2000 to 3000, 5000 to 5250 rpm; less at …'."""
    parts = []
    for word, sign in (("more", 1), ("less", -1)):
        spans: list[list[float]] = []
        for rpm, change_pct in found:
            if change_pct * sign <= 0:
                continue
            low, high = rpm - width / 2, rpm + width / 2
            if spans and low - spans[-1][1] < 1e-6 * width:
                spans[-1][1] = high
            else:
                spans.append([low, high])
        if spans:
            parts.append(f"{word} at " + ", ".join(f"{low:.0f} to {high:.0f}" for low, high in spans) + " rpm")
    return "; ".join(parts)


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


WHY = {
    "first-pull": "the first pull of the day",
    "other-tune-now": "it is the other tune's turn, a pull of each in turn",
    "take-turns": "the tunes must take turns before a verdict holds in any order",
    "fresh-zero": "more pulls alone will not do for 2 %: take a fresh zero",
    "not-settled": "not settled yet",
    "not-comparable": "these pulls cannot be compared yet",
}


def next_pull(advice: Advice | None) -> str:
    """The coach's words: the next pull and why, or that it is settled."""
    if advice is None:
        return ""
    result = advice.comparison
    if advice.settled and result is not None:
        if advice.why == "resolved":
            return f"Settled: {tune_name(result.trial)} differs from {tune_name(result.base)}."
        fine = pct(result.smallest_resolvable_pct or 0.0)
        return (
            f"Settled: a change of {fine} % of the whole curve would have shown four times in five, and none did; "
            "that says nothing of a change at a few speeds."
        )
    tune = f"tune {tune_name(advice.tune)}" if advice.tune else "another tune"
    gear = "the same gear" if advice.gear is None else f"gear {advice.gear}"
    where = "the other way than its last pull" if advice.tune else "either way along the road"
    if advice.direction is not None:
        where = f"direction {one_line(advice.direction)}"
    due = "" if advice.why == "not-comparable" else f"; the next look is at {advice.next_look} pulls"
    return f"Next: {tune}, {gear}, {where}; {WHY[advice.why]}{due}."


def to_mind(result: Comparison | None, curves: Curves | None, remarks: Iterable[str]) -> list[str]:
    """Everything that must be said beside the answer, each once, the gravest first; 'in this order only' before all."""
    found = [] if result is None else list(result.findings)
    found += [] if curves is None else [one for one in curves.findings if one.code != "no-relative-power"]
    found = sorted(ranked(found), key=lambda one: one.code != "in-this-order-only")
    return sentences([*say_all(found), *remarks])


def left_out_lines(result: Comparison) -> list[str]:
    """The pulls left out, one line each."""
    return [f"left out: pull {one.pull} of {one.session}, unlike its tune's others" for one in result.left_out]


def comparison_json(result: Comparison, remarks: Iterable[Finding] = ()) -> dict[str, Any]:
    """What `compare --json` prints."""
    return _with_findings(result, result.findings, remarks)


def ranking_words(result: Several) -> str:
    """Which tunes are told apart from each other, and that the rest is in no order."""
    if not result.ranked:
        return "No two of these tunes are told apart overall: they are not ranked."
    pairs = ", ".join(f"{tune_name(pair.more)} over {tune_name(pair.less)}" for pair in result.ranked)
    return f"Told apart overall, more load first: {pairs}. Pairs that are not named have no order."


def several_json(result: Several, remarks: Iterable[Finding] = ()) -> dict[str, Any]:
    """What `compare --json` prints with several trials: one comparison for each, and the pairs told apart."""
    return {
        "base": result.base,
        "family": result.family,
        "comparisons": [comparison_json(one, remarks) for one in result.comparisons],
        "ranked": [{"more": pair.more, "less": pair.less} for pair in result.ranked],
        "not_compared": result.not_compared,
    }


def curves_json(result: Curves, remarks: Iterable[Finding] = ()) -> dict[str, Any]:
    """What `curve --json` prints."""
    return _with_findings(result, result.findings, remarks)


def trend_json(result: Trend, remarks: Iterable[Finding] = ()) -> dict[str, Any]:
    """What `trend --json` prints."""
    return _with_findings(result, result.findings, remarks)


def coach_json(advice: Advice, remarks: Iterable[Finding] = (), plan: "SweepPlan | None" = None) -> dict[str, Any]:
    """What `coach --json` prints; `why` in words; `plan` where the advance was asked for."""
    rows = _with_findings(advice, advice.findings, remarks)
    del rows["comparison"]
    rows["why"] = next_pull(advice)
    rows["day_resolves_pct"] = None if advice.resolves is None else advice.resolves.pct
    rows["advance"] = [] if plan is None else [msgspec.to_builtins(one) for one in plan.tries]
    return rows


def plan_lines(plan: "SweepPlan", width: float) -> list[str]:
    """The settings to try, a line for each run of bands, in the order to drive them."""
    lines: list[tuple[float, float, float, float, int]] = []
    for one in plan.tries:
        low, high = one.rpm - width / 2, one.rpm + width / 2
        last = lines[-1] if lines else None
        if last and abs(last[1] - low) < 1 and abs(last[3] - one.try_deg) < 0.5 and last[4] == one.pulls:
            lines[-1] = (last[0], high, last[2], one.try_deg, one.pulls)
        else:
            lines.append((low, high, one.try_deg, one.try_deg, one.pulls))
    return [
        f"{low:.0f} to {high:.0f} rpm: {_degrees(first, last)}, {many(pulls, 'pull')}"
        for low, high, first, last, pulls in lines
    ]


def _degrees(first: float, last: float) -> str:
    return f"{first:.1f}°" if abs(first - last) < 0.05 else f"{first:.1f}° to {last:.1f}°"


def _with_findings(record: Any, findings: Iterable[Finding], remarks: Iterable[Finding]) -> dict[str, Any]:
    rows: dict[str, Any] = msgspec.to_builtins(msgspec.structs.replace(record, findings=()))
    return {**rows, **as_json(unique([*findings, *remarks]))}


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
