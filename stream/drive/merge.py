"""Writing the session that holds a session and a controller's log both."""

from collections.abc import Callable
from pathlib import Path

from stream.drive.offline import run_offline
from stream.findings import Finding
from stream.record.change import change_session, set_calibration
from stream.record.session import open_session
from stream.record.tables import append_rows, zero_rows
from stream.sources.log_columns import ControllerLog
from stream.study.clock import Merger
from stream.study.dataset import Dataset


def write_merged(
    merger: Merger,
    session: Dataset,
    log: ControllerLog,
    target: Path,
    progress: Callable[[int], None],
    say: Callable[[Finding], str],
) -> None:
    """The new session; zeros and calibrations go with it, holds and pulls are found again.

    progress   is given the row that is reached
    say        makes the text of what is told as a finding

    Raises StorageError, InputError.
    """
    with open_session(session.path) as file:
        note, calibrations = file.note, file.calibrations()
    note = f"{note}; " if note else ""
    run_offline(
        merger.source,
        merger.car,
        tune=session.tune,
        gear=session.gear,
        started_utc=session.started_utc,
        dated=lambda: session.session.dated,
        note=f"{note}{session.path.name} with {log.path.name}",
        path=target,
        progress=progress,
        say=say,
    )
    if not session.zeros and not calibrations:
        return

    def carry_over(file: object) -> None:
        append_rows(file, "zeros", zero_rows(session.zeros))
        for name, attributes in calibrations.items():
            set_calibration(file, name, attributes)

    change_session(target, carry_over)
