"""Targets and named holds as typed: words to numbers, with errors that name the word."""

import math
from collections.abc import Iterable, Sequence

from stream.errors import InputError

_MOST_TARGETS = 60


def parse_targets(text: str) -> tuple[float, ...]:
    """'1500,2000,2500' to speeds, rpm. Raises InputError that names the word which is no speed."""
    targets = []
    for word in filter(None, (word.strip() for word in text.split(","))):
        try:
            targets.append(float(word))
        except ValueError:
            raise InputError(
                f"targets: {word!r} is not a speed in rpm; write them as 1500,2000,2500", "targets"
            ) from None
    return check_targets(targets)


def parse_at(texts: Iterable[str]) -> tuple[tuple[float, float], ...]:
    """'12.5=3000' to (start_s, rpm) pairs. Raises InputError that names the word."""
    pairs = []
    for text in texts:
        start, _, rpm = text.partition("=")
        try:
            pair = float(start), float(rpm)
        except ValueError:
            raise InputError(f"start: {text!r} is not START_S=RPM; write it as 12.5=3000", "start") from None
        if not (math.isfinite(pair[0]) and math.isfinite(pair[1]) and pair[0] >= 0 and pair[1] > 0):
            raise InputError(
                f"start: {text!r}: a start is 0 or later and a speed above zero; write it as 12.5=3000", "start"
            )
        pairs.append(pair)
    return tuple(pairs)


def check_targets(targets: Sequence[float]) -> tuple[float, ...]:
    """The targets, checked. Raises InputError: not finite, not above zero, too few, too many."""
    for target in targets:
        if not math.isfinite(target) or target <= 0:
            raise InputError(f"targets: {target:g} is not a speed in rpm; give numbers above zero", "targets")
    distinct = len(set(targets))
    if distinct < 3:
        raise InputError(f"targets: {distinct} different speeds are too few; give three or more", "targets")
    if distinct > _MOST_TARGETS:
        raise InputError(f"targets: {distinct} different speeds are too many; give {_MOST_TARGETS} or fewer", "targets")
    return tuple(float(target) for target in targets)


def need_three(count: int) -> None:
    """Raises InputError where there are too few holds for any calibration."""
    if count < 3:
        raise InputError(
            f"{count} hold{'' if count == 1 else 's'} found; a calibration needs three at different speeds: "
            "hold more speeds, each for a few seconds longer"
        )
