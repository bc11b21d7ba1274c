"""Sentences. The drive: holds, pulls, limits, samples, the device, and what a guided drive says."""

import math
from collections.abc import Mapping
from typing import Any

from stream.drive.guide_plan import RoadHint
from ui.text.findings import Sentence

_BLIND = {
    "no-number": "gives no number",
    "end-of-range": "lies at an end of its range",
    "flat": "is flat",
    "away": "is away with its device",
}


def hint_words(hint: RoadHint | None) -> str:
    """How to hold a speed: parked, or at what road speed, with the slowest gear beside the one that is driven in."""
    return "" if hint is None else _road(hint.parked, hint.gear, hint.kmh, hint.first_kmh)


def _road(parked: bool, gear: int | None, kmh: float | None, first_kmh: float | None) -> str:
    if parked:
        return "parked, in neutral"
    slowest = "" if first_kmh is None else f"{first_kmh:.0f} km/h in gear 1"
    if kmh is None:
        return f"{slowest}, or parked in neutral" if slowest else ""
    words = f"{kmh:.0f} km/h in gear {gear}"
    return words if gear == 1 or not slowest else f"{words}, {first_kmh:.0f} in gear 1"


def _next(values: Mapping[str, Any]) -> str:
    if values["next_rpm"] is None:
        return "all are held"
    hint = _road(values["parked"], values["gear"], values["kmh"], values["first_kmh"])
    return f"next {values['next_rpm']:.0f} rpm" + (f", {hint}" if hint else "")


def _taken(values: Mapping[str, Any]) -> str:
    u, within = values["u_rpm"], values["within_rpm"]
    uncertainty = "" if u is None else f", uncertainty ±{_rounded_up(u)} rpm"
    last = _next(values) if within is None else f"within the {within:g} rpm that were asked for"
    count = f"{values['taken']} of {values['count']}" if values["round"] == 1 else f"round {values['round']}"
    return f"{values['rpm']:.0f} rpm taken, {count}{uncertainty}; {last}"


def _rounded_up(rpm: float) -> str:
    """An uncertainty, rounded up: two figures are all it is worth."""
    return f"{math.ceil(rpm):d}" if rpm < 100 else f"{10 * math.ceil(rpm / 10):d}"


def _near_redline(values: Mapping[str, Any]) -> str:
    rpm = ", ".join(f"{one:.0f}" for one in values["rpm"])
    named = f"{rpm} rpm is above 90 % of redline ({values['redline_rpm']:.0f} rpm)"
    if values["asked"]:
        return f"{named}: hold it no longer than it takes, and watch oil and heat"
    return f"{named} and is not asked for in gear unless you ask for speeds near redline"


def _over(values: Mapping[str, Any]) -> str:
    seen = f"{values['channel']} {values['value']:.4g} {values['unit']}".rstrip()
    return f"{seen}, {'above' if values['above'] else 'below'} {values['edge']:g}"


def _knock(values: Mapping[str, Any]) -> str:
    low, high = values["low_rpm"], values["high_rpm"]
    span = "" if low is None else f" at {low:.0f} to {high:.0f} rpm"
    return f"knock heard{span}{'' if values['kept'] else '; not kept: nothing is being recorded'}"


def _zero(values: Mapping[str, Any]) -> str:
    mean = f"{values['mean']:.4g} {values['unit']}".rstrip()
    words = f"zero taken {'rolling' if values['rolling'] else 'standing'}: {mean} over {values['seconds']:.0f} s"
    return words if values["kept"] else f"{words}; not kept: nothing is being recorded"


def _by_gap(seconds: float) -> str:
    return f"ended by a gap of {seconds:g} s or more in engine speed"


def _hold(values: Mapping[str, Any]) -> str:
    words = f"{values['rpm']:.0f} rpm from {values['start_s']:.1f} to {values['end_s']:.1f} s"
    return words if values["gap_s"] is None else f"{words}, {_by_gap(values['gap_s'])}"


def _pull(values: Mapping[str, Any]) -> str:
    verdict = ", ".join(values["faults"]) or values["verdict"]
    return f"{values['start_rpm']:.0f} to {values['end_rpm']:.0f} rpm: {verdict}"


SENTENCES: dict[str, Sentence] = {
    "slow-for-low-pass": "{rate_hz:.3g} samples a second are too few for a low-pass at {wanted_hz:g} Hz; it is at "
    "{corner_hz:.3g} Hz",
    "slow-for-verdicts": lambda values: (
        f"{values['rate_hz']:.3g} samples a second are too few to judge "
        f"{'pulls' if values['holds'] else 'holds or pulls'}: no verdict is given"
    ),
    "hold-found": _hold,
    "hold-ended-by-gap": lambda values: _by_gap(values["gap_s"]),
    "pull-found": _pull,
    "pull-withdrawn": "{start_rpm:.0f} to {end_rpm:.0f} rpm: no pull after all",
    "signal-stuck": "signal stuck at the {at}",
    "samples-lost": "{lost} samples lost ({seconds:.3g} s)",
    "channel-clipped": "{channel} is outside its range",
    "limit-over": _over,
    "limit-not-sent": "{channel} is not in the stream: this limit is not watched",
    "limit-blind": lambda values: f"{values['channel']} {_BLIND[values['why']]}: it cannot show an excursion",
    "heard-knock": _knock,
    "zero-taken": _zero,
    "zero-refused": "{reason}",
    # what a port and a device say
    "samples-missing-here": "{lost} samples are missing",
    "device-restarted": "the device restarted; about {lost} samples are missing before it",
    "device-away": lambda values: (
        f"{values['port']} went away{' (' + values['reason'] + ')' if values['reason'] else ''}; waiting for it"
    ),
    "device-back": "{port} is back after {seconds:.1f} s",
    "device-silent": "{port}: nothing has come for {seconds:.0f} s; is the device running?",
    "rate-wrong": "{port}: the device declares {stated_hz:g} samples a second, but {came_hz:.3g} come; its times, and "
    "all speeds of change, are wrong by as much: mend its rate or its clock",
    "unit-differs": "channel {channel}: the device says {device}, the car file {car_file}",
    "lines-dropped": "lines that did not parse and were dropped: {count}, the last one {last!r}",
    "frames-dropped": "frames that were damaged or did not fit and were dropped: {count}",
    "frames-unknown": "frames of version {version}, kind {kind} are not known to this program and are left out",
    "header-changed": "a new header with other columns ({names}); its lines are dropped until the first one comes "
    "again",
    "description-refused": "a description from the device was refused: {reason}",
    "description-cleaned": lambda values: (
        f"in the device's description names or units had to be cleaned or told apart: now {', '.join(values['now'])}"
    ),
    "description-changed": "the device now describes {now}, not {before}; samples that do not fit are dropped, start a "
    "new recording",
    "samples-misfit": "samples of {channels} channels, {rows} rows, {bytes} bytes do not fit the description",
    "scale-changed": "the device has changed a scale or an offset",
    # what a guided drive says
    "targets-near-redline": _near_redline,
    "guide-began": lambda values: f"{values['count']} speeds to hold; {_next(values)}",
    "guide-taken": _taken,
    "guide-here": "this hold is {rpm:.0f} rpm by your reading: taken when it ends",
    "guide-left-out": lambda values: f"{values['rpm']:.0f} rpm left out; {_next(values)}",
    "guide-again": lambda values: f"again: {_next(values)}",
    "guide-no-target-before": "there is no target before this one",
    "guide-held-long-enough": "{rpm:.0f} rpm is held long enough: go on. Where the engine has changed speed and this "
    "still says HOLD, the signal does not follow it",
    "guide-row-by-pulses": "the holds are marked as the whole row and the pulse frequency show them",
    "guide-row-unmarked": "the holds do not fit the targets as they were taken: none is marked; give them when you fit",
    "guide-same-signal": "the same signal, {signal:.3g} {unit}, as at {other_rpm:.0f} rpm: if this was {rpm:.0f} rpm, "
    "the converter does not follow the engine here",
    "guide-idle": "an idling engine, it seems: not counted as {rpm:.0f} rpm",
    "guide-not-near": "steady at about {about_rpm:.0f} rpm, not near {rpm:.0f} rpm: not counted",
    "guide-seen-together": lambda values: (
        "seen together, the holds so far were: "
        + ", ".join(f"{rpm:.0f}" if rpm else "no target" for rpm in values["rpm"])
    ),
    # a bus
    "bus-silent": "nothing comes from the bus",
    "bus-back": "messages come again; {lost} samples are missing",
    # a further device
    "also-said": "{name}: {text}",
    "also-failed": "{name}: {why}; the first device is recorded as before",
    "also-waiting": "{name}: {why}; it is waited for",
    "also-nothing": "{name}: nothing came from it, so the session is without it",
    "also-joined": lambda values: (
        f"{values['name']}: recorded beside the first device; its first sample is {values['offset_s']:.3f} ± "
        f"{1.96 * values['u_offset_s']:.3f} s on the session's clock"
    ),
    "also-no-speed": "{name}: recorded, but it measures no engine speed, so its place on the session's clock is not "
    "known and no study uses it",
    "also-not-joined": "{name}: recorded, but its place on the session's clock is not known, and no study uses "
    "it: {why}",
    "also-clocks-differ": lambda values: (
        f"{values['name']}: recorded, but its engine speed fits {abs(values['by_s']):.1f} s "
        f"{'later' if values['by_s'] > 0 else 'earlier'} than it came, so it is not joined and no study uses it"
    ),
    "guide-odd-hold": lambda values: (
        f"a hold lies {abs(values['off_rpm']):.0f} rpm {'below' if values['off_rpm'] < 0 else 'above'} its target by "
        f"the other holds: {values['rpm']:.0f} rpm is asked for again"
    ),
}
