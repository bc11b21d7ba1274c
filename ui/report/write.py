"""The report in a file: the one door through which commands have it printed.

Its sections stand in order here; as HTML it is one file with the pictures inside, and nothing is fetched.
"""

import base64
import io
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from stream.record.disk import storage_words
from stream.study.force.boost import Reading
from ui.report import advice_sections, drive_sections, speed_sections, tune_sections
from ui.report.canvas import MM, PAGE_WIDTH_MM, STYLE, Canvas
from ui.report.gather import Gathered, gather
from ui.report.gather_advice import Asked
from ui.report.model import Facts, Picture, Report, Section, Table, Words
from ui.text.figures import moment, one_line
from ui.text.findings import codes_said
from ui.text.reference import meanings, terms_of


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
    with codes_said() as codes:
        found = gather(
            session_paths,
            width_rpm=width_rpm,
            base=base,
            air=air,
            kept_air=kept_air,
            beyond_range=beyond_range,
            asked=Asked(**asked),
        )
        report = report_of(found)
    report = replace(report, sections=(*report.sections, *_reference(codes)))
    draft = path.with_name(path.name + ".part")
    try:
        with storage_words(path, "nothing was changed"), draft.open("wb") as file:
            if path.suffix.lower() == ".pdf":
                from ui.report.pdf import write_pdf

                write_pdf(report, file)
            else:
                file.write(html_of(report).encode("utf-8", "replace"))  # a name of bytes that are no text
        with storage_words(path, "nothing was changed"):
            draft.replace(path)
    finally:
        draft.unlink(missing_ok=True)


# In the order of the page. Each makes its section from what was gathered, or None where it has nothing to tell.
SECTIONS: tuple[Callable[[Gathered], Section | None], ...] = (
    tune_sections.in_short,
    advice_sections.ignition_on_a_page,
    advice_sections.mixture_on_a_page,
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


def _reference(codes: Sequence[str]) -> tuple[Section, ...]:
    """What was said in this report, in two sentences each, and the terms it is about with formula and source."""
    said = [Words(f"{code}: {about}") for code, about in meanings(codes)]
    terms = [
        Words(f"{page.term}: {page.about} Formula: {page.formula}. Source: {page.source}.") for page in terms_of(codes)
    ]
    return (Section("What the warnings mean", (*said, *terms)),) if said else ()


def html_of(report: Report) -> str:
    """The file's text. Names that people wrote are escaped."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    env = Environment(
        loader=PackageLoader("ui.report", ""),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    kinds: dict[str, Any] = {"words": Words, "facts": Facts, "table": Table, "picture": Picture}
    for name, kind in kinds.items():
        env.tests[name] = lambda part, kind=kind: isinstance(part, kind)
    env.globals["embedded"] = embedded
    return env.get_template("report.html.j2").render(report=report)


def embedded(picture: Picture) -> str:
    """The picture as a data URI: lines, not dots, so that it prints sharp."""
    import matplotlib
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    width, height = PAGE_WIDTH_MM * MM, picture.height_mm * MM
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(width, height))
        FigureCanvasSVG(figure)
        picture.draw(Canvas(figure, 0.0, 0.0, width, height))
        drawn = io.BytesIO()
        figure.savefig(drawn, format="svg", metadata={"Date": None})
    return "data:image/svg+xml;base64," + base64.b64encode(drawn.getvalue()).decode("ascii")
