"""No code decides by the text of a message: findings and errors have codes for that."""

import ast
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[3]
READING = {"startswith", "endswith", "removeprefix", "removesuffix", "find", "index", "count", "partition", "split"}
MESSAGES = {"words", "warnings", "warning", "why", "why_not", "trouble", "remark", "remarks"}
# Texts of a library that says in no other way what is wrong, read in one place each.
LIBRARIES = {
    "stream/car.py": "msgspec names the key path in its message only",
    "stream/calibrate/speed/calfile.py": "msgspec names the key path in its message only",
    "stream/record/session.py": "HDF5 tells a file cut short from a damaged one in its message only",
}


def is_prose(node: ast.expr) -> bool:
    """A string of several words, or a tuple of such."""
    if isinstance(node, ast.Tuple):
        return any(is_prose(part) for part in node.elts)
    if isinstance(node, ast.JoinedStr):
        return any(is_prose(part) for part in node.values)
    return isinstance(node, ast.Constant) and isinstance(node.value, str) and len(node.value.split()) > 1


def is_message(node: ast.expr) -> bool:
    """`str(error)`, or something whose name says that it is a message."""
    if isinstance(node, ast.Call):
        return getattr(node.func, "id", "") == "str" and "error" in ast.unparse(node).lower()
    return getattr(node, "attr", getattr(node, "id", "")) in MESSAGES


def decisions(tree: ast.Module) -> Iterator[tuple[int, str]]:
    """(line, code) of every expression that looks into a message."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Compare) and isinstance(node.ops[0], (ast.In, ast.NotIn)):
            left, right = node.left, node.comparators[0]
            text = isinstance(left, ast.Constant) and isinstance(left.value, str)
            if is_prose(left) or (text and is_message(right)):
                yield node.lineno, ast.unparse(node)
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in READING:
            given = node.args[0] if node.args else None
            text = isinstance(given, ast.Constant)
            if given is not None and (is_prose(given) or (text and is_message(node.func.value))):
                yield node.lineno, ast.unparse(node)


def test_no_code_decides_by_the_text_of_a_message() -> None:
    """A sentence may be reworded at any time; nothing else may change then."""
    found = []
    for path in sorted([*(ROOT / "stream").rglob("*.py"), *(ROOT / "ui").rglob("*.py")]):
        name = path.relative_to(ROOT).as_posix()
        if name not in LIBRARIES:
            tree = ast.parse(path.read_text(encoding="utf-8"))
            found += [f"{name}:{line}: {code}" for line, code in decisions(tree)]
    assert found == []
