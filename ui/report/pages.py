"""A4 pages that fill from top to bottom: text measured and wrapped, pictures and rows never cut in two."""

from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

from ui.report.canvas import MM, PAGE_WIDTH_MM, Canvas, drawable

PAGE_MM = (210.0, 297.0)
LEFT_MM, TOP_MM, BOTTOM_MM = 18.0, 16.0, 20.0
PT_MM = 25.4 / 72
LEADING = 1.38  # line height by type size


def width_mm(text: str, size: float, weight: str = "normal") -> float:
    """How wide a line is, mm: its letters' advances, without the pairs that are set closer, so rather too wide."""
    return sum(_advance(letter, weight) for letter in text) * size * PT_MM


@lru_cache(maxsize=4096)
def _advance(letter: str, weight: str) -> float:
    """By how much a letter moves on, in type sizes."""
    from matplotlib.ft2font import LoadFlags

    return float(_face(weight).load_char(ord(letter), flags=LoadFlags.NO_HINTING).linearHoriAdvance) / 65536 / 100.0


@lru_cache(maxsize=4)
def _face(weight: str) -> Any:
    from matplotlib.font_manager import FontProperties, findfont, get_font

    face = get_font(findfont(FontProperties(family="DejaVu Sans", weight=weight)))
    face.set_size(100.0, 72)
    return face


def wrapped(text: str, size: float, room_mm: float, weight: str = "normal") -> list[str]:
    """The text in lines no wider than the room; a word that is too long is broken."""
    lines, line = [], ""
    for word in text.split(" "):  # not at the narrow spaces that set thousands apart
        tried = f"{line} {word}".strip()
        if width_mm(tried, size, weight) <= room_mm:
            line = tried
            continue
        if line:
            lines.append(line)
        while width_mm(word, size, weight) > room_mm and len(word) > 1:
            fits = next(n for n in range(len(word) - 1, 0, -1) if n == 1 or width_mm(word[:n], size, weight) <= room_mm)
            lines.append(word[:fits])
            word = word[fits:]
        line = word
    return [*lines, line] if line or not lines else lines


@dataclass(slots=True)
class Pages:
    """Pages in the making; `y` is how far down the last one is filled, mm."""

    figures: list[Any] = field(default_factory=list)
    y: float = PAGE_MM[1]

    @property
    def left_mm(self) -> float:
        """What is left of the page, mm."""
        return PAGE_MM[1] - BOTTOM_MM - self.y

    def need(self, height_mm: float) -> None:
        """Begin a new page where this height does not fit."""
        if height_mm > self.left_mm:
            self.new_page()

    def new_page(self) -> None:
        """Begin a new page."""
        from matplotlib.figure import Figure

        self.figures.append(Figure(figsize=(PAGE_MM[0] * MM, PAGE_MM[1] * MM)))
        self.y = TOP_MM

    def write(self, x_mm: float, y_mm: float, text: str, size: float, **style: Any) -> None:
        """A line of text, its baseline this far down the last page."""
        self.figures[-1].text(
            (LEFT_MM + x_mm) / PAGE_MM[0],
            1 - y_mm / PAGE_MM[1],
            drawable(text),
            size=size,
            va="baseline",
            parse_math=False,
            **style,
        )

    def rule(self, x_mm: tuple[float, float], y_mm: tuple[float, float], width_pt: float, color: str = "black") -> None:
        """A straight line from (x, y) to (x, y)."""
        from matplotlib.lines import Line2D

        page = self.figures[-1]
        page.add_artist(
            Line2D(
                [(LEFT_MM + x) / PAGE_MM[0] for x in x_mm],
                [1 - y / PAGE_MM[1] for y in y_mm],
                linewidth=width_pt,
                color=color,
                transform=page.transFigure,
            )
        )

    def paragraph(
        self,
        text: str,
        size: float,
        *,
        indent_mm: float = 0.0,
        bar_pt: float = 0.0,
        gap_mm: float = 1.6,
        weight: str = "normal",
        color: str = "black",
    ) -> None:
        """A paragraph, kept on one page where a page holds it; `bar_pt` draws a bar beside it."""
        lines = wrapped(drawable(text), size, PAGE_WIDTH_MM - indent_mm, weight)
        step = size * PT_MM * LEADING
        self.need(min(len(lines) * step, 60.0))
        while lines:
            fits = max(1, int(self.left_mm / step))
            top = self.y
            for line in lines[:fits]:
                self.y += step
                self.write(indent_mm, self.y - 0.28 * step, line, size, weight=weight, color=color)
            if bar_pt:
                self.rule((1.0, 1.0), (top + 0.6, self.y), bar_pt)
            lines = lines[fits:]
            if lines:
                self.new_page()
        self.y += gap_mm

    def canvas(self, height_mm: float) -> Canvas:
        """Room of the page's width for a picture."""
        self.need(height_mm)
        self.y += height_mm
        return Canvas(self.figures[-1], LEFT_MM * MM, (PAGE_MM[1] - self.y) * MM, PAGE_WIDTH_MM * MM, height_mm * MM)
