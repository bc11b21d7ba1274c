"""Further devices into the session beside which they were recorded: one change of it, each on its clock if it can be.

A companion that cannot be read, or of which the session's clock is not sure, costs the session nothing.
"""

from collections.abc import Mapping
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import numpy as np

from stream.errors import InputError, reason_of
from stream.findings import Finding, note, warning
from stream.record.also import (
    Also,
    Joined,
    attach,
    companion_path,
    companions,
    of_companion,
    remove_companion,
    set_joined,
)
from stream.record.change import change_session
from stream.record.names import session_of
from stream.record.recover import is_finished, recover
from stream.record.session import open_session
from stream.study.clock import align
from stream.study.dataset import Dataset

MOST_LONGER = 1.5  # a device whose samples tell of so much more time than the session has a clock that is no clock
HOST_AGREES_S = 2.0  # chosen: beyond what a system ever makes bytes wait; two places of one log lie further apart


def take_in(session: Path, whole: Mapping[str, Path]) -> list[Finding]:
    """Finished companions, name to file, into a finished session; what there is to say of each.

    Those that are in are taken away; one that cannot be read stays where it is. Nothing is raised: a session that
    cannot be changed is as it was before.
    """
    found: dict[str, Finding] = {}
    places: dict[str, Joined] = {}
    taken: list[str] = []

    def edit(file: Any) -> None:
        for name, companion in whole.items():
            try:
                attach(file, name, companion)
            except Exception as error:  # noqa: BLE001 - the others are taken in, and the session is whole
                found[name] = warning("also-failed", name=name, why=reason_of(error))
            else:
                taken.append(name)
        set_joined(file, {name: places.get(name) for name in taken})

    try:
        _place(session, whole, places, found)
    except Exception as error:  # noqa: BLE001 - recorded they are, and the session is whole
        found |= {name: warning("also-not-joined", name=name, why=reason_of(error)) for name in whole}
    try:
        change_session(session, edit)
    except Exception as error:  # noqa: BLE001 - the session is as it was before
        return [warning("also-failed", name=name, why=reason_of(error)) for name in whole]
    for name in taken:
        remove_companion(whole[name])
    return list(found.values())


def recover_all(path: str | Path, out: str | Path | None = None) -> tuple[Path, list[Finding]]:
    """What `recover` makes of a cut-off session, with the devices that were recorded beside it; what there is to say of
    these. Raises as `recover`."""
    new = recover(path, out)
    found: list[Finding] = []
    whole: dict[str, Path] = {}
    try:
        for name, companion in companions(session_of(Path(path))).items():
            try:
                whole[name] = companion if is_finished(companion) else recover(companion, companion_path(new, name))
            except (InputError, OSError, KeyError) as error:
                found.append(warning("also-failed", name=name, why=reason_of(error)))
        found += take_in(new, whole)
    finally:
        for name in whole:
            remove_companion(companion_path(new, name))
    return new, found


def _place(session: Path, whole: Mapping[str, Path], places: dict[str, Joined], found: dict[str, Finding]) -> None:
    """Where each companion lies on the session's clock, by the engine speeds; where that is not known, why."""
    with open_session(session) as first, ExitStack() as opened:
        data = Dataset(first)
        lag, u_lag = data.speed_lag
        for name, companion in whole.items():
            try:
                one = of_companion(name, opened.enter_context(open_session(companion)), first)
                rpm = _rpm_of(one)
                if rpm is None:
                    found[name] = warning("also-no-speed", name=name)
                    continue
                _check_length(one.time_s, data.duration_s)
                place = align(data.time_s, data.speed_rpm, one.time_s, rpm, lag, name)
            except InputError as error:
                found[name] = warning("also-not-joined", name=name, why=reason_of(error))
                continue
            host = one.host_offset_s
            if host is not None and abs(place.offset_s - host) > HOST_AGREES_S:
                found[name] = warning("also-clocks-differ", name=name, by_s=place.offset_s - host)
                continue
            joined = Joined(place.offset_s, place.rate_ppm, float(np.hypot(place.u_offset_s, u_lag)))
            places[name] = joined
            found[name] = note("also-joined", name=name, offset_s=joined.offset_s, u_offset_s=joined.u_offset_s)


def _check_length(time_s: np.ndarray, session_s: float) -> None:
    """Raises InputError where the device's samples tell of another time than the session's."""
    if len(time_s) and time_s[-1] > MOST_LONGER * session_s:
        raise InputError(
            f"its samples tell of {time_s[-1]:.0f} s and the session of {session_s:.0f} s; mend its rate or its clock"
        )


def _rpm_of(one: Also) -> np.ndarray | None:
    """Engine speed of a further device, (rows,), by its car file's provisional line; None where it measures none."""
    speed = None if one.car is None else one.car.by_role("engine_speed")
    if speed is None or speed.name not in one.info.names:
        return None
    slope, zero = speed.rpm_line
    return slope * one.samples[:, one.info.names.index(speed.name)].astype(np.float64) + zero
