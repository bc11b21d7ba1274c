"""The report as one HTML file: pictures are inside it, nothing is fetched."""

import base64
import io
from typing import Any

from ui.report.canvas import MM, PAGE_WIDTH_MM, STYLE, Canvas
from ui.report.model import Facts, Picture, Report, Table, Words


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
