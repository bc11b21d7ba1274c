"""What a person changes in sessions after the drive: a calibration attached, a zero declared, marks, notes, what was
heard, the air of the day. All of it goes through the one door for changes, and raw is never touched.
"""

import math
import secrets
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from stream.calibrate.link.zero import measure_zero, zero_at
from stream.calibrate.speed.calfile import SpeedCalibration, dump_calibration, origin_findings
from stream.calibrate.speed.match import FASTEST_RPM, is_speed
from stream.errors import InputError
from stream.findings import Finding
from stream.live.steadiness import runs_of
from stream.record import layout, tables
from stream.record.also import copy_also
from stream.record.change import add_heard, change_session, forget_heard, seen, set_calibration, set_conditions
from stream.record.history import Act
from stream.record.session import Session, open_session
from stream.record.tables import Heard, HoldMark, PullMark, Weather, Zero
from stream.study.dataset import CALIBRATION, Dataset, each_once, open_dataset
from stream.units import MPS_PER_UNIT, Flags, Floats, plain_unit

STANDING = "standing, in neutral, brakes off, level"
ROLLING = "free roll in neutral"
UNCONFIRMED = "standing; neutral, brakes and level not confirmed"
# Of a strong pull, standard: what a gear, a brake or a slope may leave in the link of a standing car; chosen, as the
# distance between the zeros of sessions that took none.
NOT_CONFIRMED = 0.03
IDLE_RPM = 1300.0  # a cold engine idles at up to this; common practice, no source
PROVISIONAL = 1.3  # a provisional line may be 30 % off
STANDING_KMH = 1.0
EDGE_S = 0.5  # chosen: left out at both ends of a stretch, where the car may still roll or the clutch bite
LEAST_STANDING_S, LONGEST_STANDING_S = 3.0, 20.0  # chosen


@dataclass(frozen=True, slots=True)
class Marks:
    """Changes to make. Numbers count from 1, as the tables that are printed do.

    holds    number -> whether it counts
    targets  number -> the speed it was, rpm; None: none again
    pulls    number -> what is said of it
    heard    knock heard or not heard; knock that was heard stays whatever is said later
    forget   take back what was heard: of this pull, 0 of the whole session, -1 all of it; None: nothing
    air      the air of the day, in place of what was kept
    note     a line to add to the session's note
    """

    holds: Mapping[int, bool] = field(default_factory=dict)
    targets: Mapping[int, float | None] = field(default_factory=dict)
    pulls: Mapping[int, PullMark] = field(default_factory=dict)
    heard: Sequence[Heard] = ()
    forget: int | None = None
    air: Weather | None = None
    note: str = ""


def mark_session(path: str | Path, marks: Marks, together: str = "") -> None:
    """Make the changes, all or none; `together` as `change_session` has it.

    Raises InputError: no such hold or pull, a speed that is none.
    """
    since = seen(path)
    with open_session(path) as session:
        holds = new_hold_marks(session, marks)
        pulls = new_pull_marks(session, marks.pulls)
        hold_rows = tables.hold_rows(session.holds, holds)
        pull_rows = tables.pull_rows(session.pulls, pulls)
        for said in marks.heard:
            if said.pull:
                _index(session, said.pull, len(session.pulls), "pull")
        note = "\n".join(part for part in (session.note, marks.note.strip()) if part)

    def edit(file: Any) -> None:
        if marks.holds or marks.targets:
            tables.replace_rows(file, layout.HOLDS, hold_rows)
        if marks.pulls:
            tables.replace_rows(file, layout.PULLS, pull_rows)
        if marks.forget is not None:
            forget_heard(file, None if marks.forget < 0 else marks.forget)
        if marks.heard:
            add_heard(file, marks.heard)
        if marks.air is not None:
            set_conditions(file, marks.air)
        if marks.note:
            file.attrs["note"] = layout.clean_text(note)

    change_session(path, edit, _acts(marks), together, since)


def _acts(marks: Marks) -> list[Act]:
    """What the changes are, one by one, as the session's history names them."""
    acts = [Act("hold-counts" if on else "hold-left-out", {"hold": n}) for n, on in marks.holds.items()]
    for n, rpm in marks.targets.items():
        acts.append(Act("hold-speed-none", {"hold": n}) if rpm is None else Act("hold-speed", {"hold": n, "rpm": rpm}))
    kept = {1: "pull-kept", -1: "pull-left-out", 0: "pull-by-verdict"}
    acts += [Act(kept[mark.kept], {"pull": n}) for n, mark in marks.pulls.items()]
    if marks.forget is not None:
        acts.append(Act("heard-forgotten", {"pull": max(0, marks.forget)}))
    acts += [Act("knock-heard" if said.heard else "none-heard", {"pull": said.pull}) for said in marks.heard]
    if marks.air is not None:
        acts.append(Act("air-said", {"temperature_c": marks.air.temperature_c, "pressure_hpa": marks.air.pressure_hpa}))
    return acts + [Act("note")] * bool(marks.note)


def copy_said(path: str | Path, new: str | Path) -> None:
    """Copy the air of the day, what was heard, and further devices, from a session to one made of it by a replay.

    What was said of a pull follows that pull where the replay found it too, by its time; where it did not, a knock
    heard counts for the whole session, and 'heard none' for nothing.
    """
    with open_session(path) as session, open_session(new) as made:
        weather, heard, pulls, found = session.conditions, session.heard, session.pulls, made.pulls
        beside = bool(session.also)
    if weather is None and not heard and not beside:
        return
    said = []
    for row in heard:
        pull = 0
        if row.pull:
            middle = (pulls[row.pull - 1].start_s + pulls[row.pull - 1].end_s) / 2 if row.pull <= len(pulls) else -1.0
            inside = (number for number, one in enumerate(found, 1) if one.start_s <= middle <= one.end_s)
            pull = next(inside, 0)
        if pull or not row.pull or row.heard:
            said.append(msgspec.structs.replace(row, pull=pull))

    def edit(file: Any) -> None:
        set_conditions(file, weather)
        add_heard(file, said)
        if beside:
            with open_session(path) as session:
                copy_also(session.h5, file)

    change_session(new, edit)


def new_hold_marks(session: Session, marks: Marks) -> list[HoldMark]:
    """The marks of all holds with the changes in them."""
    new = list(session.hold_marks)
    for number, accepted in marks.holds.items():
        index = _index(session, number, len(new), "hold")
        new[index] = msgspec.structs.replace(new[index], accepted=accepted)
    for number, rpm in marks.targets.items():
        index = _index(session, number, len(new), "hold")
        if rpm is not None and not is_speed(rpm):
            raise InputError(f"hold {number}: {rpm:g} rpm is no speed; give a number from 1 to {FASTEST_RPM} rpm")
        new[index] = HoldMark(accepted=new[index].accepted, target_rpm=rpm, by_hand=rpm is not None)
    return new


def new_pull_marks(session: Session, pulls: Mapping[int, PullMark]) -> Sequence[PullMark]:
    """The marks of all pulls with the changes in them."""
    new = list(session.pull_marks)
    for number, mark in pulls.items():
        new[_index(session, number, len(new), "pull")] = mark
    return new


def _index(session: Session, number: int, count: int, what: str) -> int:
    if 1 <= number <= count:
        return number - 1
    if count:
        raise InputError(f"{session.path}: has no {what} {number}; it has {count}, counted from 1")
    raise InputError(
        f"{session.path}: holds no {what}; a replay into a new session finds and writes what there is",
        code="nothing-to-mark",
        path=session.path,
        what=what,
    )


def apply_calibration(
    calibration: SpeedCalibration,
    paths: Sequence[str | Path],
    say: Callable[[Finding], str] | None = None,
    together: str = "",
) -> list[tuple[str | Path, Finding]]:
    """Attach a calibration to sessions; returns for which of them it is stale or foreign, and why.

    say: makes a sentence of a finding, for the text of the calibration that the sessions then carry. `together` as
    `change_session` has it; several sessions are one deed anyway.

    Every session is checked before any is changed. Raises InputError, StorageError; a session is changed whole or
    not at all.
    """
    each_once(paths)
    found: list[tuple[str | Path, Finding]] = []
    for path in paths:
        with open_dataset(path) as data:  # damaged calibrations are told before anything is changed
            found += [(path, finding) for finding in _origin(calibration, data)]
    attributes = calibration_attributes(calibration, say)
    act, together = Act("calibration-applied", {"made_utc": calibration.when}), together or one_deed(len(paths))
    for path in paths:
        change_session(path, lambda file: put_in_force(file, attributes), [act], together)
    return found


def one_deed(steps: int) -> str:
    """A mark for the steps of one deed, by which they are taken back together; '' for one step alone."""
    return secrets.token_hex(8) if steps > 1 else ""


def calibration_attributes(
    calibration: SpeedCalibration, say: Callable[[Finding], str] | None = None
) -> dict[str, Any]:
    """What stands under /calibrations/NAME: enough for any tool, and `toml`, which has everything."""
    c = calibration
    source = ", ".join(f"{one.path} of {one.started_utc}" if one.started_utc else one.path for one in c.sessions)
    attributes: dict[str, Any] = {
        "model": c.model,
        "numbers": np.array([c.slope_rpm_per_unit, c.intercept_rpm]),
        "covariance": np.array([[c.u_slope**2, c.covariance], [c.covariance, c.u_intercept**2]]),
        "scale_error_pct": c.scale_error_pct,
        "made_utc": c.when,
        "source_session": source,
        "channel": c.channel,
        "unit": c.unit,
        "toml": dump_calibration(c, say),
    }
    if c.knots:
        attributes["knots"] = np.array(c.knots)
        attributes["knot_covariance"] = np.array(c.knot_covariance)
    return attributes


def put_in_force(file: Any, attributes: dict[str, Any]) -> None:
    """For an edit: make this the calibration in force; the one before it is kept, unless it is the same."""
    group = file.require_group(layout.CALIBRATIONS)
    if CALIBRATION in group:
        old = group[CALIBRATION].attrs
        if str(old.get("toml", "")) == attributes["toml"]:
            return
        group.move(CALIBRATION, _dated_name(group, str(old.get("made_utc", ""))))
    set_calibration(file, CALIBRATION, attributes)


def _dated_name(group: Any, made_utc: str) -> str:
    """'speed-20260601T093000Z', with a number behind it where that is taken."""
    stamp = "".join(letter for letter in made_utc.replace("+00:00", "Z") if letter.isalnum()) or "undated"
    name, number = f"{CALIBRATION}-{stamp}", 1
    while name in group:
        number += 1
        name = f"{CALIBRATION}-{stamp}-{number}"
    return name


def _origin(calibration: SpeedCalibration, data: Dataset) -> list[Finding]:
    speed = data.car.need("engine_speed", "apply")
    return origin_findings(
        calibration,
        car=data.car.car.name,
        channel=speed.name,
        unit=speed.unit,
        pulses_per_turn=data.car.engine.pulses_per_turn,
        session_started=data.started_utc,
    )


@dataclass(frozen=True, slots=True)
class DeclaredZero:
    """A zero as it stands in the session now: `u_mean` its standard uncertainty by all the session's zeros, `unit` the
    load's; `confirmed` False where nobody said that the car stood in neutral, brakes off, on the level.
    """

    path: Path
    zero: Zero
    u_mean: float
    unit: str
    confirmed: bool


def declare_zero(
    path: str | Path,
    start_s: float,
    end_s: float,
    *,
    rolling: bool = False,
    confirmed: bool = True,
    together: str = "",
    full_scale: float | None = None,
) -> DeclaredZero:
    """Take the zero of a stretch, seconds of the session's clock, and write it; `together` as `change_session` has it,
    `full_scale` as `tried_zero`.

    Raises InputError, and nothing is changed: no load channel, no such stretch, lost or clipped samples, moving, a
    stretch that overlaps a zero that is there.
    """
    since = seen(path)
    with open_dataset(path) as data:
        declared, zeros = tried_zero(data, start_s, end_s, rolling=rolling, confirmed=confirmed, full_scale=full_scale)
    act = Act("zero-taken", {"start_s": start_s, "end_s": end_s})
    rows = tables.zero_rows(zeros)
    change_session(path, lambda f: tables.replace_rows(f, layout.ZEROS, rows), [act], together, since)
    return replace(declared, path=Path(path))


def tried_zero(
    data: Dataset,
    start_s: float,
    end_s: float,
    *,
    rolling: bool = False,
    confirmed: bool = True,
    full_scale: float | None = None,
) -> tuple[DeclaredZero, list[Zero]]:
    """The zero of a stretch as `declare_zero` would write it, and all zeros of the session with it; nothing is changed.

    full_scale: what `full_scale_of` says, where it is known already. Raises InputError as `declare_zero`.
    """
    scale = full_scale_of(data) if full_scale is None else full_scale
    zero = zero_of(data, start_s, end_s, rolling=rolling, full_scale=scale)
    for old in data.zeros:
        if start_s < old.end_s and old.start_s < end_s:
            raise InputError(
                f"zero: {start_s:g} to {end_s:g} s overlaps the zero from {old.start_s:g} to {old.end_s:g} s; "
                "take another stretch"
            )
    if not confirmed:
        zero = msgspec.structs.replace(
            zero, doubt=math.hypot(zero.doubt, NOT_CONFIRMED * (scale or 0.0)), how=UNCONFIRMED
        )
    zeros = sorted([*data.zeros, zero], key=lambda one: one.start_s)
    found = zero_at(zero.middle_s, zeros)
    u_mean = zero.doubt if found is None else found.doubt
    return DeclaredZero(data.path, zero, u_mean, data.load_unit, confirmed), zeros


def full_scale_of(data: Dataset) -> float | None:
    """Load of a strong pull of the session, else how far its load goes from the middle; None where it is flat."""
    return _strong_pull(data) or _widest(data)


def standing_stretch(path: str | Path) -> tuple[float, float]:
    """The stretch (start_s, end_s) that a session itself proposes for a zero: the longest quiet one at idle or below,
    with road speed 0 where that is known, before the first pull. Raises InputError where there is none.
    """
    with open_dataset(path) as data:
        return standing_in(data)


def standing_in(data: Dataset, full_scale: float | None = None) -> tuple[float, float]:
    """`standing_stretch` of a session that is open; `full_scale` as `tried_zero` has it."""
    data.car.need("load", "zero")
    still = standing(data)
    if data.recorded_pulls:
        still &= data.time_s < data.recorded_pulls[0].start_s
    scale = full_scale_of(data) if full_scale is None else full_scale
    runs = sorted(runs_of(still), key=lambda run: run[0] - run[1])
    for first, end in runs:
        found = _quiet(data, float(data.time_s[first]) + EDGE_S, float(data.time_s[end - 1]) - EDGE_S, scale)
        if found is not None:
            return found
    raise InputError(
        f"{data.path}: holds no quiet stretch of {LEAST_STANDING_S:g} s at idle or below before its first pull; name "
        "one by its start and end"
    )


def standing(data: Dataset) -> Flags:
    """(ticks,) where engine and car may stand: at idle or below, road speed 0 where known."""
    most = IDLE_RPM * (1.0 if data.calibration is not None else PROVISIONAL)
    still = np.isfinite(data.load) & (data.speed_rpm <= most)
    road = data.channel("road_speed", "km/h")
    if road is not None:
        still &= np.abs(np.nan_to_num(road, nan=np.inf)) < STANDING_KMH
    return np.asarray(still)


def _quiet(data: Dataset, start_s: float, end_s: float, full_scale: float | None) -> tuple[float, float] | None:
    """The stretch, or the first half of it (of the half, …) that is quiet; None where none of 3 s is."""
    start_s, end_s = max(0.0, round(start_s, 2)), round(min(end_s, start_s + LONGEST_STANDING_S), 2)
    if end_s - start_s < LEAST_STANDING_S:
        return None
    try:
        zero_of(data, start_s, end_s, full_scale=full_scale)
    except InputError:
        middle = (start_s + end_s) / 2
        return _quiet(data, start_s, middle, full_scale) or _quiet(data, middle, end_s, full_scale)
    return start_s, end_s


def zero_of(
    data: Dataset, start_s: float, end_s: float, *, rolling: bool = False, full_scale: float | None = None
) -> Zero:
    """The zero that a stretch shows, `full_scale` as `tried_zero` has it. Raises InputError as `declare_zero`."""
    load = data.car.need("load", "zero")
    values = data.stretch(load, start_s, end_s, "zero")
    return measure_zero(
        values,
        data.rate_hz,
        start_s=start_s,
        end_s=end_s,
        full_scale=full_scale_of(data) if full_scale is None else full_scale,
        road_speed_kmh=None if rolling else _road_kmh(data, start_s, end_s),
        how=ROLLING if rolling else STANDING,
    )


def _strong_pull(data: Dataset) -> float | None:
    """Load of a strong pull in this session, None where it has none."""
    if data.first("engine_speed") is None:
        return None
    clean = [pull for pull in data.recorded_pulls if pull.verdict == "clean"]
    ends = np.searchsorted(data.time_s, [(pull.start_s, pull.end_s) for pull in clean]).reshape(-1, 2)
    loads = [np.abs(data.load[first:last]) for first, last in ends]
    values = np.concatenate(loads) if loads else np.empty(0)
    values = values[np.isfinite(values)]
    return float(np.quantile(values, 0.9)) if len(values) else None


def _widest(data: Dataset) -> float | None:
    """How far the load goes from its middle in a session whose pulls nobody has looked for; None where it is flat."""
    values = data.raw(data.car.need("load", "zero"))
    values = values[np.isfinite(values)]
    return float(np.quantile(np.abs(values - np.median(values)), 0.9)) or None if len(values) else None


def _road_kmh(data: Dataset, start_s: float, end_s: float) -> Floats | None:
    """Road speed samples of a stretch, km/h; None where it is not known."""
    channel = data.first("road_speed")
    if channel is None or plain_unit(channel.unit) not in MPS_PER_UNIT:
        return None
    values = data.raw(channel, start_s, end_s) * MPS_PER_UNIT[plain_unit(channel.unit)] * 3.6
    values = values[np.isfinite(values)]
    return values if len(values) else None
