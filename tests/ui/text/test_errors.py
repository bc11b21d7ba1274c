"""The engine knows no command line: no option name and no command stands in it. `ui/text/errors.py` says these."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

from stream.errors import InputError, PortError
from ui.text.errors import COMMAND_LINE, for_command_line

STREAM = Path(__file__).parents[3] / "stream"
OPTION = re.compile(r"(?<![\w-])--[a-z][a-z-]+|(?<![\w-])-o\b|'?steadypull [a-z]+")


def texts(path: Path) -> Iterator[tuple[int, str]]:
    """(line, text) of every string in a file, docstrings and the parts of f-strings too."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.lineno, node.value


def test_no_option_and_no_command_stands_in_the_engine() -> None:
    """A screen has no options: a line that names one is of no use there."""
    found = []
    for path in sorted(STREAM.rglob("*.py")):
        name = path.relative_to(STREAM).as_posix()
        found += [f"{name}:{line}: {text}" for line, text in texts(path) if OPTION.search(text)]
    assert found == []


def raised() -> dict[str, set[str]]:
    """Codes of the errors that the engine raises, with the names of their values, read from the source."""
    found: dict[str, set[str]] = {}
    for path in STREAM.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call) or not ast.unparse(node.func).endswith(("Error", "damaged")):
                continue
            code = next((k.value for k in node.keywords if k.arg == "code"), (node.args[1:2] or [None])[0])
            if isinstance(code, ast.Constant):
                found.setdefault(str(code.value), {str(k.arg) for k in node.keywords} - {"code"})
    return found


def test_every_template_of_the_command_line_belongs_to_an_error() -> None:
    """A template for a code that nothing raises is dead text; one that asks for another value is a traceback."""
    codes = raised()
    assert set(COMMAND_LINE) - set(codes) == set()
    for code, template in COMMAND_LINE.items():
        wanted = set(re.findall(r"\{(\w+)", template)) - {"text"}
        assert wanted <= codes[code], code


def test_the_command_line_names_the_option_and_the_engine_does_not() -> None:
    """One error, two readers: the terminal's line tells the option, the screen's tells the cure."""
    error = InputError("a band width of 0 rpm cannot be used; give a positive number", code="band-width", width=0.0)
    assert for_command_line(error) == "--band 0: not a width in rpm; give a positive number, 250 is usual"
    assert "--" not in str(error)
    assert for_command_line(error.at("/dev/x")).startswith("/dev/x: --band 0")
    assert str(error.at("/dev/x")).startswith("/dev/x: a band width")
    assert for_command_line(PortError("gone")) == "gone"
