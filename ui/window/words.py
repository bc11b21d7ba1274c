"""The words of the Road screen: figures rounded to what they are worth, verdicts, health. No Qt in here."""

import math
from pathlib import Path

from stream.block import StreamInfo
from stream.live.records import Hold, Pull
from stream.live.view import DriveStatus, Health, Steady

NO_FIGURE = "–––"

FAULT_WORDS = {
    "wheelspin": "wheelspin",
    "lift": "lifted early",
    "gear-change": "gear change",
    "part-throttle": "not full throttle",
    "brake": "braking",
    "cornering": "cornering",
    "bump": "bump",
    "clipped": "clipped",
    "lost-samples": "lost samples",
    "too-short": "too short",
    "too-quick": "too quick",
    "zero-drifted": "zero drifted",
}


def rpm(value: float, step: int = 10) -> str:
    """Engine speed as a figure, to the nearest `step`: a foot wanders by more than that."""
    return NO_FIGURE if not math.isfinite(value) else str(round(value / step) * step)


def load(value: float, unit: str) -> str:
    """Load as a figure: two decimals of mV/V or V, whole microstrain, tens of newtons."""
    if not math.isfinite(value):
        return NO_FIGURE
    if unit in ("N", "microstrain"):
        step = 10 if unit == "N" else 1
        return str(round(value / step) * step)
    text = f"{value:.2f}"
    return text[1:] if text == "-0.00" else text


def seconds(value: float) -> str:
    """A length of time that is watched as it grows."""
    return f"{value:.1f} s"


def clock(value: float) -> str:
    """Session time as minutes and seconds, or hours too."""
    whole = max(0, int(value))
    hours, rest = divmod(whole, 3600)
    minutes = f"{rest // 60:02d}:{rest % 60:02d}"
    return f"{hours}:{minutes}" if hours else minutes


def size(count: float) -> str:
    """Bytes as disks are sold: decimal, two figures."""
    for unit, scale in (("TB", 1e12), ("GB", 1e9), ("MB", 1e6)):
        if count >= scale:
            value = count / scale
            return f"{value:.1f} {unit}" if value < 10 else f"{value:.0f} {unit}"
    return "under 1 MB"


def count(value: int) -> str:
    """A count, with the thousands set apart by a narrow space."""
    return f"{value:,}".replace(",", "\u202f")


def two_figures(value: float) -> str:
    """Two significant figures, without an exponent."""
    if not math.isfinite(value):
        return NO_FIGURE
    if value == 0:
        return "0"
    decimals = max(0, 1 - math.floor(math.log10(abs(value))))
    return f"{value:.{min(decimals, 6)}f}"


def plain(text: str, longest: int = 60) -> str:
    """Foreign text made fit for one line of the screen: no control characters, not too long."""
    shown = "".join(letter if letter.isprintable() else "·" for letter in text)
    return shown if len(shown) <= longest else shown[: longest - 1] + "…"


def steadiness(steady: Steady | None) -> str:
    """What the bracket says, in words."""
    if steady is None or (not math.isfinite(steady.spread_rpm) and steady.steady_s <= 0):
        return "no verdict yet"
    if steady.holding:
        return f"HOLD  {seconds(steady.steady_s)}"
    if steady.steady_s > 0:
        return f"steady  {steady.steady_s:.1f} of {seconds(steady.needed_s)}"
    return f"moving  ±{rpm(steady.spread_rpm)} rpm"


def against_target(speed: float, target: float, band: float) -> str:
    """Where the speed stands against the target, in words."""
    away = speed - target
    if not math.isfinite(away):
        return ""
    if abs(away) <= band:
        return "on target"
    return f"{rpm(abs(away))} {'above' if away > 0 else 'below'} target"


def doubt_lines(status: DriveStatus) -> tuple[str, ...]:
    """How far the row has come, and how well speed is known by now; nothing where no guide counts."""
    if status.target_speed_rpm is None or not status.targets:
        return ()
    held = f"{status.targets_taken} of {len(status.targets)} held"
    if status.doubt_rpm is None:
        return (f"{held}, doubt known from the third on",)
    wanted = f", {status.until_u_rpm:g} wanted" if status.until_u_rpm is not None else ""
    return (f"{held}, speed known to ±{math.ceil(status.doubt_rpm):d} rpm{wanted}",)


def target_line(status: DriveStatus) -> str:
    """Under the next target: the seconds that count for it, or else how far the row has come."""
    steady = status.steady
    if steady is None or steady.steady_s <= 0:
        return "".join(doubt_lines(status))
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
    parts = [f"no. {number}", f"wander ±{rpm(hold.speed_sd_rpm, 1)} rpm"]
    if hold.load_mean is not None and math.isfinite(hold.load_mean):
        parts.append(f"load {load(hold.load_mean, load_unit)} {load_unit}".rstrip())
    return f"{rpm(hold.speed_rpm)} rpm for {seconds(lasted)}", " · ".join(parts)


def pull_lines(pull: Pull | None, number: int) -> tuple[str, str]:
    """The last pull: its verdict with the reasons, and what it was."""
    if pull is None:
        return "none yet", ""
    verdict = "clean" if pull.verdict == "clean" else "flawed: " + ", ".join(FAULT_WORDS[f] for f in pull.faults)
    parts = [f"no. {number}", f"{rpm(pull.start_rpm)} to {rpm(pull.end_rpm)} rpm"]
    parts.append(f"{seconds(pull.end_s - pull.start_s)}")
    if pull.gear is not None:
        parts.append(f"gear {pull.gear}")
    if pull.tune:
        parts.append(plain(pull.tune, 24))
    return verdict, " · ".join(parts)


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
    if health.flat:
        cells.append(("Flat", ", ".join(plain(name, 14) for name in health.flat[:2]), True))
    cells.append(("Disk", _disk(status), little_disk))
    return cells


def recording_file(path: Path | None, recording: bool) -> str:
    """The last cell of the health line."""
    if path is None:
        return "not recording"
    return plain(path.name, 80) if recording else f"not recording, last file {plain(path.name, 80)}"


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
        parts.append(f"{plain(name, 10)} {two_figures(value)} {plain(unit, 10)}".strip())
    return ", ".join(parts) if parts else NO_FIGURE
