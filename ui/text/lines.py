"""Text that others wrote, made fit for one line; and lines made sentences."""

from collections.abc import Iterable


def one_line(text: str, longest: int | None = None) -> str:
    """Foreign text on one line: line ends and control characters become blanks; cut with '…' beyond `longest`."""
    shown = " ".join("".join(letter if letter.isprintable() else " " for letter in text).split())
    return shown if longest is None or len(shown) <= longest else shown[: longest - 1] + "…"


def sentence(line: str) -> str:
    """A line with a capital letter and one full stop; '' stays ''. A file's name in front stays as it is."""
    text = one_line(line).rstrip(".")
    if text.split(" ", 1)[0].isalpha():
        text = f"{text[:1].upper()}{text[1:]}"
    return text if not text or text.endswith(("?", "!")) else f"{text}."


def sentences(lines: Iterable[str]) -> list[str]:
    """Each line once, as a sentence."""
    return [text for line in dict.fromkeys(lines) if (text := sentence(line))]


def tune_name(name: str) -> str:
    """A tune's name as a person wrote it, or that there is none."""
    return one_line(name) or "no name"
