"""What every test owes its reader."""

import ast
import re
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


def test_every_promise_of_survival_names_tests_that_are_there() -> None:
    """README says what survives, DEVELOPERS.md which test stands behind each line; no name is made up."""
    root = TESTS.parent
    promised = (root / "README.md").read_text(encoding="utf-8").split("## What survives")[1].split("\n## ")[0]
    stated = (root / "DEVELOPERS.md").read_text(encoding="utf-8").split("## What survives")[1].split("\n## ")[0]
    lines = [line for line in stated.splitlines() if line.startswith("| ") and "`" in line]
    files = {path.name for path in TESTS.rglob("*.py")}
    functions = {
        name
        for path in TESTS.rglob("test_*.py")
        for name in re.findall(r"^def (test_\w+)", path.read_text(encoding="utf-8"), re.M)
    }
    for line in lines:
        for file, name in re.findall(r"`(?:[\w/]*?(\w+\.py))?(?:::)?(test_\w+)?`", line):
            assert not file or file in files, line
            assert not name or name in functions, line
    assert len(lines) >= sum(line.startswith("| ") for line in promised.splitlines()) - 2
