"""The engine makes no sentences: it gives codes and values, and `ui/text` says them. Errors may keep one plain line."""

import ast
import re
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).parents[2]
WORDS = 4  # so many words in one string are prose; a name, a unit or a role has fewer
LOGGERS = {"debug", "info", "exception"}

# How many strings of four words and more a file may hold, and why. Shrink it; what is new goes to ui/text.
ALLOWED: dict[str, tuple[int, str]] = {}


def texts_of(path: Path) -> list[str]:
    """Strings of WORDS words or more that are no docstring, no part of a `raise`, and not given to an error."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    passed: set[int] = set()
    for node in ast.walk(tree):
        called = node.func if isinstance(node, ast.Call) else None
        name = called.attr if isinstance(called, ast.Attribute) else getattr(called, "id", "")
        docstring = isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
        if docstring or isinstance(node, ast.Raise) or name.endswith("Error") or name in LOGGERS:
            passed |= {id(part) for part in ast.walk(node)}
    found = []
    for node in ast.walk(tree):
        if id(node) in passed:
            continue
        if isinstance(node, ast.JoinedStr):
            passed |= {id(part) for part in ast.walk(node)}
            parts = [part.value if isinstance(part, ast.Constant) else " {} " for part in node.values]
            text = "".join(str(part) for part in parts)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            text = node.value
        else:
            continue
        if " " in text and len(re.findall(r"[^\W\d_]{2,}|\{\}", text)) >= WORDS:
            found.append(text)
    return found


def test_no_sentences_in_the_engine() -> None:
    """Each file holds as many as it is allowed, no more, and no fewer: what has gone is not allowed again."""
    paths = sorted((ROOT / "stream").rglob("*.py"))
    assert len(paths) > 100
    found = {str(path.relative_to(ROOT)): texts_of(path) for path in paths}

    counts = Counter({path: len(texts) for path, texts in found.items() if texts})

    assert {path: found[path] for path in counts if counts[path] != ALLOWED.get(path, (0, ""))[0]} == {}
    assert set(ALLOWED) - set(counts) == set()


def test_the_rule_sees_prose_and_passes_over_errors(tmp_path: Path) -> None:
    """A sentence as a value is found, also as an f-string; one in an error, a docstring or a short name is not."""
    source = tmp_path / "some.py"
    source.write_text(
        '"""A docstring may be as long as it likes."""\n'
        'note = f"the signal is stuck at {1} V"\n'
        'name = "engine speed"\n'
        'raise ValueError("this is an error of many words")\n',
        encoding="utf-8",
    )
    assert texts_of(source) == ["the signal is stuck at  {}  V"]
