"""Every code the engine can raise has a sentence, and every sentence a code."""

import ast
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from stream.findings import Finding
from ui.text.findings import sentences
from ui.text.tables import evidence_lines

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


def test_what_many_cells_say_alike_is_said_once_with_where() -> None:
    """Evidence that is repeated cell by cell is not read; nothing of it may get lost. Common practice, no source."""
    reached, alone = Finding("cell-not-reached", "note"), Finding("advance-more-not-resolved", "note")
    told = [(2000.0, (reached,)), (2250.0, (reached, alone)), (2500.0, (reached,)), (2750.0, ()), (3000.0, (reached,))]
    cells = [SimpleNamespace(rpm=rpm, second_axis=None, evidence=said) for rpm, said in told]
    advice: Any = SimpleNamespace(cells=cells, axis="")

    first, second = evidence_lines(advice)

    assert first.startswith("2000 to 2500; 3000: no pull and no steady stretch reached this cell")
    assert second.startswith("2250: that more advance")
    assert "reached" not in second
