"""The reference: every quantity, fault, finding and exit code in two plain sentences, with formula and source.

One source for `explain` and for whatever else shows these words. A finding's own sentences, with its numbers, stand in
`ui/text/<area>.py`; here stands what it means and what to do, and the page of the quantity that it is about, whose
formula and source are its own. A source from memory says so.
"""

import difflib
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from stream.errors import InputError
from ui.text.faults import FAULTS
from ui.text.reference_findings import FINDINGS

Kind = Literal["quantity", "fault", "finding", "exit-code"]


@dataclass(frozen=True, slots=True)
class Page:
    """One term. `about` is two sentences; `see` are other terms."""

    term: str
    kind: Kind
    about: str
    formula: str
    source: str
    see: tuple[str, ...] = ()


HOVER_LINES = 8  # chosen: more covers what it explains
NONE = "none"
PRACTICE = "common practice, no source"

# term: (two sentences, formula, source)
QUANTITIES: dict[str, tuple[str, str, str]] = {
    "advance": (
        "How many degrees of crank before top dead centre the spark comes. A proposal is one small step toward more "
        "load, and only where knock is known to be absent.",
        "step at most 2° (or as asked), no further than an advance that was driven and than advance_max_deg",
        PRACTICE,
    ),
    "air-correction": (
        "The factor that a full-throttle load is multiplied by to be what it would be in standard air. It holds for "
        "engines without boost, and only within the standard's range of weather and factor.",
        "ISO 1585: (990 hPa / dry pressure)^1.2 · ((T + 273) / 298)^0.6",
        "ISO 1585 for spark ignition; SAE J1349 (1990 form) beside it, its range from memory",
    ),
    "alignment": (
        "The place of another recorder's log on the session's clock, from both traces of engine speed. It is refused "
        "where the log fits nowhere well, or in two places about as well.",
        "session time = log time · (1 + rate · 1e-6) + offset",
        "masked correlation: Padfield, IEEE Trans. Image Processing 21 (2012) 2670; then robust least squares",
    ),
    "boost": (
        "Manifold pressure above that of the air around. Boost differs between pulls for reasons other than the tune, "
        "so tunes are compared at equal pressure only and air is never corrected.",
        "boost = absolute manifold pressure - ambient pressure; 1 psi = 6.894 757 kPa",
        "NIST SP 811 (2008), appendix B.8, for the units",
    ),
    "calibration": (
        "What makes rpm of the speed signal: a line, or a monotone curve where the converter is not straight. It is "
        "fitted to held speeds with errors in both directions, and carries its covariance.",
        "rpm = slope · signal + intercept",
        "D. York, N. Evensen, M. Martinez and J. Delgado, American Journal of Physics 72 (2004) 367",
    ),
    "ceiling": (
        "The engine speed above which the speed signal no longer rises. What is read above it is too low, whatever the "
        "engine does.",
        "ceiling = fitted line at the top voltage at which the signal is pinned",
        PRACTICE,
    ),
    "cells": (
        "The cells of an engine controller's table that a drive reached. A cell that was only brushed says little: "
        "seconds, separate visits and full-load pulls are counted.",
        "seconds of ticks whose speed and second axis are nearest to the cell's own",
        PRACTICE,
    ),
    "change": (
        "Load on the trial tune against load on the base tune, in %, per rev band or over all shared bands. It stands "
        "with its 95 % interval, and is a claim only where it is resolved.",
        "100 % · (exp(mean of ln load, trial - mean of ln load, base) - 1), turns as replicates",
        "B. L. Welch, Biometrika 34 (1947) 28; F. E. Satterthwaite, Biometrics Bulletin 2 (1946) 110",
    ),
    "clipped": (
        "Samples outside the channel's range in the car file. The true value there is not known, only that it is beyond.",
        "sample < range[0] or sample > range[1]",
        PRACTICE,
    ),
    "coastdown": (
        "Rolling down in neutral, from which the road's and the air's resistance follow. Runs in both directions cancel "
        "grade and steady wind; one way alone leaves them in the uncertainty.",
        "F = A + B v + C v², from -m_effective · dv/dt",
        "ISO 10521 and SAE J1263 for the procedure; from memory",
    ),
    "converter": (
        "The part that makes a voltage of the ignition or tooth pulses. Its capacitor trades ripple at idle against "
        "response in a pull.",
        "pulse frequency = rpm / 60 · pulses a turn; volts = gain · frequency",
        "E-series of parts: IEC 60063; tolerance letters: IEC 60062",
    ),
    "cross-talk": (
        "What a bounce, a braking or a steady turn puts on the link beside the driveline's push. It looks like load, and a "
        "comparison takes it for the tune.",
        "what the marked bounce, braking or turn puts on the link, in % of a strong pull",
        PRACTICE,
    ),
    "dead-band": (
        "The range of engine speeds at the bottom in which the speed signal does not follow. Holds in it all look alike, "
        "and a fit through them would be wrong.",
        "dead below the lowest target that responded, where lower ones did not",
        PRACTICE,
    ),
    "device": (
        "The microcontroller at the other end of the line, and the line itself. What goes missing there is counted and "
        "shown as a gap, never filled in.",
        "lost samples = jump of the sample index, or step of the device's clock · rate",
        "framing: S. Cheshire and M. Baker, IEEE/ACM Trans. Networking 7 (1999) 159; from memory",
    ),
    "drift": (
        "A slow change through the day whatever the tune: heat, fuel, a zero that moves. Only turns of both tunes, one "
        "after the other, tell it from the tune.",
        "allowance: standard uncertainty of 2 % (or as stated) where the order would not show a drift",
        "chosen",
    ),
    "fuel-multiplier": (
        "What the fuel in a table's cell is to be multiplied by for the wanted λ. Less fuel passes one gate, and every "
        "unknown closes it.",
        "multiplier = measured λ / wanted λ · (1 + fuel trim / 100)",
        PRACTICE,
    ),
    "gap": (
        "Samples that never came, or came damaged. Time runs on over a gap; nothing is made up in it.",
        "time of a sample = (row + samples lost before it) / rate",
        NONE,
    ),
    "gear": (
        "The gear that is driven in. Load at the wheels goes with the ratio, so gears never mix in one comparison.",
        "ratio = engine speed · 2π · radius / (road speed · final drive · 60), within 12 % of one of the car file's",
        PRACTICE,
    ),
    "guided-drive": (
        "A drive that asks for one steady speed after the other and takes each hold to its target. What it took is a "
        "guess that the whole row may overrule.",
        "near enough: within the uncertainty of the running line, at first ±30 %",
        NONE,
    ),
    "hold": (
        "A stretch in which engine speed stays steady, for at least [hold] min_s seconds. Its mean signal is one point "
        "of a speed calibration.",
        "spread within band_pct or band_rpm, drift within drift_pct_per_s or drift_rpm_per_s",
        "chosen; standard error with autocorrelation: C. J. Geyer, Statistical Science 7 (1992) 473",
    ),
    "interval": (
        "The range that holds the true value in 95 days of 100, by all that is stated and seen. Where it cannot be known "
        "it is left out, not guessed.",
        "value ± t(0.975, degrees of freedom) · standard uncertainty",
        "JCGM 100:2008 (GUM), annex G",
    ),
    "knock": (
        "Gas that burns by itself ahead of the flame and can break an engine within seconds. Silence is not absence: "
        "only a live channel that was quiet, or a person who listened, permits more advance.",
        "knock where the channel stands clear of its own quiet stretches at that speed; one band on each side too",
        PRACTICE,
    ),
    "lag": (
        "How much later engine speed arrives than load, by the converter's smoothing. In a pull it moves load to lower "
        "rpm, more so the quicker the pull.",
        "shift in rpm = lag · rate of gain; unknown: 0 s with a standard uncertainty of 0.02 s",
        "JCGM 100:2008, 4.3.7 for the spread of a part's tolerance",
    ),
    "lambda": (
        "Air by fuel, against what burns completely: below 1 rich, above 1 lean. Rich is safe under high load; lean there "
        "is hot and the first warning.",
        "λ = air-fuel ratio / stoichiometric ratio (14.7 for petrol, from memory)",
        PRACTICE,
    ),
    "limit": (
        "A bound in the car file that is watched on every sample. It is said within 0.2 s, and a channel that is flat, "
        "railed or gone is said to be blind.",
        "sample > above or sample < below, always or in pulls only",
        NONE,
    ),
    "live-rate": (
        "The rate at which filtered ticks are made of the raw samples, on which all decisions fall. It is never above the "
        "raw rate.",
        "raw rate / max(1, round(raw rate / rate_hz)), behind a Butterworth low-pass of order 4",
        "S. Butterworth, Experimental Wireless 7 (1930) 536, for the filter; from memory",
    ),
    "load": (
        "How hard the driveline pushes the car, by a strain-gauged link. Without a known scale it is in the bridge's own "
        "unit, which is enough to compare tunes.",
        "bridge output in mV/V; newtons = sign · newtons_per_unit · (output - zero)",
        "definition of the gauge factor: ΔR / R = gauge factor · strain",
    ),
    "log": (
        "What an engine controller or another recorder wrote. Lines that do not fit are left out and named, up to 1 % of "
        "the rows; nothing is converted unless the car file says so.",
        "even where stamps stay within ±0.2 period of a line; else resampled, never across a long step",
        "dates: ISO 8601",
    ),
    "look": (
        "The number of pulls at which a verdict falls; between looks the last one stands. So a person who looks after "
        "every pull is not fooled by chance.",
        "looks at 6, 8, 12, 16, 20 and 24 pulls; 5 % over all looks together",
        "Lan and DeMets, Biometrika 70 (1983) 659, of the O'Brien-Fleming form",
    ),
    "loads-known": (
        "Known weights hung on the link, from which newtons per unit follow. Loading and unloading show friction; more "
        "than two weights show whether it is straight.",
        "force = newtons per unit · reading + offset, with errors in both",
        "York and others 2004, as for the speed calibration; lack-of-fit F test: common practice",
    ),
    "noise": (
        "What a channel does while nothing changes. Noise that is large against a tick's mean widens every hold and pull.",
        "standard deviation in a quiet stretch, after its slope is taken off",
        PRACTICE,
    ),
    "pinned": (
        "A stretch in which the speed signal stands at one voltage, at the top or the bottom, while the engine changes "
        "speed. The fit uses no target that falls into it.",
        "one voltage at an end of what was seen, held while targets or another channel say that speed changed",
        PRACTICE,
    ),
    "power": (
        "Force at the wheels times road speed. What the driveline takes and what turns inside the engine is not in it.",
        "P = (m · γ · a + A + B v + C v²) · v",
        "mass factor of turning parts γ: common practice, with its spread in the uncertainty",
    ),
    "provisional-line": (
        "The car file's first guess of volts to rpm, right within about 30 %. Holds and pulls are found with it; a fit "
        "changes only the rpm that is reported.",
        "rpm = rpm_per_unit · signal + rpm_at_zero",
        NONE,
    ),
    "pull": (
        "A sustained rise of engine speed under high load, through at least [pull] min_span_rpm. High load is above the "
        "session's own cruise level, never a share of the range.",
        "from begin to end of the rise, a second kept on either side",
        NONE,
    ),
    "pulses-per-turn": (
        "How many pulses the tap gives in one turn of the crank. It is one number over a whole row of holds, so it tells "
        "a row that was taken to the wrong speeds.",
        "60 · pulse frequency / rpm",
        NONE,
    ),
    "record": (
        "The session file and what stands beside it. Raw samples are written first and never changed; a cut-off "
        "recording opens and lacks at most its last second.",
        "journal for each block, flush and fsync twice a second",
        "HDF5 file format, The HDF Group; NeXus definitions for NXroot and NXdata",
    ),
    "residual": (
        "How far a held speed lies from the fitted line, in rpm. Residuals that bend show a converter that is not "
        "straight.",
        "target rpm - line at the mean signal",
        NONE,
    ),
    "resolved": (
        "More than chance and stated uncertainty explain, all rev bands taken together. What is not resolved is not "
        "equal: it is not known.",
        "p_adjusted < 0.05 at the last look, the bands and the overall change taken as one family",
        "S. Holm, Scandinavian Journal of Statistics 6 (1979) 65, for the family of bands",
    ),
    "rev-band": (
        "A range of engine speeds, 250 rpm unless said otherwise, in which a pull is one number. A band counts where a "
        "pull crossed both of its edges.",
        "∫ load d(rpm) / width",
        NONE,
    ),
    "ripple": (
        "What is left of single pulses in the speed signal. At idle it is largest, and it tells the pulse frequency.",
        "peak of the spectrum of a hold's raw samples",
        "P. D. Welch, IEEE Trans. Audio and Electroacoustics 15 (1967) 70; from memory",
    ),
    "scale-error": (
        "How far the reference of speed may be off altogether, as a dashboard is. No number of holds makes it smaller, so "
        "it stands apart from the fit's own uncertainty.",
        "u(rpm)² = u(fit)² + (scale error / 100 · rpm)²",
        "JCGM 100:2008 (GUM), 5.1.2",
    ),
    "scatter": (
        "How much pulls of one tune differ with nothing changed: within a turn, and from turn to turn. Earlier days of "
        "the same car teach it; until then it is assumed and said.",
        "nested analysis of variance on ln load",
        "S. R. Searle, G. Casella and C. E. McCulloch, Variance Components (1992)",
    ),
    "shape": (
        "Each band's change less the mean change over the shared bands. A drift, a zero or the weather moves the whole "
        "curve, so none of them makes it.",
        "change of the band - mean change over the bands, intervals simultaneous",
        NONE,
    ),
    "shunt": (
        "A resistor laid beside one arm of the bridge, which makes a known step. It proves gauge, amplifier and wiring "
        "at once, not the link's stiffness.",
        "step in mV/V = 1000 · R_gauge / (4 R_shunt + 2 R_gauge)",
        "the Wheatstone bridge by Ohm's and Kirchhoff's laws",
    ),
    "standard-uncertainty": (
        "One standard deviation of what a number may be off by. It is 'u_…' in JSON; words print 1.96 or Student's factor "
        "times it.",
        "u² = sum of the squares of independent parts",
        "JCGM 100:2008 (GUM)",
    ),
    "survey": (
        "What a drive tells of the measuring chain, and what to change. It judges the chain, not the engine.",
        "one check a question: dead band, ceiling, noise, ripple, steps, cross-talk, lag, pulses a turn",
        NONE,
    ),
    "trend": (
        "How one tune's load went over the dates. It shows an engine or a link that ages, beside the weather.",
        "slope of ln load over days, sessions as replicates",
        "Student's t for the slope",
    ),
    "tune": (
        "The label of what is in the engine controller while a pull is made. A comparison believes these labels.",
        NONE,
        NONE,
    ),
    "turn": (
        "A run of consecutive pulls of one tune in one recording. Turns, not pulls, are the replicates of a comparison: "
        "pulls of one turn share their errors.",
        "A A A B B B A A A B B B has four turns",
        NONE,
    ),
    "zero": (
        "The load channel's reading with no load on the link, which is taken off. Two zeros that differ show how far it "
        "wanders, and the gap counts as uncertainty.",
        "load = reading - zero at that time, on the line between two zeros",
        "worked out for this project from what two readings show; no outside source",
    ),
}

FAULT_PAGES: dict[str, str] = {
    "wheelspin": "The driven wheels slipped, so engine speed rose without the car. Load and speed no longer belong together.",
    "lift": "The foot came off before the top of the pull. What comes after is not full load.",
    "gear-change": "The gear changed within the rise. A pull is of one gear.",
    "part-throttle": "Load stayed below what this tune reaches in the other pulls. It would make the tune look worse.",
    "brake": "Load fell far under what the other pulls have, for longer than a bump, as braking does. The rise was not the engine's alone.",
    "cornering": "Load left what the other pulls have for a while with no braking seen, as a bend makes a link do. Drive pulls on a straight.",
    "bump": "A departure of load shorter than 0.3 s, a spike of load, as a bump in the road makes. One spike moves a whole rev band.",
    "clipped": "Samples were outside the channel's range in the pull. The true value there is not known.",
    "lost-samples": "More than 0.25 s of samples are missing in the pull. What happened there is not known.",
    "too-short": "The rise covers less than [pull] min_span_rpm. Begin lower, or end higher.",
    "too-quick": "Speed rose so quickly that filter and lag decide what is seen. Use a higher gear.",
    "zero-drifted": "The link's zero moved through the pull by more than the change looked for. Let it settle, take a new zero.",
    "over-limit": "A limit of the car file was passed in the pull. Look at that channel before the next one.",
}

EXIT_CODES: dict[str, str] = {
    "0": "Done. A drive that was ended by Ctrl-C or by closing the window is done too.",
    "2": "Bad input or usage. The one line names the file, the line, column or key, and the cure.",
    "3": "The device or the disk failed. What was recorded is safe; the line says what to do.",
}


def pages() -> dict[str, Page]:
    """All pages by term. A term that is both a quantity and a fault or finding is one page, told apart by its kind."""
    found = {
        term: Page(term, "quantity", about, formula, source) for term, (about, formula, source) in QUANTITIES.items()
    }
    for term, about in FAULT_PAGES.items():
        key = term if term not in found else f"fault-{term}"
        found[key] = Page(key, "fault", about, f"said as '{FAULTS[term]}'", PRACTICE, ("pull",))
    for code, (term, about) in FINDINGS.items():
        of = QUANTITIES[term]
        key = code if code not in found else f"finding-{code}"
        found[key] = Page(key, "finding", about, of[1], of[2], (term,))
    for code, about in EXIT_CODES.items():
        found[f"exit-{code}"] = Page(f"exit-{code}", "exit-code", about, NONE, NONE)
    return found


def meanings(codes: Iterable[str]) -> list[tuple[str, str]]:
    """(code, what it means and what to do) of findings, each once."""
    return [(code, FINDINGS[code][1]) for code in dict.fromkeys(codes) if code in FINDINGS]


def terms_of(codes: Iterable[str]) -> list[Page]:
    """The pages of the quantities that findings are about, each once."""
    known = pages()
    return [known[term] for term in dict.fromkeys(FINDINGS[code][0] for code in codes if code in FINDINGS)]


def hover(codes: Iterable[str]) -> str:
    """What is shown over warnings: a line for each of the first few."""
    lines = [f"{code.replace('-', ' ')}: {about}" for code, about in meanings(codes)]
    return "\n".join(lines[:HOVER_LINES])


def page(term: str) -> Page:
    """The page of a term, however it is written. Raises InputError with the nearest terms where there is none."""
    known = pages()
    wanted = "-".join(term.strip().lower().replace("_", " ").replace("-", " ").split())
    if wanted.isdigit():
        wanted = f"exit-{wanted}"
    spoken = {words: code for code, words in FAULTS.items()} | {"λ": "lambda", "uncertainty": "standard-uncertainty"}
    wanted = spoken.get(term.strip().lower(), wanted)
    for name in (wanted, wanted.removesuffix("s"), f"{wanted}s"):
        if name in known:
            return known[name]
    near = difflib.get_close_matches(wanted, known, 3) or [name for name in known if wanted and wanted in name][:3]
    cure = f"did you mean {', '.join(near)}?" if near else "leave it out for the list of terms"
    raise InputError(f"{term!r}: no such term; {cure}")


def in_words(one: Page) -> list[str]:
    """A page as lines: what it is, two sentences, formula, source, and where to read on."""
    lines = [f"{one.term} ({one.kind.replace('-', ' ')})", one.about]
    lines += [] if one.formula == NONE else [f"Formula: {one.formula}"]
    lines += [] if one.source == NONE else [f"Source: {one.source}"]
    lines += [f"See also: {', '.join(one.see)}"] if one.see else []
    return lines
