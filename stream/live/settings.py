"""How the live stage treats a stream: rates, corner, delay, and which of its columns it looks at."""

from dataclasses import dataclass

from stream.block import StreamInfo
from stream.car import Car
from stream.errors import InputError
from stream.findings import Finding, note, warning
from stream.live.filters import LowPass

SLOWEST_PULLS_HZ = 5.0  # under it there is no verdict on pulls and pinned stretches
SLOWEST_HOLDS_HZ = 1.0  # chosen: recorders of a car's diagnosis port write one to three rows a second
EVIDENCE_ROLES = ("road_speed", "throttle", "manifold_pressure")  # other channels that show the engine alive


@dataclass(frozen=True, slots=True)
class StageSettings:
    """How the stage treats a stream: what is written beside /live."""

    live_rate_hz: float
    decimation: int
    cutoff_hz: float
    delay_s: float
    filter: str
    verdicts: bool
    pull_verdicts: bool
    remarks: tuple[Finding, ...]


def stage_settings(car: Car, info: StreamInfo, low_pass: LowPass, every: int) -> StageSettings:
    """The settings for a stream of this rate, and what must be said of them."""
    remarks = []
    if low_pass.cutoff_hz != car.live.cutoff_hz:
        wanted, corner = car.live.cutoff_hz, low_pass.cutoff_hz
        remarks.append(note("slow-for-low-pass", rate_hz=info.rate_hz, wanted_hz=wanted, corner_hz=corner))
    verdicts, pull_verdicts = info.rate_hz >= SLOWEST_HOLDS_HZ, info.rate_hz >= SLOWEST_PULLS_HZ
    if not pull_verdicts:
        remarks.append(warning("slow-for-verdicts", rate_hz=info.rate_hz, holds=verdicts))
    return StageSettings(
        live_rate_hz=info.rate_hz / every,
        decimation=every,
        cutoff_hz=low_pass.cutoff_hz,
        delay_s=low_pass.delay_s,
        filter=f"Butterworth low-pass, order 4, {low_pass.cutoff_hz:g} Hz, causal",
        verdicts=verdicts,
        pull_verdicts=pull_verdicts,
        remarks=tuple(remarks),
    )


def stage_columns(car: Car, info: StreamInfo) -> list[int]:
    """Columns of the stream that the stage filters: engine speed first, load next where there is one, then others.

    Raises InputError where the stream does not carry the car's engine speed.
    """
    names = info.names
    speed = car.need("engine_speed", "the live stage")
    if speed.name not in names:
        raise InputError(
            f"{car.where}: engine speed is channel {speed.name!r}, but the stream carries {', '.join(names[:12])}; "
            "make the names match"
        )
    wanted = [speed]
    wanted += [channel for role in ("load", *EVIDENCE_ROLES) if (channel := car.by_role(role)) is not None]  # type: ignore[arg-type]
    return [names.index(channel.name) for channel in wanted if channel.name in names]


def throttle_place(car: Car, info: StreamInfo, columns: list[int]) -> int | None:
    """Which of the other filtered columns tells full throttle: throttle itself, else manifold pressure."""
    for channel in (car.by_role("throttle"), car.by_role("manifold_pressure")):
        if channel is not None and channel.name in info.names:
            return columns.index(info.names.index(channel.name)) - 1
    return None
