"""The words of a running drive: verdicts, targets, health."""

import math
from pathlib import Path

from stream.block import StreamInfo
from stream.drive.status import DriveStatus
from stream.live.records import Health, Hold, Pull, PullNow, Steady
from ui.text import faults
from ui.text.figures import NO_FIGURE, count, live_load, live_rpm, one_line, seconds, size, two_figures

NO_KNOCK_DETECTION = "A limit of the car file; no knock detection. The driver decides."


def steadiness(steady: Steady | None) -> str:
    """What the bracket says, in words."""
    if steady is None or (not math.isfinite(steady.spread_rpm) and steady.steady_s <= 0):
        return "no verdict yet"
    if steady.holding:
        return f"HOLD  {seconds(steady.steady_s)}"
    if steady.steady_s >= steady.needed_s:  # long enough and no hold: it drifts, or is to be confirmed
        return "not steady enough yet"
    if steady.steady_s > 0:
        return f"steady  {steady.steady_s:.1f} of {seconds(steady.needed_s)}"
    return f"moving  ±{live_rpm(steady.spread_rpm)} rpm"


def pulling(pull: PullNow, speed: float, redline: float | None) -> str:
    """A pull that goes on, in words: where it began, and how far redline is."""
    if redline is None:
        return f"PULL  from {live_rpm(pull.start_rpm)} rpm"
    left = redline - speed
    return f"PULL  {live_rpm(left)} to redline" if left > 0 else "PULL  at redline"


def against_target(speed: float, target: float, band: float) -> str:
    """Where the speed stands against the target, in words."""
    away = speed - target
    if not math.isfinite(away):
        return ""
    if abs(away) <= band:
        return "on target"
    return f"{live_rpm(abs(away))} {'above' if away > 0 else 'below'} target"


def uncertainty_lines(status: DriveStatus) -> tuple[str, ...]:
    """How far the row has come, and how well speed is known by now; nothing where no guide counts."""
    if status.target_speed_rpm is None or not status.targets:
        return ()
    held = f"{status.targets_taken} of {len(status.targets)} held"
    if status.uncertainty_rpm is None:
        return (f"{held}, uncertainty from the third on",)
    wanted = f", {status.until_u_rpm:g} wanted" if status.until_u_rpm is not None else ""
    return (f"{held}, ±{math.ceil(status.uncertainty_rpm):d} rpm{wanted}",)


def target_line(status: DriveStatus) -> str:
    """Under the next target: the seconds that count for it, or else how far the row has come."""
    steady = status.steady
    if steady is None or steady.steady_s <= 0:
        return "".join(uncertainty_lines(status))
    if status.target_steady_s <= 0:
        return "steady, but not near this target"
    if steady.holding:
        return "held long enough: go on"
    return f"{status.target_steady_s:.1f} of {seconds(steady.needed_s)} near this target"


def hold_lines(hold: Hold | None, number: int, load_unit: str) -> tuple[str, str]:
    """The last hold: a line to read from afar and a line for the curious."""
    if hold is None:
        return "none yet", ""
    lasted = hold.end_s - hold.start_s
    parts = [f"wander ±{live_rpm(hold.speed_sd_rpm, 1)} rpm"]
    if hold.load_mean is not None and math.isfinite(hold.load_mean):
        parts.append(f"load {live_load(hold.load_mean, load_unit)} {load_unit}".rstrip())
    return f"{live_rpm(hold.speed_rpm)} rpm for {seconds(lasted)}", " · ".join([*parts, f"no. {number}"])


def pull_lines(pull: Pull | None, number: int) -> tuple[str, str]:
    """The last pull: its verdict with the reasons, and what it was."""
    if pull is None:
        return "none yet", ""
    verdict = faults.verdict(pull.verdict, pull.faults)
    parts = [f"{live_rpm(pull.start_rpm)} to {live_rpm(pull.end_rpm)} rpm"]
    parts.append(f"{seconds(pull.end_s - pull.start_s)}")
    if pull.gear is not None:
        parts.append(f"gear {pull.gear}")
    if pull.tune:
        parts.append(one_line(pull.tune, 24))
    return verdict, " · ".join([*parts, f"no. {number}"])


def health_cells(
    status: DriveStatus, info: StreamInfo | None, little_disk: bool = False
) -> list[tuple[str, str, bool]]:
    """The health line: (what, figure, whether it wants attention)."""
    health = status.health
    if health is None:
        return [("Rate", NO_FIGURE, False), ("Disk", _disk(status), little_disk)]
    clipped = sum(health.clipped_samples.values())
    cells = [
        ("Rate", f"{_rate(health.rate_hz)} Hz", False),
        ("Lost", count(health.lost_samples), health.lost_samples > 0),
        ("Clipped", count(clipped), clipped > 0),
        ("Noise", _noise(health, info), False),
    ]
    if status.blind_limits:
        cells.append(("Not watched", ", ".join(one_line(name, 14) for name in status.blind_limits[:2]), True))
    if health.flat:
        cells.append(("Flat", ", ".join(one_line(name, 14) for name in health.flat[:2]), True))
    cells.append(("Disk", _disk(status), little_disk))
    return cells


def beside_cells(status: DriveStatus) -> list[tuple[str, str, bool]]:
    """Further devices: (name, state or values, whether it wants attention)."""
    cells = []
    for other in status.beside:
        if other.state != "running":
            words = {"opening": "not there yet", "away": "away", "failed": "failed"}[other.state]
            cells.append((one_line(other.name, 20), words, True))
            continue
        known = [(name, unit, value) for name, unit, value in other.values if value == value]
        figures = " · ".join(
            f"{one_line(name, 14)} {f'{value:.0f}' if abs(value) >= 100 else f'{value:.3g}'} "
            f"{unit if unit != name else ''}".rstrip()
            for name, unit, value in known[:5]
        )
        cells.append((one_line(other.name, 20), figures or NO_FIGURE, not known))
        if other.blind:
            cells.append(("Not watched", ", ".join(one_line(name, 14) for name in other.blind[:2]), True))
    return cells


def recording_file(path: Path | None, recording: bool) -> str:
    """The last cell of the health line."""
    if path is None:
        return "not recording"
    return one_line(path.name, 80) if recording else f"not recording, last file {one_line(path.name, 80)}"


def _rate(rate_hz: float) -> str:
    return count(round(rate_hz)) if rate_hz >= 10 else two_figures(rate_hz)


def _disk(status: DriveStatus) -> str:
    return NO_FIGURE if status.disk_free_bytes is None else f"{size(status.disk_free_bytes)} free"


def _noise(health: Health, info: StreamInfo | None) -> str:
    """Noise of the first two channels, in thousandths where volts would be all zeros."""
    units = {channel.name: channel.unit for channel in info.channels} if info is not None else {}
    parts = []
    for name, value in list(health.noise.items())[:2]:
        unit = units.get(name, "")
        if unit in ("V", "mV/V") and math.isfinite(value) and abs(value) < 0.1:
            value, unit = value * 1e3, {"V": "mV", "mV/V": "µV/V"}[unit]
        parts.append(f"{one_line(name, 10)} {two_figures(value)} {one_line(unit, 10)}".strip())
    return ", ".join(parts) if parts else NO_FIGURE


HOLD_TO_STOP = "Recording goes on: to stop it, press for a second"
NO_DRIVE = "begin one on Start"
FINISHED = "the stream has ended; what comes next stands above"
