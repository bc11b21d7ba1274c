"""The content of a report: its sections in order. The writers print what stands here and know nothing of the study."""

from collections.abc import Callable

from ui.report import advice_sections, drive_sections, speed_sections, tune_sections
from ui.report.gather import Gathered
from ui.report.model import Report, Section
from ui.text.figures import moment
from ui.text.lines import one_line

# In the order of the page. Each makes its section from what was gathered, or None where it has nothing to tell.
SECTIONS: tuple[Callable[[Gathered], Section | None], ...] = (
    tune_sections.in_short,
    drive_sections.cautions,
    drive_sections.car,
    drive_sections.day,
    tune_sections.comparisons,
    tune_sections.load_curves,
    advice_sections.power,
    advice_sections.ignition,
    advice_sections.mixture,
    drive_sections.pulls,
    speed_sections.calibration,
    speed_sections.holds,
    drive_sections.provenance,
)


def report_of(gathered: Gathered) -> Report:
    """The report of what was gathered."""
    first, last = gathered.sessions[0].started_utc, gathered.sessions[-1].started_utc
    began, ended = moment(first), moment(last)
    days = began[:10] if began[:10] == ended[:10] else f"{began[:10]} to {ended[:10]}"
    count = len(gathered.sessions)
    return Report(
        title=one_line(" and ".join(gathered.cars)) or "Car without a name",
        subtitle=f"{days}, {count} session{'s' if count != 1 else ''}",
        made=f"{gathered.software}, report made {moment(gathered.made)}",
        sections=tuple(section for make in SECTIONS if (section := make(gathered)) is not None),
    )
