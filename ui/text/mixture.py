"""Sentences. The mixture: what each cell's proposal rests on, what stands against one, and how the whole is said."""

from collections.abc import Callable, Mapping
from typing import Any, Final

from stream.study.tables.mixture import MixtureAdvice, MixtureCell, written_table
from stream.study.tables.mixture_steps import drive_notes
from stream.study.tables.user_table import why_csv
from ui.text.figures import interval, many, sentence
from ui.text.findings import Sentence, as_json, say, say_all
from ui.text.tables import DECIDES, WATCH

MULTIPLIERS = "Fuel multiplier: what the table holds now, times this. Richer up to 10 %, leaner up to 3 % a pass."
CHANGED = 0.0005  # of a multiplier, what three decimals still show
LEFT_OUT = {
    "dead-sensor": "a λ that does not move",
    "still-sensor": "λ standing still or on its rail",
    "not-running": "engine not running",
    "cold": "cold engine",
    "overrun": "overrun",
    "tip-in": "tip-in",
    "misfire": "misfire-lean",
    "outside": "outside the target table, or beside a cell of it that is in question",
    "no-trim": "no trim then",
    "trim-limit": "trim at its limit",
}
LACKING = {"lambda": "λ", "manifold_pressure": "manifold pressure", "throttle": "throttle"}
UNUSABLE = {
    "load-unit": "is in a unit that is not known",
    "load-range": "has values that no engine shows",
    "load-still": "stands still while the other of the two moves",
}
AMBIENT = {
    "said": "said for the day",
    "channel": "from a pressure channel",
    "standing": "from the manifold of the standing engine",
    "wide-open": "from the manifold at full throttle",
    "standard": "the standard one, for nobody said it and none was logged: say the air of the day",
}


def _measured(values: Mapping[str, Any]) -> str:
    off = (
        ""
        if values["centred"]
        else f", hits on one side of it only (about {values['rpm']:.0f} rpm, " + (f"{values['second']:.3g})")
    )
    return (
        f"measured over wanted {values['ratio']:.3f} ({values['low']:.3f} to {values['high']:.3f}), {values['hits']} "
        f"hits in {values['visits']} passages, spread {values['spread']:.3f}{off}; "
    )


def _with(words: str) -> Sentence:
    """A measured cell, and what follows."""
    return lambda values: _measured(values) + words.format(**values)


def _few(values: Mapping[str, Any]) -> str:
    if not values["hits"]:
        return "not reached: left as it is"
    return f"{values['hits']} hits: too few, {values['needed']} are needed; left as it is"


def _left_out(values: Mapping[str, Any]) -> str:
    pairs = zip(values["reasons"], values["seconds"], strict=True)
    return "left out: " + ", ".join(f"{LEFT_OUT[code]} {seconds:.1f} s" for code, seconds in pairs)


def _delay(values: Mapping[str, Any]) -> str:
    size = f"{values['constant_s']:.2f} s"
    if values["events"] < values["needed"]:
        return (
            f"delay of λ assumed, {size} ± {values['u_s']:.2f} s: {values['events']} fuel cuts ended by the throttle, "
            f"{values['needed']} are needed; nothing is made leaner that a delay of up to 2 s would deny"
        )
    flow = f" + {values['k_s']:.2f} s · {values['reference']:.0f} / (rpm · kPa)" if values["k_s"] else ""
    return f"delay of λ {size}{flow} ± {values['u_s']:.2f} s from {values['events']} fuel cuts"


def _lean(values: Mapping[str, Any]) -> str:
    more = f", and so in {values['cells']} cells, {values['seconds']:.1f} s in all" if values["cells"] > 1 else ""
    return (
        f"lean under load: λ {values['lam']:.2f} where {values['wanted']:.2f} is wanted, at {values['cell']}{more}. "
        "Lift off, and do not load the engine again before fuel supply, sensor and table are checked"
    )


def _lean_wanted(values: Mapping[str, Any]) -> str:
    if values["allowed"]:
        return (
            f"a wanted λ of {values['value']:g} at high load ({values['cell']}) was allowed by hand: watch exhaust heat"
        )
    return (
        f"a wanted λ of {values['value']:g} at high load ({values['cell']}) can burn pistons and valves: no cell there "
        "is made leaner for it; mend the target, or allow lean at load on purpose"
    )


def _high_from(values: Mapping[str, Any]) -> str:
    return (
        f"high load is {values['high_kpa']:.0f} kPa or more, or throttle of 60 % or more: 0.75 of the ambient pressure "
        f"of {values['kpa']:.1f} kPa, {AMBIENT[values['source']]}"
    )


def _named_cell(kind: str) -> Sentence:
    def words(values: Mapping[str, Any]) -> str:
        return (
            f"{values['file']}: {values['value']:g} at {values['cell']} is far off its neighbours: a slip? Nothing is "
            f"proposed {kind}; mend it, or smooth what lies around it"
        )

    return words


SENTENCES: dict[str, Sentence] = {
    # cell by cell
    "few-hits": _few,
    "one-short-passage": "{hits} hits in one short passage: nothing repeats, left as it is",
    "fuel-cell-odd": "the fuel table's {value:g} here is far off its neighbours: a slip? Left as it is",
    "as-wanted": _with("as wanted"),
    "richer": _with("richer"),
    "richer-bounded": _with("richer, bounded at {most_pct:.0f} % a pass"),
    "leaner": _with("leaner"),
    "leaner-bounded": _with("leaner, bounded at {most_pct:.0f} % a pass"),
    "hold-lean-seen": _with("hold: λ up to {lam:.2f} was seen here under load"),
    "hold-lean-target": _with("hold: a wanted λ of {wanted:.2f} is above 1 at high load and was not allowed by hand"),
    "hold-silent": _with("hold: for {silent_s:.1f} s more λ was missing, misfire-lean or still here"),
    "hold-few-hits": _with("hold: none leaner at high load under {needed} hits"),
    "hold-one-passage": _with("hold: none leaner at high load from fewer than {needed} passages"),
    "hold-edge": _with("hold: the drive touched only the edge of this cell, and it reaches into high load"),
    "hold-one-was-lean": _with("hold: one passage was {leanest:.3f} of what is wanted, not too rich at all"),
    "hold-settling": _with(
        "hold: λ was still rising while the engine pulled, as a slow or cold sensor does: {settling:.3f} may be missing"
    ),
    "hold-not-resolved": _with("hold: that it is too rich is not resolved"),
    "hold-trim-still": _with("hold: it is too rich only by a trim that never moved"),
    "hold-delay": _with("hold: the delay of λ is not known, and with another one this is not too rich"),
    "hold-coarse": _with("hold: λ comes in steps of {step:.2f}, too coarse to show it"),
    "hold-step-written": "hold: a leaner step from these drives stands in {file}; steps do not chain",
    # the whole
    "lean-under-load": _lean,
    "drive-left-out": lambda values: (
        f"{values['session']}: no usable {LACKING[values['lacking']]} in it: left out, the other sessions are used; "
        "log it in every drive"
    ),
    "lambda-stuck": (
        "{session}: {channel} says {level:.2f} whatever the engine does: it measures nothing, and nothing is proposed "
        "from it; mend the sensor or its channel"
    ),
    "lambda-drops-out": (
        "{session}: {channel} falls and comes back within moments in {share_pct:.1f} % of its samples, which no "
        "exhaust gas does: a loose plug? What lies about these moments does not count"
    ),
    "lambda-sensors-differ": lambda values: (
        f"{values['session']}: {' and '.join(values['channels'])} differ by λ {values['apart']:.2f}; the leaner one "
        "counts, row by row"
    ),
    "lambda-coarse": "{session}: λ comes in steps of {step:.2f}; less fuel is proposed only beyond a step",
    "lambda-from-ratio": "λ is {channel} over {stoichiometric:g}, the stoichiometric ratio that was stated",
    "lambda-delay": _delay,
    "trim-at-limit": (
        "{session}: the fuel trim was at its limit ({trim_pct:+.0f} %) for {seconds:.1f} s: closed loop could do no "
        "more; those rows are left out; find the cause before the table is changed"
    ),
    "trim-stands-still": (
        "{session}: the fuel trim is {trim_pct:+.1f} % throughout: learnt before, or stuck; it makes no cell leaner"
    ),
    "load-channel-unusable": lambda values: (
        f"{values['session']}: its {values['role'].replace('_', ' ')} {UNUSABLE[values['why']]}, and is not used"
    ),
    "pressure-unit-missing": "{session}: {channel} has no unit and is read as kPa, which it fits; write its unit",
    "throttle-unit-missing": "{session}: {channel} has no unit and never passes 1: read as a share of full opening",
    "gauge-pressure": lambda values: (
        f"{values['channel']} is gauge pressure; {values['kpa']:.1f} kPa is added, {AMBIENT[values['source']]}"
    ),
    "high-load-from": _high_from,
    "wanted-odd": _named_cell("for it or beside it"),
    "fuel-odd": _named_cell("for it"),
    "lean-wanted-at-load": _lean_wanted,
    "axis-not-named": "{file}: does not name its second axis; read as {axis} in {unit} by its values",
    "step-written": (
        "leaner steps from these drives were written before ({file}): none is proposed again. Name the fuel table that "
        "was in the car, drive a new session on the new table, or delete that file if it never went into the car"
    ),
    "rows-left-out": _left_out,
    "several-tunes": lambda values: (
        f"sessions of several tunes ({', '.join(map(repr, values['tunes']))}) are taken as one fuel table"
    ),
    "no-trim": "no fuel trim was logged: where closed loop was on, it hides the error in its trim",
    "no-engine-temperature": "no engine temperature was logged: leave out cold drives yourself",
    "no-throttle": "no throttle was logged: overrun and tip-in are told by manifold pressure alone",
    "hits-are": "a hit is {seconds:g} s in a cell; under {needed} hits a cell is left as it is",
    "sensor-error": "the error of the λ sensor itself is in no interval",
    "mixture-decides": DECIDES,
    "mixture-watch": WATCH,
}


def advice_json(advice: MixtureAdvice) -> dict[str, Any]:
    """The keys of `advise-mixture --json`."""
    cells = [
        {
            "rpm": cell.rpm,
            "second_axis": cell.second_axis,
            "now": cell.now,
            "proposed": cell.proposed,
            "low": cell.low,
            "high": cell.high,
            "evidence": say(cell.why),
            "n": cell.n,
            "estimate": cell.estimate,
            "spread": cell.spread,
            "wanted": cell.wanted,
            "high_load": cell.high_load,
            "fuel_now": cell.fuel_now,
            "fuel_proposed": cell.fuel_proposed,
            "why": cell.why.code,
        }
        for cell in advice.cells
    ]
    return {"cells": cells, "axis": advice.grid.axis, "unit": advice.grid.unit, **as_json(advice.findings)}


def table_files(advice: MixtureAdvice) -> tuple[str, str]:
    """(the written table, its companion that says per cell why)."""
    text, now, written = written_table(advice)
    across = len(advice.grid.second)
    told = [
        say(cell.why) + ("; too small a change for the table's decimals" if _swallowed(cell) else "")
        for cell in advice.cells
    ]
    why = [told[first : first + across] for first in range(0, len(told), across)]
    what = "fuel table, multiplied" if advice.fuel else "multipliers of the fuel"
    notes = [f"{what}; made from these drives:", *drive_notes(advice.drives), *say_all(advice.findings)]
    return text, why_csv(advice.grid, now, written, why, notes)


def _swallowed(cell: MixtureCell) -> bool:
    """Whether a change was proposed that the fuel table's own decimals cannot hold."""
    changed = cell.proposed is not None and abs(cell.proposed - 1) > CHANGED
    return changed and cell.fuel_now is not None and cell.fuel_now == cell.fuel_proposed


def multiplier(cell: MixtureCell) -> str:
    """The proposed multiplier with the way it goes; '' where nothing is known."""
    if cell.proposed is None:
        return ""
    mark = "▲ " if cell.proposed > 1 + CHANGED else "▼ " if cell.proposed < 1 - CHANGED else ""
    return f"{mark}{cell.proposed:.3f}"


# What the cells of the mixture table can show, and the text of each.
SHOWN: Final[Mapping[str, Callable[[MixtureCell], str]]] = {
    "Multiplier": multiplier,
    "Fuel table": lambda cell: "" if cell.fuel_proposed is None else f"{cell.fuel_proposed:g}",
    "95 % interval": lambda cell: interval(cell.low, cell.high, 3),
    "Hits": lambda cell: str(cell.n) if cell.n else "",
    "Spread": lambda cell: "" if cell.spread is None else f"{cell.spread:.3f}",
    "Wanted λ": lambda cell: "" if cell.wanted is None else f"{cell.wanted:.3g}",
}


def counts(advice: MixtureAdvice) -> str:
    """How many cells go which way."""
    known = [cell.proposed for cell in advice.cells if cell.proposed is not None]
    more, less = sum(value > 1 + CHANGED for value in known), sum(value < 1 - CHANGED for value in known)
    return (
        f"Richer in {more}, leaner in {less}, unchanged in {many(len(known) - more - less, 'cell')}; "
        f"{len(advice.cells) - len(known)} blank"
    )


def mixture_title(advice: MixtureAdvice) -> tuple[str, str, str]:
    """(state shape, the answer, what it rests on). A danger comes before any proposal."""
    known = [cell.proposed for cell in advice.cells if cell.proposed is not None]
    first = advice.findings[0] if advice.findings else None
    if first is not None and first.severity == "danger":
        return "caution", "Danger: lean under load", f"{sentence(say(first))} {counts(advice)}."
    careful = not known or any(value < 1 - CHANGED for value in known)
    return ("caution" if careful else "ok"), counts(advice), MULTIPLIERS
