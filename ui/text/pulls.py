"""Sentences. Pulls of sessions: which may stand beside each other, in which gear, with which zero and chain."""

from collections.abc import Mapping
from typing import Any

from ui.text.findings import Sentence


def _kinds(what: str) -> Sentence:
    def sentence(v: Mapping[str, Any]) -> str:
        each = "; ".join(f"{kind} in {path}" for kind, path in zip(v["kinds"], v["sessions"], strict=True))
        return f"the {what} is not the same in all sessions ({each}): the difference may come from there"

    return sentence


def _zero(v: Mapping[str, Any]) -> str:
    words = "some sessions have no zero" if v["some"] else "no zero was taken"
    return f"{words}: load is as recorded, and so is its change"


def _single(v: Mapping[str, Any]) -> str:
    return (
        f"one zero only in {', '.join(v['sessions'])}: what bush friction and a wound-up driveline hide shows only in "
        "the gap to a second one, so the uncertainty of the change may be larger than said; take another from a free "
        "roll"
    )


SENTENCES: dict[str, Sentence] = {
    "session-without-pull": "{session}: no pull was found in it",
    "one-zero-only": _single,
    "load-channel-differs": _kinds("load channel"),
    "speed-lag-differs": _kinds("lag of engine speed"),
    "speed-by-provisional-line": (
        "engine speed is by the car file's provisional line: bands may sit at a wrong rpm until a fit"
    ),
    "speed-lag-not-given": (
        "the car file gives no lag_s for engine speed: taken as 0 s, with a standard uncertainty of {u_lag_s:g} s"
    ),
    "tune-without-clean-pull": lambda v: (
        f"tune {v['tune']!r}: no clean pull ({', '.join(v['faults']) or 'dropped by hand'}); make another, or keep a "
        "flawed one"
    ),
    "flawed-pulls-kept": "{pulls} flawed pull(s) kept by hand are in the result",
    "calibrations-differ": "the sessions were read with different calibrations; the difference may come from there",
    "zero-missing": _zero,
    "gear-from-gain": "some pulls have no declared gear; it was taken from their rate of gain",
    "gears-from-gain": "no gear is declared; by their rate of gain the pulls are in {gears} gears",
    "tunes-not-in-one-gear": "not all tunes were driven in {gear}: the others are left out ({reason})",
    "gear-left-out": "{pulls} pull(s) in {gear} left out: gears never mix; {used} is used",
}
