"""The report as a PDF of A4 pages. Text stays text: it can be searched and copied."""

from typing import Any, BinaryIO

from ui.report.canvas import PAGE_WIDTH_MM, STYLE, drawable
from ui.report.model import Facts, Part, Picture, Report, Section, Table, Words
from ui.report.pages import LEADING, PAGE_MM, PT_MM, Pages, width_mm, wrapped

BODY, SMALL = 8.5, 7.2
CELL_GAP_MM = 3.4
FACT_MM = 40.0
LAST_TOGETHER = 3  # rows at the end of a table
MOST_TOGETHER = 3  # parts kept on one page
LEAST_COLUMN_MM = 16.0
FOOT_MM = 22.0  # room for the page's number
MUTED = "#404040"


def write_pdf(report: Report, file: BinaryIO) -> None:
    """Write the report to an open file."""
    import matplotlib
    from matplotlib.backends.backend_pdf import FigureCanvasPdf, PdfPages

    with matplotlib.rc_context(STYLE):
        pages = laid_out(report)
        with PdfPages(file, metadata={"Title": f"{report.title}, {report.subtitle}", "Creator": report.made}) as book:
            for number, figure in enumerate(pages.figures, start=1):
                _foot(figure, report, f"{number} of {len(pages.figures)}")
                FigureCanvasPdf(figure)
                book.savefig(figure)


def laid_out(report: Report) -> Pages:
    """The report on pages, without their feet."""
    pages = Pages()
    pages.new_page()
    pages.paragraph(report.title, 17.0, weight="bold", gap_mm=0.5)
    pages.paragraph(report.subtitle, 10.0, color=MUTED, gap_mm=2.0)
    for section in report.sections:
        _section(pages, section)
    return pages


def _section(pages: Pages, section: Section) -> None:
    if section.own_page:
        pages.new_page()
    pages.need(12.0 + _together_mm(section.parts))
    pages.y += 3.5
    pages.paragraph(section.title, 11.5, weight="bold", gap_mm=0.3)
    pages.rule((0.0, PAGE_WIDTH_MM), (pages.y, pages.y), 1.2)
    pages.y += 2.0
    for number, part in enumerate(section.parts):
        pages.need(_together_mm(section.parts[number:]))
        _part(pages, part)
    if section.own_page:
        pages.y = PAGE_MM[1]


def _together_mm(parts: tuple[Part, ...]) -> float:
    """Height of what must not be torn apart: words and the picture or the first rows that they lead up to."""
    height = 0.0
    for part in parts[:MOST_TOGETHER]:
        if isinstance(part, Words):
            height += len(wrapped(drawable(part.text), BODY, PAGE_WIDTH_MM * 0.9)) * BODY * PT_MM * LEADING + 1.6
        elif isinstance(part, Picture):
            return height + part.height_mm + 8.0
        else:
            return height + 14.0
    return 14.0 if parts else 0.0


def _part(pages: Pages, part: Part) -> None:
    if isinstance(part, Words):
        if part.tone == "plain":
            pages.paragraph(part.text, BODY)
        elif part.tone == "answer":
            pages.paragraph(part.text, 9.5, weight="bold")
        else:
            pages.paragraph(part.text, BODY, indent_mm=4.0, bar_pt=1.0 if part.tone == "mind" else 3.0)
    elif isinstance(part, Facts):
        _facts(pages, part)
    elif isinstance(part, Table):
        _table(pages, part)
    else:
        says = len(wrapped(part.says, SMALL, PAGE_WIDTH_MM)) * SMALL * PT_MM * LEADING
        pages.need(part.height_mm + says)
        part.draw(pages.canvas(part.height_mm))
        pages.paragraph(part.says, SMALL, color=MUTED, gap_mm=3.0)


def _facts(pages: Pages, part: Facts) -> None:
    step = BODY * PT_MM * LEADING
    for name, value in part.rows:
        lines = wrapped(drawable(value), BODY, PAGE_WIDTH_MM - FACT_MM)
        pages.need(len(lines) * step)
        pages.write(0.0, pages.y + 0.72 * step, name, BODY, color=MUTED)
        for line in lines:
            pages.y += step
            pages.write(FACT_MM, pages.y - 0.28 * step, line, BODY)
    pages.y += 2.0


def _table(pages: Pages, part: Table) -> None:
    widths = column_widths(part)
    head = [_lines(cell, width, "bold") for cell, width in zip(part.heads, widths, strict=True)]
    body = [[_lines(cell, width) for cell, width in zip(row, widths, strict=True)] for row in part.rows]
    step = SMALL * PT_MM * LEADING
    pages.need((max(map(len, head)) + sum(max(map(len, row)) for row in body[:3])) * step + 2.0)
    _row(pages, part, widths, head, "bold")
    for number, row in enumerate(body):
        kept = body[number:] if number == len(body) - LAST_TOGETHER else [row]  # no row goes over the page alone
        if sum(max(map(len, one)) * step + 0.35 for one in kept) > pages.left_mm:
            pages.new_page()
            _row(pages, part, widths, head, "bold")
        _row(pages, part, widths, row, "normal")
    pages.y += 1.4
    if part.note:
        pages.paragraph(part.note, SMALL, color=MUTED)
    pages.y += 1.2


def _row(pages: Pages, part: Table, widths: list[float], cells: list[list[str]], weight: str) -> None:
    step = SMALL * PT_MM * LEADING
    height = max(map(len, cells)) * step
    left = 0.0
    for column, (lines, width) in enumerate(zip(cells, widths, strict=True)):
        texts = column in part.text
        top = pages.y + (height - len(lines) * step if weight == "bold" else 0.0)  # heads stand on their rule
        for number, line in enumerate(lines):
            pages.write(
                left if texts else left + width,
                top + (number + 0.72) * step,
                line,
                SMALL,
                weight=weight,
                ha="left" if texts else "right",
            )
        left += width + CELL_GAP_MM
    pages.y += height
    strong = weight == "bold"
    pages.rule((0.0, left - CELL_GAP_MM), (pages.y, pages.y), 0.7 if strong else 0.25, "black" if strong else "#BBBBBB")
    pages.y += 0.35


def _lines(cell: str, width: float, weight: str = "normal") -> list[str]:
    return wrapped(drawable(cell), SMALL, width + 0.01, weight) if cell else [""]


def column_widths(part: Table) -> list[float]:
    """Widths in mm: as wide as the widest cell; where the page is too narrow, the widest text columns give way."""
    columns = list(zip(part.heads, *part.rows, strict=True))
    widths = [
        max(width_mm(drawable(head), SMALL, "bold"), *(width_mm(drawable(cell), SMALL) for cell in cells), 0.0)
        for head, *cells in columns
    ]
    room = PAGE_WIDTH_MM - CELL_GAP_MM * (len(widths) - 1)
    while (over := sum(widths) - room) > 1e-6:
        give = [column for column in part.text if widths[column] > LEAST_COLUMN_MM] or list(range(len(widths)))
        widest = max(give, key=lambda column: widths[column])
        rest = sorted((widths[column] for column in give if column != widest), reverse=True)
        least = min(LEAST_COLUMN_MM, widths[widest] - 1.0)
        if rest and widths[widest] > rest[0] + 0.5:
            least = max(least, rest[0])
        widths[widest] = max(widths[widest] - over, least, 2.0)
    return widths


def _foot(figure: Any, report: Report, number: str) -> None:
    left, right, height = 18.0 / PAGE_MM[0], 1 - 18.0 / PAGE_MM[0], 10.0 / PAGE_MM[1]
    style = {"size": 6.5, "color": MUTED, "parse_math": False}
    lines = wrapped(drawable(f"{report.title}, {report.subtitle}. {report.made}."), 6.5, PAGE_WIDTH_MM - FOOT_MM)
    figure.text(left, height, lines[0] + (" …" if len(lines) > 1 else ""), **style)
    figure.text(right, height, number, ha="right", **style)
