"""Sections on the tunes: the answer in short, comparisons, curves."""

from functools import partial

from stream.study.compare.answer import Comparison
from ui.report import pictures
from ui.report.gather import Compared, Gathered
from ui.report.model import Part, Picture, Section, Table, Words, minds
from ui.text.comparison import band_words, day_line, look_line, more_pulls_words, shape_words, verdict_words
from ui.text.figures import figures, pct, pull_load, tune_name
from ui.text.findings import say_all


def in_short(found: Gathered) -> Section:
    """The answer first, each comparison in a sentence or two."""
    parts: list[Part] = []
    for one in found.comparisons:
        if one.result is None:
            parts.append(Words(f"{_pair(one)} cannot be told: {found.short(one.trouble)}.", "answer"))
        else:
            parts.append(Words(f"{verdict_words(one.result)} {band_words(one.result, found.width_rpm)}", "answer"))
            parts.append(Words(day_line(one.resolves)))
    if not found.comparisons:
        tunes = list(dict.fromkeys(pull.tune for pull in found.pulls))
        told = f"One tune, {tune_name(tunes[0])}: nothing to compare it with yet." if tunes else "No pull was found."
        parts.append(Words(told, "answer"))
    clean = sum(pull.verdict == "clean" for pull in found.pulls)
    parts.append(
        Words(
            f"{clean} clean pulls, {len(found.pulls) - clean} flawed, "
            f"{sum(len(session.holds) for session in found.sessions)} holds."
        )
    )
    if len(found.cars) > 1:
        names = ", ".join(found.cars)
        parts += minds([f"these sessions are of different cars ({names}); their loads are never set side by side"])
    return Section("In short", tuple(parts))


def comparisons(found: Gathered) -> Section | None:
    """Tune against tune, band by band; None where there is one tune only."""
    if not found.comparisons:
        return None
    parts: list[Part] = []
    for one in found.comparisons:
        if one.result is None:
            parts.append(Words(f"{_pair(one)} cannot be told: {found.short(one.trouble)}.", "answer"))
        else:
            parts += _comparison(found, one, one.result)
    return Section("Tune against tune", tuple(parts))


def load_curves(found: Gathered) -> Section:
    """Load against engine speed, with the interval of the mean, for each tune."""
    if found.curves is None:
        return Section("Load against engine speed", (Words(f"No curves: {found.short(found.curve_trouble)}."),))
    result, unit = found.curves, found.curves.unit or "no unit"
    heads = ["rpm", *(head for tune in result.tunes for head in (tune_name(tune.tune), "± 95 %", "pulls"))]
    rows = [{band.rpm: band for band in tune.bands} for tune in result.tunes]
    cells = []
    for rpm in sorted({rpm for row in rows for rpm in row}):
        line = [f"{rpm:.0f}"]
        for row in rows:
            band = row.get(rpm)
            half = None if band is None or band.high is None else band.high - band.mean
            line += ["", "", ""] if band is None else [figures(band.mean, half), figures(half, half), str(band.n)]
        cells.append(tuple(line))
    parts: list[Part] = [
        Picture(
            partial(pictures.draw_curves, result=result, width_rpm=found.width_rpm),
            88,
            f"Mean load over the clean pulls of each tune, in {unit}, by rev band of {found.width_rpm:g} rpm. "
            "Whiskers: 95 % interval of the mean across pulls; a band without whiskers has one pull. Tunes are set a "
            "little apart sideways so that whiskers can be told apart.",
        ),
        Table(tuple(heads), tuple(cells), note=f"Load in {unit}; rpm is a band's middle."),
        *minds([found.short(line) for line in (*say_all(result.findings), *found.words)]),
    ]
    return Section("Load against engine speed", tuple(parts))


def _pair(one: Compared) -> str:
    return f"{tune_name(one.trial)} against {tune_name(one.base)}"


def _comparison(found: Gathered, one: Compared, result: Comparison) -> list[Part]:
    rows = tuple(
        (
            f"{band.rpm:.0f}",
            pull_load(band.base_mean),
            str(band.base_n),
            pull_load(band.trial_mean),
            str(band.trial_n),
            *(
                "" if value is None else pct(value, sign=True)
                for value in (band.change_pct, band.low_pct, band.high_pct)
            ),
            "resolved" if band.resolved else "",
        )
        for band in result.bands
    )
    heads = ("rpm", tune_name(result.base), "pulls", tune_name(result.trial), "pulls", "change %", "from", "to", "")
    said = set(say_all(found.curves.findings)) | set(found.words) if found.curves is not None else set()
    return [
        Words(f"{_pair(one)}. {day_line(one.resolves)}"),
        Words(verdict_words(result), "answer"),
        *(
            Words(line)
            for line in (
                " ".join(filter(None, (band_words(result, found.width_rpm), shape_words(result, found.width_rpm)))),
                " ".join(filter(None, (look_line(result), more_pulls_words(result)))),
            )
            if line
        ),
        Picture(
            partial(pictures.draw_comparison, result=result),
            78,
            f"Change of load from {tune_name(result.base)} to {tune_name(result.trial)} by rev band, with its 95 % "
            "interval. Filled squares are resolved: told apart from no change, counting how many bands were looked at.",
        ),
        Table(heads, rows, frozenset({8}), f"Load in {result.unit or 'no unit'}; from and to are the 95 % interval."),
        *minds([found.short(line) for line in say_all(result.findings) if line not in said]),
    ]
