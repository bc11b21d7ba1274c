"""A rectangle of a figure to draw in, and how lines, markers and greys look in it.

Margins are in inches, so that labels keep their room whatever the figure's size. No display is used: figures are made
without pyplot.
"""

from dataclasses import dataclass
from functools import cache
from typing import Any

MM = 1 / 25.4  # inches
PAGE_WIDTH_MM = 174.0  # A4 less its margins

# Okabe and Ito's colours, chosen also to differ in lightness; in grey the dashes and markers tell the tunes apart.
LOOKS = (
    {"color": "#000000", "linestyle": "-", "marker": "o"},
    {"color": "#D55E00", "linestyle": "--", "marker": "s"},
    {"color": "#0072B2", "linestyle": "-.", "marker": "^"},
    {"color": "#009E73", "linestyle": ":", "marker": "D"},
    {"color": "#CC79A7", "linestyle": (0, (6, 2, 1, 2, 1, 2)), "marker": "v"},
)
STYLE: dict[Any, Any] = {
    "font.family": "DejaVu Sans",  # comes with matplotlib: the same on every machine
    "font.size": 8.0,
    "axes.titlesize": 8.5,
    "axes.labelsize": 8.0,
    "axes.linewidth": 0.6,
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": "#C8C8C8",
    "grid.linewidth": 0.4,
    "lines.linewidth": 1.3,
    "lines.markersize": 4.0,
    "legend.fontsize": 7.5,
    "legend.frameon": False,
    "xtick.labelsize": 7.5,
    "ytick.labelsize": 7.5,
    "text.parse_math": False,  # a dollar sign in a tune's name is a dollar sign
    "axes.formatter.useoffset": False,
    "pdf.fonttype": 42,  # text stays text: it can be searched and copied
    "svg.fonttype": "path",
    "svg.hashsalt": "steadypull",
}


@dataclass(frozen=True, slots=True)
class Canvas:
    """A rectangle of `figure`, inches from its lower left corner."""

    figure: Any
    left: float
    bottom: float
    width: float
    height: float

    def axes(
        self,
        span: tuple[float, float, float, float] = (0.0, 0.0, 1.0, 1.0),
        margins: tuple[float, float, float, float] = (0.62, 0.42, 0.12, 0.3),
        **options: Any,
    ) -> Any:
        """Axes in a part of the canvas, `span` = left, bottom, right, top as shares of it, less margins in inches in
        the same order.
        """
        left = self.left + span[0] * self.width + margins[0]
        bottom = self.bottom + span[1] * self.height + margins[1]
        right = self.left + span[2] * self.width - margins[2]
        top = self.bottom + span[3] * self.height - margins[3]
        wide, high = self.figure.get_size_inches()
        place = (left / wide, bottom / high, (right - left) / wide, (top - bottom) / high)
        return self.figure.add_axes(place, **options)


def look(number: int) -> dict[str, Any]:
    """Colour, dash and marker of the tune with this number."""
    return dict(LOOKS[number % len(LOOKS)])


@cache
def _glyphs() -> frozenset[int]:
    from matplotlib.font_manager import FontProperties, findfont, get_font

    return frozenset(get_font(findfont(FontProperties(family="DejaVu Sans"))).get_charmap())


def drawable(text: str) -> str:
    """The text with what the font does not have shown as a box, in place of a warning for each glyph."""
    known = _glyphs()
    return "".join(letter if ord(letter) in known else "\u25a1" for letter in text)
