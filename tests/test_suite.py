"""What every test owes its reader."""

import ast
from pathlib import Path

TESTS = Path(__file__).parent


def test_every_test_says_its_rule() -> None:
    """The first line of a test tells, in a sentence, what must hold; a name alone does not say why."""
    without = [
        f"{path.relative_to(TESTS)}: {node.name}"
        for path in sorted(TESTS.rglob("test_*.py"))
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test_") and not ast.get_docstring(node)
    ]
    assert without == []
