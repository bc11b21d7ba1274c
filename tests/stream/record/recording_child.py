"""Records until killed or the disk is full: recording_child.py SESSION ROWS_PER_FLUSH [LIMIT_BYTES].

Tells what it has done on standard output: 'a N' when N rows were appended, 'f N' when N rows were flushed,
and 'full MESSAGE' when the disk was. Every 1000th sample index loses seven samples.
"""

import os
import resource
import sys
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from stream.block import Block, ChannelInfo, StreamInfo
from stream.errors import StorageError
from stream.live.records import LiveHead
from stream.record.writer import SessionWriter


def say(text: str) -> None:
    os.write(1, f"{text}\n".encode())


def main() -> None:
    path, rows_per_flush = Path(sys.argv[1]), int(sys.argv[2])
    if len(sys.argv) > 3:
        resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[3]), int(sys.argv[3])))
    info = StreamInfo(1000.0, tuple(ChannelInfo(name) for name in ("index", "half")))
    writer = SessionWriter(
        path,
        info,
        "",
        LiveHead(load_unit="mV/V"),
        tune="heron",
        started_utc=datetime.now(UTC),
    )
    first = lost = 0
    try:
        while True:
            rows = 20
            index = np.arange(first, first + rows, dtype=np.float32)
            writer.append(Block(np.stack([index, index / 2], axis=1), first, 1000.0, lost=lost))
            say(f"a {writer.rows}")
            if writer.rows % rows_per_flush == 0:
                writer.flush()
                say(f"f {writer.rows}")
            first += rows
            lost = 7 if writer.rows % 1000 == 0 else 0
            first += lost
    except StorageError as error:
        writer.abandon()
        say(f"full {error}")


main()
