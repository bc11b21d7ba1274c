"""The report in a file: the one door through which commands have it printed."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from stream.record.disk import storage_words
from stream.study.force.boost import Reading
from ui.report.content import report_of
from ui.report.gather import gather
from ui.report.gather_advice import Asked


def write_report(
    session_paths: Sequence[str],
    path: Path,
    *,
    width_rpm: float,
    base: str | None = None,
    air: Mapping[str, Reading] | None = None,
    kept_air: bool = True,
    beyond_range: bool = False,
    **asked: Any,
) -> None:
    """Write the sessions as PDF or HTML, by the ending of `path`; whole, or not at all.

    air     readings by session path; None: those kept with the sessions, where `kept_air`
    asked   the fields of `Asked`: the tables that proposals are wanted for

    Raises InputError for what cannot be read, StorageError where the disk does not take the file.
    """
    report = report_of(
        gather(
            session_paths,
            width_rpm=width_rpm,
            base=base,
            air=air,
            kept_air=kept_air,
            beyond_range=beyond_range,
            asked=Asked(**asked),
        )
    )
    draft = path.with_name(path.name + ".part")
    try:
        with storage_words(path, "nothing was changed"), draft.open("wb") as file:
            if path.suffix.lower() == ".pdf":
                from ui.report.pdf import write_pdf

                write_pdf(report, file)
            else:
                from ui.report.html import html_of

                file.write(html_of(report).encode("utf-8"))
        with storage_words(path, "nothing was changed"):
            draft.replace(path)
    finally:
        draft.unlink(missing_ok=True)
