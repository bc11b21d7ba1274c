"""Colours against published rules, computed here from the rules and not from the code under test.

Contrast: WCAG 2.1 (W3C Recommendation, 2018), success criteria 1.4.3 (text 4.5:1, large text 3:1) and 1.4.11
(graphics 3:1), with its formula of relative luminance. Colour vision: Machado, Oliveira and Fernandes (IEEE TVCG
15:1291, 2009), matrices for full severity, from memory.
"""

import itertools

import numpy as np
import pytest
from pyqtgraph.Qt import QtGui

from ui.window.theme import THEMES, Theme, load_face, text_font, unit_for

# contrast on the card that the design asks for, dark and light
WANTED = {
    "text": (15.4, 17.8),
    "muted": (7.9, 7.4),
    "hold": (6.5, 5.5),
    "speed": (7.3, 6.0),
    "load": (7.0, 5.7),
    "pull": (12.8, 6.7),
    "caution": (7.5, 6.4),
    "fault": (6.0, 5.7),
}
MACHADO = {
    "protan": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deutan": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritan": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}


def linear(colour: str) -> np.ndarray:
    share = np.array([int(colour[place : place + 2], 16) for place in (1, 3, 5)]) / 255
    return np.where(share <= 0.03928, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)


def contrast(one: str, other: str) -> float:
    bright, dark = sorted((float(linear(c) @ (0.2126, 0.7152, 0.0722)) for c in (one, other)), reverse=True)
    return (bright + 0.05) / (dark + 0.05)


def lab(rgb: np.ndarray) -> np.ndarray:
    """CIE 1976 L*a*b* of linear sRGB, white D65."""
    xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]) @ np.clip(rgb, 0, 1)
    scaled = xyz / (0.9505, 1.0, 1.089)
    f = np.where(scaled > 0.008856, np.cbrt(scaled), 7.787 * scaled + 16 / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@pytest.mark.parametrize("colour", WANTED)
def test_a_colour_stands_out_as_far_as_it_was_designed(colour: str) -> None:
    """Each colour has the contrast on its card that it was chosen for, to the tenth (WCAG 2, computed here)."""
    found = [round(contrast(getattr(theme, colour), theme.panel), 1) for theme in THEMES.values()]

    assert found == pytest.approx(WANTED[colour])


@pytest.mark.parametrize("theme", THEMES.values(), ids=THEMES)
def test_text_and_graphics_stand_out(theme: Theme) -> None:
    """Words 4.5:1 and what is disabled or a mark 3:1 on both grounds (WCAG 2 asks nothing of what is disabled)."""
    for ground in (theme.background, theme.panel):
        assert contrast(theme.text, ground) >= 7
        assert contrast(theme.muted, ground) >= 4.5
        assert contrast(theme.disabled, ground) >= 3
        for signal in (theme.speed, theme.load, theme.hold, theme.pull, theme.caution, theme.fault):
            assert contrast(signal, ground) >= 4.5
    for fill in (theme.caution, theme.fault, theme.hold):
        assert contrast(theme.on_signal, fill) >= 4.5


def test_figures_do_not_jump(qt: object) -> None:
    """All ten figures, in both weights, are of one width, in the typeface that comes with the package."""
    face = load_face()

    assert face
    for bold in (False, True):
        font = text_font(100, bold=bold)
        assert QtGui.QFontInfo(font).family() == face
        assert len({QtGui.QFontMetricsF(font).horizontalAdvance(figure) for figure in "0123456789"}) == 1


@pytest.mark.parametrize("theme", THEMES.values(), ids=THEMES)
@pytest.mark.parametrize("kind", MACHADO)
def test_signals_stay_apart_for_every_eye(theme: Theme, kind: str) -> None:
    """Four times the least difference that is seen: 2.3 in L*a*b* (Mahy et al., 1994, from memory)."""
    seen = {
        name: lab(np.array(MACHADO[kind]) @ linear(getattr(theme, name))) for name in ("speed", "load", "hold", "pull")
    }
    for one, other in itertools.combinations(seen, 2):
        assert np.linalg.norm(seen[one] - seen[other]) > 4 * 2.3, (one, other)


@pytest.mark.parametrize(
    ("size", "unit"), [((1280, 800), 1.0), ((1920, 1080), 1.35), ((960, 600), 0.75), ((400, 300), 0.7)]
)
def test_everything_grows_with_the_window(size: tuple[int, int], unit: float) -> None:
    """Sizes grow with the window."""
    assert unit_for(*size) == pytest.approx(unit)
