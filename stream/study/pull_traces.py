"""From sessions to pulls as the study sees them: load in newtons where that is known, zero off, lag and gear given."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from stream.car import Car, Channel
from stream.live.records import Pull
from stream.record.session import open_session
from stream.study.conditions import Conditions, gear_of, read_conditions
from stream.study.load import StudySession
from stream.study.trace import Array, PullTrace
from stream.study.zeros import Zero, take_zero

SIDE_S = 1.0  # kept before and after a pull; the lag is taken off from there
# A lag worked out of parts is as good as its capacitor: ±20 % (letter code M of IEC 60062), evenly spread.
LAG_TOLERANCE = 0.20
KEPT = {0: None, 1: True, -1: False}  # what a person said of a pull, as PullTrace.keep has it
UNKNOWN_LAG_DOUBT_S = 0.02  # a converter whose lag nobody gave: taken as 0, with what a usual one has as doubt


def pull_traces(session: StudySession) -> list[PullTrace]:
    """The pulls of a session in order of time, flawed ones too; an empty list where none was found.

    Load carries the sign of the car file, is in newtons where the car file has `newtons_per_unit`, and has its zero
    taken off where one was taken. Raises InputError where the car has no load channel.
    """
    load = session.car.need("load", "a study of pulls")
    if not session.pulls:
        return []
    factor, unit = load_scale(load)
    lag, lag_doubt = speed_lag(session.car)
    with open_session(session.path) as file:
        conditions = read_conditions(file, session.car, [(pull.start_s, pull.end_s) for pull in session.pulls])
    zeros = [
        Zero(zero.start_s, zero.end_s, zero.mean * factor, zero.doubt * abs(factor), zero.how) for zero in session.zeros
    ]
    time, began = session.live.time_s, session.started_utc.timestamp()
    traces = []
    for number, (pull, found) in enumerate(zip(session.pulls, conditions, strict=True)):
        rows = slice(*np.searchsorted(time, [pull.start_s - SIDE_S, pull.end_s + SIDE_S]))
        speed = session.live.speed_rpm[rows].astype(np.float64)
        trace = PullTrace(
            time_s=time[rows], speed_rpm=speed, load=session.live.load[rows].astype(np.float64) * factor,
            tune=pull.tune or session.tune, session=str(session.path),
            gear=_gear(pull, session, time[rows], speed, found), start_s=pull.start_s, end_s=pull.end_s,
            started=began + pull.start_s, order=number, number=number + 1, verdict=pull.verdict, faults=pull.faults,
            keep=KEPT[session.pull_marks[number].kept], unit=unit,
            car=session.car.car.name, calibration=calibration_name(session), lag_s=lag, lag_doubt_s=lag_doubt,
            conditions=found.means,
        )  # fmt: skip
        traces.append(take_zero(trace, zeros))
    return traces


def all_traces(sessions: Sequence[StudySession]) -> tuple[list[PullTrace], list[str]]:
    """The pulls of several sessions in the order they were made, and what must be said of the sessions."""
    pulls: list[PullTrace] = []
    ended = float("-inf")
    for session in sorted(sessions, key=lambda session: session.started_utc):
        # One car makes one drive at a time. Logs that were imported one after the other begin at the moment of their
        # import and last for longer than it took: the later one is moved behind the one before.
        began = session.started_utc.timestamp()
        later = max(0.0, ended - began)
        pulls += [replace(pull, started=pull.started + later) for pull in pull_traces(session)]
        ended = began + later + session.duration_s
    return [replace(pull, order=place) for place, pull in enumerate(pulls)], session_words(sessions)


def load_scale(load: Channel) -> tuple[float, str]:
    """(what a recorded value is multiplied by, the unit that then has)."""
    if load.newtons_per_unit is not None:
        return load.sign * load.newtons_per_unit, "N"
    return float(load.sign), load.unit


def speed_lag(car: Car) -> tuple[float, float]:
    """(lag of engine speed behind load, its standard uncertainty), seconds."""
    speed = car.need("engine_speed", "a study of pulls")
    if speed.lag_s is not None:
        return speed.lag_s, LAG_TOLERANCE * speed.lag_s / 3**0.5
    return 0.0, 0.0 if speed.unit == "rpm" else UNKNOWN_LAG_DOUBT_S


def calibration_name(session: StudySession) -> str:
    """What turned volts into rpm and the link's signal into load, so that two sessions can be told apart by it."""
    load = session.car.need("load", "a study of pulls")
    if session.calibration is None:
        slope, zero = session.car.need("engine_speed", "a study of pulls").rpm_line
        speed = f"the car file's provisional line {slope:g}, {zero:g}"
    else:
        fit = session.calibration
        speed = f"the fit of {fit.when} ({fit.slope_rpm_per_unit:.6g}, {fit.intercept_rpm:.6g})"
    return f"{speed}; load times {load_scale(load)[0]:g}"


def session_words(sessions: Sequence[StudySession]) -> list[str]:
    """Warnings: sessions without a pull, chains that differ, a speed that was never calibrated, a lag nobody gave."""
    words = [f"{session.path}: no pull was found in it" for session in sessions if not session.pulls]
    with_pulls = [session for session in sessions if session.pulls]
    single = [str(session.path) for session in with_pulls if len(session.zeros) == 1]
    if single:
        words.append(
            f"one zero only in {', '.join(single)}: what bush friction and a wound-up driveline hide shows only in the "
            "gap to a second one, so the doubt of the change may be larger than said; take another from a free roll"
        )
    for what, value in (("load channel", _chain), ("lag of engine speed", _lag)):
        kinds: dict[str, str] = {}
        for session in with_pulls:
            kinds.setdefault(value(session), str(session.path))
        if len(kinds) > 1:
            told = "; ".join(f"{kind} in {path}" for kind, path in kinds.items())
            words.append(f"the {what} is not the same in all sessions ({told}): the difference may come from there")
    if any(session.calibration is None and _speed(session).unit != "rpm" for session in with_pulls):
        words.append("engine speed is by the car file's provisional line: bands may sit at a wrong rpm until a fit")
    if any(_speed(session).lag_s is None and _speed(session).unit != "rpm" for session in with_pulls):
        words.append(
            f"the car file gives no lag_s for engine speed: taken as 0 s, with {UNKNOWN_LAG_DOUBT_S:g} s of doubt"
        )
    return words


def _speed(session: StudySession) -> Channel:
    return session.car.need("engine_speed", "a study of pulls")


def _lag(session: StudySession) -> str:
    lag = _speed(session).lag_s
    return "not given" if lag is None else f"{lag:g} s"


def _chain(session: StudySession) -> str:
    load = session.car.need("load", "a study of pulls")
    parts = [repr(load.name), load.bridge or "", load.side or ""]
    parts += [] if load.gauge_factor is None else [f"gauge factor {load.gauge_factor:g}"]
    return " ".join(part for part in parts if part)


def _gear(pull: Pull, session: StudySession, time: Array, speed: Array, found: Conditions) -> int | None:
    """Declared, else from road speed; the study tells gears by the rate of gain where neither is there."""
    declared = session.gear if pull.gear is None else pull.gear
    if declared is not None:
        return declared
    inside = speed[(time >= pull.start_s) & (time <= pull.end_s) & np.isfinite(speed)]
    return gear_of(float(inside.mean()), found.road_speed_mps, session.car) if len(inside) else None
