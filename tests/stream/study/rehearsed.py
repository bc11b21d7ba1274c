"""Days of the rehearsal car as session files, for tests and benches of the study."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from stream.block import Block, ChannelInfo, StreamInfo
from stream.car import parse_car
from stream.drive.offline import run_offline
from stream.record.change import change_session
from stream.record.tables import Zero, append_rows, zero_rows
from stream.sources.rehearsal.chain import Chain
from stream.sources.rehearsal.recording import Recording
from stream.sources.rehearsal.scenario import demo_car_text, pull_session
from stream.sources.source import SourceNote

BEGAN = datetime(2026, 5, 2, 9, 0, tzinfo=UTC)
STAND_S = (1.0, 5.5)  # of the six seconds that a session stands at its start; as much before its end


class RecordingSource:
    """A rehearsal recording as a source, without a wire."""

    realtime = False

    def __init__(self, recording: Recording) -> None:
        self._recording, self._done = recording, False

    def open(self) -> StreamInfo:
        channels = tuple(ChannelInfo(channel.name, channel.unit) for channel in self._recording.channels)
        return StreamInfo(self._recording.rate_hz, channels, "rehearsal")

    def read(self, timeout_s: float) -> list[Block]:
        self._done = True
        index, samples, rate = self._recording.index, self._recording.samples, self._recording.rate_hz
        cuts = sorted({len(samples), *(row for row, _ in self._recording.gaps), *range(0, len(samples), 4096)})
        return [
            Block(samples[a:b], int(index[a]), rate, lost=int(index[a] - index[a - 1]) - 1 if a else 0)
            for a, b in zip(cuts, cuts[1:], strict=False)
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


def session(path: Path, seed: int, tune: str, began: datetime, chain: Chain | None = None, car_text: str = "",
            zeros: bool = True, gear: int | None = 3, drive_gear: int = 3, **more: Any) -> Recording:  # fmt: skip
    """Drive, find the pulls, write the session; with `zeros` declare the two stands as zero load."""
    chain = Chain() if chain is None else chain
    recording = pull_session(seed, tune, chain=chain, gear=drive_gear, **more)
    car = parse_car(car_text or demo_car_text(chain.extra), "test")
    run_offline(RecordingSource(recording), car, tune=tune, gear=gear, started_utc=began, path=path)
    if zeros:
        rows = zero_rows(stands(recording))
        change_session(path, lambda file: append_rows(file, "zeros", rows))
    return recording


def stands(recording: Recording) -> list[Zero]:
    """Both stands of a session as zeros. The friction of a bush holds a standing link anywhere in its play, so each
    zero is no better than the gap between the two."""
    link = [channel.name for channel in recording.channels].index("link")
    time, load = recording.time_s, recording.samples[:, link].astype(float)
    end = float(time[-1])
    spans = [STAND_S, (end - STAND_S[1], end - STAND_S[0])]
    means = [float(load[(time >= a) & (time < b)].mean()) for a, b in spans]
    doubt = abs(means[1] - means[0]) / np.sqrt(2)
    return [
        Zero(start_s=a, end_s=b, mean=mean, doubt=doubt, how="stand") for (a, b), mean in zip(spans, means, strict=True)
    ]


def day(folder: Path, seed: int, tunes: Sequence[str], **more: Any) -> list[Path]:
    """Sessions of these tunes, one after the other, twelve minutes apart."""
    paths = [folder / f"{seed}-{place}-{tune}.h5" for place, tune in enumerate(tunes)]
    for place, (path, tune) in enumerate(zip(paths, tunes, strict=True)):
        session(path, 1000 * seed + place, tune, BEGAN + timedelta(minutes=12 * place), **more)
    return paths
