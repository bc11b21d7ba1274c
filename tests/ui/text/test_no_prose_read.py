"""No code decides by the text of a message: findings and errors have codes for that, and values."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[3]
# What looks into a text. Cutting, folding and comparing are what a decision by words begins with.
READING = {
    *("startswith", "endswith", "find", "rfind", "index", "count", "partition", "rpartition", "split", "rsplit"),
    *("removeprefix", "removesuffix", "casefold", "lower", "upper"),
}
PATTERNS = {"match", "search", "fullmatch", "findall", "finditer"}  # of `re`, or of a compiled pattern
MESSAGES = {
    *("words", "warnings", "warning", "why", "why_not", "trouble", "remark", "remarks", "message", "reason"),
    *("sentence", "complaint"),
}
SAYING = {"str", "repr", "reason_of", "say", "for_command_line"}  # what makes a text of an error or a finding
# A look into what has one of the names above and is no message.
NO_MESSAGES = {
    "stream/errors.py": "`line_without` takes a path off the head of a line; nothing is decided by it",
}


def is_prose(node: ast.expr) -> bool:
    """A string of several words, or a tuple, list or set of such."""
    if isinstance(node, (ast.Tuple, ast.List, ast.Set)):
        return any(is_prose(part) for part in node.elts)
    if isinstance(node, ast.JoinedStr):
        return any(is_prose(part) for part in node.values)
    return isinstance(node, ast.Constant) and isinstance(node.value, str) and len(node.value.split()) > 1


class Messages:
    """Which expressions of a function are messages: by their name, by what made them, or by what they were given."""

    def __init__(self, function: ast.AST) -> None:
        self.errors: set[str] = {"error"}
        self.names = set(MESSAGES)
        for node in ast.walk(function):
            if isinstance(node, ast.ExceptHandler) and node.name:
                self.errors.add(node.name)
        for node in ast.walk(function):
            if isinstance(node, ast.Assign) and self.made(node.value):
                self.names |= {target.id for target in node.targets if isinstance(target, ast.Name)}
            elif isinstance(node, ast.NamedExpr) and self.made(node.value):
                self.names.add(node.target.id)

    def made(self, node: ast.AST) -> bool:
        """`str(error)`, `say(finding)`, `error.args[0]`, or a piece or a joining of one."""
        if isinstance(node, ast.Call):
            name = getattr(node.func, "attr", getattr(node.func, "id", ""))
            if name in SAYING - {"say"} and node.args:
                return ast.unparse(node.args[0]).split(".")[-1] in self.errors
            if name == "say" and node.args:
                return True
            parts = [*node.args, node.func.value] if isinstance(node.func, ast.Attribute) else []
            return name in READING | {"strip", "join"} and any(self.has(part) for part in parts)
        if isinstance(node, ast.Subscript):
            return (
                isinstance(node.value, ast.Attribute) and node.value.attr == "args" and self.is_error(node.value.value)
            )
        return False

    def is_error(self, node: ast.AST) -> bool:
        """A name that an `except` gave."""
        return isinstance(node, ast.Name) and node.id in self.errors

    def is_one(self, node: ast.AST) -> bool:
        """A message itself."""
        return getattr(node, "attr", getattr(node, "id", "")) in self.names or self.made(node)

    def has(self, node: ast.AST) -> bool:
        """A message, or a text in which one stands."""
        modules = {id(part.value) for part in ast.walk(node) if isinstance(part, ast.Attribute)}
        return any(
            self.is_one(part) for part in ast.walk(node) if not isinstance(part, ast.Name) or id(part) not in modules
        )


def decisions(tree: ast.AST) -> Iterator[tuple[int, str]]:
    """(line, code) of every expression that looks into a message."""
    functions = [node for node in ast.walk(tree) if isinstance(node, (ast.FunctionDef, ast.Lambda))]
    for function in functions or [tree]:
        known = Messages(function)
        for node in ast.walk(function):
            if looks_into(node, known):
                yield getattr(node, "lineno", 0), ast.unparse(node)


def looks_into(node: ast.AST, known: Messages) -> bool:
    """Whether one expression compares, searches or cuts a message."""
    if isinstance(node, ast.Compare):
        left, right, way = node.left, node.comparators[0], node.ops[0]
        if isinstance(way, (ast.In, ast.NotIn)):
            words = isinstance(left, ast.Constant) and isinstance(left.value, str)
            return is_prose(left) or is_prose(right) or (words and known.is_one(right))
        return isinstance(way, (ast.Eq, ast.NotEq)) and (
            is_prose(left) or is_prose(right) or known.made(left) or known.made(right)
        )
    if isinstance(node, ast.Match):
        return known.made(node.subject) or any(
            isinstance(case.pattern, ast.MatchValue) and is_prose(case.pattern.value) for case in node.cases
        )
    if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)):
        return False
    given = node.args[0] if node.args else None
    if node.func.attr in PATTERNS:
        return any(known.has(argument) for argument in node.args)
    if node.func.attr not in READING or (node.func.attr == "split" and given is None):  # folds white space
        return False
    if known.made(node.func.value) or (given is not None and is_prose(given)):
        return True
    if node.func.attr in ("casefold", "lower", "upper"):
        return known.has(node.func.value)
    return isinstance(given, (ast.Constant, ast.Tuple)) and known.is_one(node.func.value)


def found_in(path: Path) -> list[str]:
    """The places of a file that look into a message, each once."""
    name = path.relative_to(ROOT).as_posix()
    looks = set(decisions(ast.parse(path.read_text(encoding="utf-8"))))
    return [f"{name}:{line}: {code}" for line, code in sorted(looks)]


def test_no_code_decides_by_the_text_of_a_message() -> None:
    """A sentence may be reworded at any time; nothing else may change then. No library's sentence is read either."""
    found = {
        path.relative_to(ROOT).as_posix(): looks
        for path in sorted([*(ROOT / "stream").rglob("*.py"), *(ROOT / "ui").rglob("*.py")])
        if (looks := found_in(path))
    }
    assert {name: looks for name, looks in found.items() if name not in NO_MESSAGES} == {}
    assert set(NO_MESSAGES) <= set(found)


@pytest.mark.parametrize(
    "code",
    [
        'if "stuck at the bottom" in point.text: pass',
        'if "stuck" in point.why_not: pass',
        'if str(error).startswith("Expected"): pass',
        'text, _, path = message.partition(" - at ")',
        'if message.startswith(("Expected", "Invalid")): pass',
        "if wanted == str(error): pass",
        'if title == "No pulls yet": pass',
        'if title in ("No pulls yet", "None"): pass',
        're.search("trunc", str(error))',
        "shown = ' '.join((session.path, session.trouble)).casefold()",
        'what = str(error)\n    library = what.split(":")[0]',
        'line = say(finding)\n    if line.endswith("?"): pass',
        'if error.args[0] == "gone": pass',
        "if reason_of(error).lower(): pass",
    ],
)
def test_the_rule_sees_each_way_of_reading_a_message(code: str) -> None:
    """Searching, cutting, folding, comparing and matching, also through a name that was given the text."""
    assert list(decisions(ast.parse(f"def some():\n    {code}\n")))


@pytest.mark.parametrize(
    "code",
    [
        'if advice.why == "not-comparable": pass',
        'if name.startswith("speed."): pass',
        'if "journal" in values: pass',
        'if error.code == "no-rate": pass',
        'line = f"{place}: {error}"',
    ],
)
def test_codes_and_values_may_decide(code: str) -> None:
    """A code is no message, nor is a name or a key."""
    assert not list(decisions(ast.parse(f"def some():\n    {code}\n")))
