"""Days of the rehearsal car as session files, for tests and benches of the study."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any, Literal

import numpy as np

from stream.block import Block, ChannelInfo, StreamInfo
from stream.car import parse_car
from stream.drive.offline import run_offline
from stream.record.change import change_session
from stream.record.tables import Zero, append_rows, zero_rows
from stream.sources.rehearsal.record import Recording
from stream.sources.rehearsal.scenario import demo_car_text, pull_session
from stream.sources.rehearsal.sensors import Chain
from stream.sources.source import SourceNote

BEGAN = datetime(2026, 5, 2, 9, 0, tzinfo=UTC)
STAND_S = (1.0, 5.5)  # of the six seconds that a session stands at its start; as much before its end


class SamplesSource:
    """Samples as a source, without a wire; `index` is each row's place on the session's count."""

    realtime = False

    def __init__(self, info: StreamInfo, samples: np.ndarray, index: np.ndarray | None = None) -> None:
        self._info, self._samples, self._done = info, samples.astype(np.float32), False
        self._index = np.arange(len(samples)) if index is None else index

    def open(self) -> StreamInfo:
        return self._info

    def read(self, timeout_s: float) -> list[Block]:
        self._done = True
        jumps = (np.flatnonzero(np.diff(self._index) != 1) + 1).tolist()
        cuts = sorted({len(self._samples), *jumps, *range(0, len(self._samples), 4096)})
        return [
            Block(
                self._samples[a:b],
                int(self._index[a]),
                self._info.rate_hz,
                lost=int(self._index[a] - self._index[a - 1]) - 1 if a else 0,
            )
            for a, b in pairwise(cuts)
        ]

    @property
    def finished(self) -> bool:
        return self._done

    def take_notes(self) -> list[SourceNote]:
        return []

    def counters(self) -> dict[str, int]:
        return {}

    def stop(self) -> None:
        self._done = True

    def close(self) -> None:
        self._done = True


def session(
    path: Path,
    seed: int,
    tune: str,
    began: datetime,
    chain: Chain | None = None,
    car_text: str = "",
    zeros: Literal["gap", "noise"] | None = "gap",
    gear: int | None = 3,
    drive_gear: int = 3,
    **more: Any,
) -> Recording:
    """Drive, find the pulls, write the session; `zeros` declares the two stands as zero load, see `stands`."""
    chain = Chain() if chain is None else chain
    recording = pull_session(seed, tune, chain=chain, gear=drive_gear, **more)
    kept(path, recording, began, car_text or demo_car_text(chain.extra), zeros, gear)
    return recording


def kept(
    path: Path,
    recording: Recording,
    began: datetime,
    car_text: str,
    zeros: Literal["gap", "noise"] | None = "gap",
    gear: int | None = 3,
) -> None:
    """Write a recording as a session, its holds and pulls found by the live stage."""
    car = parse_car(car_text, "test")
    channels = tuple(ChannelInfo(channel.name, channel.unit) for channel in recording.channels)
    source = SamplesSource(StreamInfo(recording.rate_hz, channels, "rehearsal"), recording.samples, recording.index)
    run_offline(source, car, tune=recording.tune, gear=gear, started_utc=began, path=path)
    if zeros is not None:
        rows = zero_rows(stands(recording, zeros))
        change_session(path, lambda file: append_rows(file, "zeros", rows))


def stands(recording: Recording, doubt: Literal["gap", "noise"] = "gap") -> list[Zero]:
    """Both stands of a session as zeros. Doubt: the gap between the two (what an honest person says, for friction
    holds a standing link anywhere in its play), or only what the noise of the stand shows."""
    link = [channel.name for channel in recording.channels].index("link")
    time, load = recording.time_s, recording.samples[:, link].astype(float)
    end = float(time[-1])
    spans = [STAND_S, (end - STAND_S[1], end - STAND_S[0])]
    parts = [load[(time >= a) & (time < b)] for a, b in spans]
    batches = [np.array([batch.mean() for batch in np.array_split(part, 9)]) for part in parts]
    gap = abs(parts[1].mean() - parts[0].mean()) / np.sqrt(2)
    return [
        Zero(
            start_s=a,
            end_s=b,
            mean=float(part.mean()),
            how="stand",
            doubt=gap if doubt == "gap" else float(batch.std(ddof=1) / 3),
        )
        for (a, b), part, batch in zip(spans, parts, batches, strict=True)
    ]


def day(folder: Path, seed: int, tunes: Sequence[str], **more: Any) -> list[Path]:
    """Sessions of these tunes, one after the other, twelve minutes apart."""
    paths = [folder / f"{seed}-{place}-{tune}.h5" for place, tune in enumerate(tunes)]
    for place, (path, tune) in enumerate(zip(paths, tunes, strict=True)):
        session(path, 1000 * seed + place, tune, BEGAN + timedelta(minutes=12 * place), **more)
    return paths
