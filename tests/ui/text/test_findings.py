"""Every code the engine can raise has a sentence, and every sentence a code."""

import ast
from pathlib import Path

from ui.text.findings import sentences

STREAM = Path(__file__).parents[3] / "stream"
MAKERS = {"Finding", "note", "warning", "danger"}


def codes_in_engine() -> set[str]:
    """The first argument of every call that makes a finding, read from the source."""
    found = set()
    for path in STREAM.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call) or not node.args:
                continue
            name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            first = node.args[0]
            if name in MAKERS and isinstance(first, ast.Constant) and isinstance(first.value, str):
                found.add(first.value)
    return found


def test_every_code_of_the_engine_has_a_sentence() -> None:
    """A finding without words would end a command with a traceback."""
    assert codes_in_engine() - set(sentences()) == set()


def test_every_sentence_belongs_to_a_code() -> None:
    """A sentence for a code that nothing makes is dead text."""
    assert set(sentences()) - codes_in_engine() == set()
