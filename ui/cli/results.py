"""What a drive, a replay or an import found: as JSON and as a table."""

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable

    from stream.calibrate.speed.calfile import SpeedCalibration
    from stream.car import Car
    from stream.live.records import Hold, Pull
    from stream.live.stage import LiveStage
    from stream.record.session import Session


def drive_json(stage: "LiveStage", path: Path | None, calibration: "SpeedCalibration | None" = None) -> dict[str, Any]:
    """The keys of `drive --json` and `replay --json`; a calibration changes the rpm that is reported, nothing else."""
    import msgspec

    from stream.study.dataset import calibrated_hold, calibrated_pull

    health = stage.health()
    channels = [
        {
            "name": info.name,
            "role": role.role if (role := stage.car.by_name(info.name)) else "other",
            "unit": info.unit,
        }
        for info in stage.info.channels
    ]
    return {
        "session": {
            "path": "" if path is None else str(path),
            "tune": stage.tune,
            "rate_hz": stage.info.rate_hz,
            "duration_s": stage.time_s,
            "channels": channels,
            "lost_samples": health.lost_samples,
            "clipped_samples": health.clipped_samples,
        },
        "holds": [msgspec.to_builtins(calibrated_hold(hold, stage.line, calibration)) for hold in stage.holds],
        "pinned": [msgspec.to_builtins(stretch) for stretch in stage.pinned],
        "pulls": [msgspec.to_builtins(calibrated_pull(pull, stage.line, calibration)) for pull in stage.pulls],
    }


def raw_json(session: "Session", car: "Car") -> dict[str, Any]:
    """The same keys for a session in which nothing could be looked for."""
    channels = [
        {"name": info.name, "role": known.role if (known := car.by_name(info.name)) else "other", "unit": info.unit}
        for info in session.info.channels
    ]
    about = {
        "path": str(session.path),
        "tune": session.tune,
        "rate_hz": session.rate_hz,
        "duration_s": session.duration_s,
        "channels": channels,
        "lost_samples": session.lost_samples,
        "clipped_samples": {channel["name"]: 0 for channel in channels},
    }
    return {"session": about, "holds": [], "pinned": [], "pulls": []}


def in_rpm_of(calibration: "SpeedCalibration | None", car: "Car") -> "Callable[[dict[str, Any]], dict[str, Any]]":
    """What puts the rows of an event's line into rpm of a calibration, as the table at the end has them."""
    import msgspec

    from stream.live.records import Hold, Pull
    from stream.study.dataset import calibrated_hold, calibrated_pull

    line = car.speed_line("replay")

    def reword(event: dict[str, Any]) -> dict[str, Any]:
        if "hold" in event:
            hold = calibrated_hold(msgspec.convert(event["hold"], Hold), line, calibration)
            return {**event, "hold": msgspec.to_builtins(hold)}
        if "pull" in event:
            pull = calibrated_pull(msgspec.convert(event["pull"], Pull), line, calibration)
            return {**event, "pull": msgspec.to_builtins(pull)}
        return event

    return reword


def print_findings(stage: "LiveStage", path: Path | None, calibration: "SpeedCalibration | None" = None) -> None:
    """The findings as words and tables on standard output; rpm by the calibration where there is one."""
    from stream.study.dataset import calibrated_pull
    from ui.cli.paper import console
    from ui.text.findings import say

    out = console()
    health = stage.health()
    lost = f", {health.lost_samples} {_samples(health.lost_samples)} lost" if health.lost_samples else ", nothing lost"
    out.print(f"{stage.time_s:.1f} s at {stage.info.rate_hz:.6g} Hz{lost}")
    for name, count in health.clipped_samples.items():
        if count:
            out.print(f"{name}: {count} {_samples(count)} outside its range")
    for remark in stage.settings.remarks:
        out.print(say(remark))
    if stage.settings.verdicts:
        _print_holds(out, stage, calibration)
        _print_pulls(out, [calibrated_pull(pull, stage.line, calibration) for pull in stage.pulls])
    if path is not None:
        out.print(f"session: {path}")


def _samples(count: int) -> str:
    return "sample" if count == 1 else "samples"


def _print_holds(out: Any, stage: "LiveStage", calibration: "SpeedCalibration | None") -> None:
    from stream.study.dataset import calibrated_hold
    from ui.cli.paper import plain_table
    from ui.text.figures import moment

    if not stage.holds:
        cut = stage.cut_by_gaps_s
        if cut is None:
            out.print("no hold: speed was never steady for long enough")
        else:
            out.print(
                f"no hold: engine speed has gaps, and the longest stretch without one is {cut:.1f} s; "
                f"a hold needs {stage.car.hold.min_s:g} s"
            )
        return
    unit = next((c.unit for c in stage.info.channels if (k := stage.car.by_name(c.name)) and k.role == "load"), "")
    table = plain_table("hold", "from s", "to s", "rpm", "± rpm", "drift rpm/s", f"load {unit}".strip())
    loads = [abs(hold.load_mean) for hold in stage.holds if hold.load_mean]
    decimals = max(0, 2 - math.floor(math.log10(max(loads)))) if loads else 0
    for number, hold in enumerate(stage.holds, start=1):
        per_unit = stage.line[0] if calibration is None else calibration.slope_rpm_per_unit
        table.add_row(str(number), *_hold_cells(calibrated_hold(hold, stage.line, calibration), per_unit, decimals))
    out.print(table)
    out.print(
        "rpm by the car file's provisional line; ± (95 %) is the hold's own wander alone"
        if calibration is None
        else f"rpm by the calibration of {moment(calibration.when)}"
    )
    for stretch in stage.pinned:
        out.print(
            f"signal stuck at the {stretch.at}, {stretch.signal:.4g}, "
            f"from {stretch.start_s:.1f} to {stretch.end_s:.1f} s"
        )


def _hold_cells(hold: "Hold", per_unit: float, decimals: int) -> list[str]:
    from stream.live.mean import half_width_95

    uncertainty = half_width_95(hold.signal_sem, hold.n_effective) * abs(per_unit)
    drift = "0" if round(hold.drift_rpm_per_s) == 0 else f"{hold.drift_rpm_per_s:+.0f}"
    load = "" if hold.load_mean is None else f"{hold.load_mean:.{decimals}f}"
    return [
        f"{hold.start_s:.1f}",
        f"{hold.end_s:.1f}",
        f"{hold.speed_rpm:.0f}",
        f"{uncertainty:.0f}" if uncertainty >= 1 else "<1",
        drift,
        load,
    ]


def _print_pulls(out: Any, pulls: "list[Pull]") -> None:
    for number, pull in enumerate(pulls, start=1):
        why = f": {', '.join(pull.faults)}" if pull.faults else ""
        out.print(
            f"pull {number}: {pull.start_s:.1f} to {pull.end_s:.1f} s, {pull.start_rpm:.0f} to {pull.end_rpm:.0f} rpm, "
            f"{pull.verdict}{why}"
        )
