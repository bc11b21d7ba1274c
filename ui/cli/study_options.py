"""What the commands of the study share: their options, reading the sessions, and how their text looks."""

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

import click

from stream.errors import InputError
from ui.cli.options import Decorator, numbers

if TYPE_CHECKING:
    from stream.study.compare.scatter import Scatter
    from stream.study.pulls import PullTrace

sessions_argument: Decorator = click.argument("session_paths", metavar="SESSION…", nargs=-1, required=True)
band_option: Decorator = click.option(
    "--band", "width", type=float, default=250.0, metavar="RPM", help="Width of the rev bands.  [250]"
)
air_option: Decorator = click.option(
    "--air",
    "air",
    multiple=True,
    metavar="C,HPA,PCT",
    help="Correct to standard air (ISO 1585): temperature, pressure where the car stands, humidity. Once for all "
    "sessions, or once for each in the order given. Full throttle without boost only.",
)
beyond_option: Decorator = click.option(
    "--beyond-range", is_flag=True, help="Air correction also where the standards do not reach."
)


history_option: Decorator = click.option(
    "--history",
    metavar="DIR|none",
    help="Folder of earlier sessions that teach this car's scatter; none: today alone.  [the sessions' own folder]",
)


def scatter_of(session_paths: Sequence[str], history: str | None, width: float) -> "Scatter":
    """What is known of the car's scatter before today. Raises InputError for a folder that is not there."""
    from stream.study.compare.history import known_scatter
    from stream.study.compare.scatter import PRIOR

    return PRIOR if history == "none" else known_scatter(session_paths, history, width)


def read_pulls(session_paths: Sequence[str]) -> tuple[list["PullTrace"], list[str]]:
    """The pulls of the sessions, and what must be said of these. Raises InputError where none has a pull."""
    from stream.study.dataset import open_datasets
    from stream.study.pulls import all_traces

    pulls, words = all_traces(open_datasets(session_paths))
    if not pulls:
        many = "none of these sessions" if len(session_paths) > 1 else session_paths[0]
        raise InputError(f"{many}: no pull was found; 'steadypull replay SESSION' shows what was, then drive one")
    return pulls, words


def air_of(session_paths: Sequence[str], air: Sequence[str], beyond_range: bool) -> dict[str, float] | None:
    """Correction factor of each session; None where no air was given. Raises InputError, out of range too."""
    from stream.study.force.air import air_factors

    readings = air_readings(session_paths, air, beyond_range)
    if readings is None:
        return None
    found = {path: air_factors(*reading, beyond_range=beyond_range).iso_1585 for path, reading in readings.items()}
    return {path: factor for path, factor in found.items() if factor is not None}


def air_readings(
    session_paths: Sequence[str], air: Sequence[str], beyond_range: bool
) -> dict[str, tuple[float, float, float]] | None:
    """(°C, hPa, %) of each session, checked to be in range; None where no air was given. Raises InputError."""
    from pathlib import Path

    from stream.study.force.air import air_factors, range_words

    if not air:
        return None
    if len(air) not in (1, len(session_paths)):
        raise InputError(
            f"--air: given {len(air)} times for {len(session_paths)} sessions; give it once for all, or once for each"
        )
    readings = {}
    for path, text in zip(session_paths, [air[0]] * len(session_paths) if len(air) == 1 else air, strict=True):
        reading = numbers("--air", text, "18,1002,55 for 18 °C, 1002 hPa, 55 %")
        if len(reading) != 3:
            raise InputError(f"--air {text}: is not three numbers; write 18,1002,55 for 18 °C, 1002 hPa, 55 %")
        found = air_factors(*reading, beyond_range=beyond_range)
        if found.iso_1585 is None:
            why = "; ".join(range_words(reading[0], found))
            raise InputError(f"--air {text}: {why}; leave the correction out, or add --beyond-range")
        readings[str(Path(path))] = (reading[0], reading[1], reading[2])
    return readings


def say_warnings(out: Any, warnings: Iterable[str]) -> None:
    """What to mind, one line each, below the answer."""
    for line in warnings:
        out.print(f"Mind: {line}.")
