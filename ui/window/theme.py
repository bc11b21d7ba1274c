"""Colours and sizes of the screens, dark and light.

The signal colours are the colour-blind-safe set of Okabe and Ito (Color Universal Design, 2002, revised
2008). No state is told by colour alone: each has a shape and a word of its own as well.
"""

from dataclasses import dataclass

OKABE_ITO = {
    "black": "#000000",
    "orange": "#E69F00",
    "sky blue": "#56B4E9",
    "bluish green": "#009E73",
    "yellow": "#F0E442",
    "blue": "#0072B2",
    "vermillion": "#D55E00",
    "reddish purple": "#CC79A7",
}


@dataclass(frozen=True, slots=True)
class Theme:
    """Every colour of a screen. `on_signal` is the text on a filled signal colour."""

    name: str
    background: str
    panel: str
    text: str
    muted: str
    line: str
    speed: str
    load: str
    hold: str
    pull: str
    caution: str = OKABE_ITO["orange"]
    fault: str = OKABE_ITO["vermillion"]
    on_signal: str = OKABE_ITO["black"]


DARK = Theme(
    name="dark",
    background="#0E1216",
    panel="#171D23",
    text="#F3F5F6",
    muted="#AEB9C1",
    line="#3C4852",
    speed=OKABE_ITO["sky blue"],
    load=OKABE_ITO["reddish purple"],
    hold=OKABE_ITO["bluish green"],
    pull=OKABE_ITO["yellow"],
)
LIGHT = Theme(
    name="light",
    background="#EEF1F3",
    panel="#FFFFFF",
    text="#12171B",
    muted="#48535C",
    line="#B4BFC7",
    speed=OKABE_ITO["blue"],
    load=OKABE_ITO["reddish purple"],
    hold=OKABE_ITO["bluish green"],
    pull=OKABE_ITO["black"],
)
THEMES = {theme.name: theme for theme in (DARK, LIGHT)}

BASE_WIDTH, BASE_HEIGHT = 1280, 800


def unit_for(width: int, height: int) -> float:
    """How much larger than at 1280 × 800 everything is drawn, in steps of a twentieth."""
    return max(0.7, round(20 * min(width / BASE_WIDTH, height / BASE_HEIGHT)) / 20)


def stylesheet(theme: Theme, unit: float) -> str:
    """The style sheet of the whole window; labels carry a `part` property that says how large they are."""

    def px(size: float) -> str:
        return f"{round(size * unit)}px"

    return f"""
    QWidget {{ background: {theme.background}; color: {theme.text}; font-size: {px(18)}; }}
    QFrame[part="panel"], QFrame[part="panel"] QLabel {{ background: {theme.panel}; }}
    QFrame[part="panel"] {{ border-radius: {px(6)}; }}
    QLabel[part="caption"] {{ color: {theme.muted}; font-size: {px(17)}; }}
    QLabel[part="verdict"] {{ font-size: {px(25)}; font-weight: 600; }}
    QLabel[part="detail"] {{ color: {theme.muted}; font-size: {px(17)}; }}
    QLabel[part="health"] {{ font-size: {px(17)}; }}
    QLabel[part="title"] {{ font-size: {px(34)}; font-weight: 700; }}
    QLabel[part="prose"] {{ font-size: {px(20)}; }}
    QPushButton, QToolButton {{
        background: {theme.panel}; border: {px(2)} solid {theme.line}; border-radius: {px(6)};
        padding: {px(7)} {px(16)}; font-size: {px(20)};
    }}
    QPushButton:hover, QToolButton:hover, QPushButton:focus, QLineEdit:focus {{ border-color: {theme.text}; }}
    QPushButton:pressed {{ background: {theme.line}; }}
    QPushButton:disabled, QToolButton:disabled {{ color: {theme.line}; }}
    QPushButton[part="record"][recording="true"] {{
        background: {theme.text}; color: {theme.background}; border-color: {theme.text}; font-weight: 700;
    }}
    QToolButton::menu-indicator {{ image: none; }}
    QLineEdit {{
        background: {theme.panel}; border: {px(2)} solid {theme.line}; border-radius: {px(6)};
        padding: {px(7)}; font-size: {px(20)};
    }}
    QMenu {{ background: {theme.panel}; border: 1px solid {theme.line}; }}
    QMenu::item {{ padding: {px(8)} {px(28)}; }}
    QMenu::item:selected {{ background: {theme.line}; }}
    QTabWidget::pane {{ border: 0; }}
    QTabBar::tab {{ background: {theme.background}; color: {theme.muted}; padding: {px(8)} {px(22)};
        font-size: {px(20)}; border-bottom: {px(3)} solid {theme.background}; }}
    QTabBar::tab:selected {{ color: {theme.text}; border-bottom-color: {theme.text}; }}
    """
