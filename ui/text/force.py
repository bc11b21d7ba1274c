"""Sentences. Air, coastdown, power."""

from collections.abc import Mapping
from typing import Any

from ui.text.findings import Sentence

# Why a glide is no coastdown, or is not used.
GLIDE_WHY = {
    "too-short": "shorter than 10 s",
    "too-small-a-fall": "speed falls by less than a fifth",
    "in-gear": "rolled with a gear in",
    "braked": "slowed by the brakes",
    "held-back": "held back by more than 6 % of the weight: a brake or a gear",
    "dropped": "dropped",
}


def _glide(values: Mapping[str, Any]) -> str:
    span = f"{values['from_kmh']:.0f} to {values['to_kmh']:.0f} km/h at {values['start_s']:.0f} s"
    return f"glide {values['number']} ({span}) is left out: {GLIDE_WHY[values['why']]}"


def _ways(values: Mapping[str, Any]) -> str:
    told = ", ".join(f"{number:.0f}" for number in values["numbers"])
    many = len(values["numbers"]) > 1
    return (
        f"glide{'s' if many else ''} {told} between the used ones {'are' if many else 'is'} left out, so which way the "
        "later ones went is a guess: each used one is taken as against the one before; say which went back if not so"
    )


def _wind_change(values: Mapping[str, Any]) -> str:
    used, stated = values["wind_mps"], values["stated_mps"]
    words = f"the wind may change by {used:.1f} m/s between a run and its partner, which looks like B: in the doubt"
    learned = f" (stated {stated:g} m/s, corrected by the runs' own scatter)"
    return words if abs(used - stated) < 0.05 else words + learned


SENTENCES: dict[str, Sentence] = {
    "coast-glide-left-out": _glide,
    "coast-ways-guessed": _ways,
    "coast-wind": "wind of about {wind_mps:.0f} m/s along the road; wait for a calmer day",
    "coast-wind-change": _wind_change,
    "coast-odd-runs": "{runs} runs, more one way than the other: one has no partner in the other direction",
    "coast-one-alone": "one coastdown alone: grade and wind are unknown, and the doubt is wider for it",
    "coast-one-way": "all coastdowns went one way: grade and wind are unknown, and the doubt is wider for it",
    "coast-c-negative": "C is negative, which no air does: start faster and roll further, or use the sum only",
    "coast-a-negative": "A is negative, which no tyre does: roll on to a lower speed, or look for a slope",
    "coast-narrow": "speeds from {from_kmh:.0f} to {to_kmh:.0f} km/h only: A, B and C are hardly told apart",
    "coast-rolling-high": (
        "rolling takes {share_pct:.1f} % of the weight, and tyres on a hard road need 1 to 2 %: look for a brake that "
        "drags, or soft ground"
    ),
    "coast-no-engine-speed": "there is no engine speed, so whether the car was in neutral cannot be seen",
    "coast-imprecise": (
        "coast times of {pairs} pairs scatter: precision {precision_pct:.1f} % at {speed_kmh:.0f} km/h, and road-load "
        "standards ask for 3 %; make more pairs, or wait for less wind"
    ),
}
