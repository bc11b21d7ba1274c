"""The usual cautions are said wherever people read output, in one wording."""

from pathlib import Path

from ui.text import cautions

WHOLE = (cautions.PEOPLE, cautions.HELD, cautions.ROAD, cautions.WATCH, cautions.LIMITS, cautions.TAP, cautions.GAUGES)


def test_the_readme_says_them_all_in_the_same_words() -> None:
    """README's section holds every caution of the program, sentence by sentence."""
    text = (Path(__file__).parents[3] / "README.md").read_text(encoding="utf-8")
    section = " ".join(text.split("## Cautions")[1].split("##")[0].split())
    assert [line for line in WHOLE if line not in section] == []


def test_screen_and_paper_say_them_all() -> None:
    """The page before the first drive and the report leave none out."""
    before = " ".join(why for _, why in cautions.BEFORE_DRIVE)
    paper = " ".join(cautions.ON_PAPER)
    assert [line for line in WHOLE if line not in before or line not in paper] == []


def test_nothing_that_must_be_said_is_missing() -> None:
    """The trade's rules for tuning on the road; common practice, no source."""
    text = " ".join(WHOLE)
    for words in (
        "second person",
        "closed road",
        "local law",
        "licensed professional",
        "Knock, mixture and temperature limits",
        "held fast",
        "stall the engine in traffic",
        "buffered",
        "glued",
        "fused",
    ):
        assert words in text
