"""The engine makes no sentences: it gives codes and values, and `ui/text` says them. Errors may keep one plain line."""

import ast
import re
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).parents[2]
WORDS = 4  # so many words in one string are prose; a name, a unit or a role has fewer
LOGGERS = {"debug", "info", "exception"}
# A word beside a value, as in f"gear {n}", is a phrase too. Besides the files above, which make errors' lines, it may
# stand in what names a place for one, and in a name that is data.
PHRASES = {
    "stream/drive/tuning_day.py": "the name of a tune of the day",
    "stream/study/clock.py": "where an error was, and a part of one",
    "stream/study/tables/load_axis.py": "where an error was",
    "stream/study/tables/mixture_lambda.py": "where an error was",
    "stream/wire/items.py": "the name of a channel whose device gave none",
}
NAMES_A_NEED = {"need", "speed_line"}  # what for a channel is needed, for the error where the car file lacks it

# How many strings of four words and more a file may hold, and why. Shrink it; what is new goes to ui/text.
ERROR = "parts of an error's one plain line: what is wrong, or its cure"
FILE = "written into a file for whoever opens it: descriptions of its parts, the head of a TOML"
ALLOWED: dict[str, tuple[int, str]] = {
    "stream/calibrate/link/zero.py": (1, ERROR),
    "stream/calibrate/speed/calfile.py": (2, FILE),
    "stream/calibrate/speed/ends.py": (1, ERROR),
    "stream/calibrate/speed/match.py": (1, ERROR),
    "stream/car.py": (1, ERROR),
    "stream/door.py": (1, ERROR),
    "stream/drive/day_coach.py": (1, ERROR),
    "stream/drive/offline.py": (1, "the note of the session that is made"),
    "stream/drive/zero_key.py": (1, ERROR),
    "stream/events.py": (2, ERROR),
    "stream/live/filters.py": (1, "the filter's name beside /live"),
    "stream/record/also.py": (1, ERROR),
    "stream/record/change.py": (1, ERROR),
    "stream/record/disk.py": (2, ERROR),
    "stream/record/probe.py": (3, ERROR),
    "stream/record/layout.py": (2, FILE),
    "stream/record/session.py": (2, ERROR),
    "stream/record/shelf.py": (8, ERROR + "; SQL"),
    "stream/record/summary.py": (2, ERROR),
    "stream/sources/can_bus.py": (2, ERROR),
    "stream/sources/csv_table.py": (7, ERROR),
    "stream/sources/log_columns.py": (2, ERROR),
    "stream/sources/plugins.py": (1, ERROR),
    "stream/sources/port.py": (11, ERROR),
    "stream/sources/rehearsal/player.py": (2, ERROR),
    "stream/sources/rehearsal/scenario.py": (3, "the demo's car file"),
    "stream/sources/serialport.py": (5, ERROR),
    "stream/study/choose.py": (2, ERROR),
    "stream/study/dataset.py": (1, ERROR),
    "stream/study/edit.py": (3, "how a zero was taken, kept in the session"),
    "stream/study/export.py": (25, FILE),
    "stream/study/force/coastdown.py": (7, ERROR),
    "stream/study/force/power.py": (3, ERROR),
    "stream/study/speed.py": (1, ERROR),
    "stream/study/tables/mixture_steps.py": (1, "a companion file's line that is read again"),
    "stream/study/tables/sheet.py": (2, ERROR),
    "stream/study/tables/user_table.py": (8, ERROR),
}


def texts_of(path: Path, phrases: bool = False) -> list[str]:
    """Strings of WORDS words or more that are no docstring, no part of a `raise`, and not given to an error;
    or phrases: a word beside a value."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    passed: set[int] = set()
    for node in ast.walk(tree):
        called = node.func if isinstance(node, ast.Call) else None
        name = called.attr if isinstance(called, ast.Attribute) else getattr(called, "id", "")
        docstring = isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
        makes_error = isinstance(node, ast.FunctionDef) and ast.unparse(node.returns or node).endswith("Error")
        if (
            docstring
            or makes_error
            or isinstance(node, ast.Raise)
            or name.endswith("Error")
            or name in LOGGERS | NAMES_A_NEED
        ):
            passed |= {id(part) for part in ast.walk(node)}
    found = []
    for node in ast.walk(tree):
        if id(node) in passed:
            continue
        if isinstance(node, ast.JoinedStr):
            passed |= {id(part) for part in ast.walk(node)}
            parts = [part.value if isinstance(part, ast.Constant) else " {} " for part in node.values]
            text = "".join(str(part) for part in parts)
            if phrases and re.search(r"[^\W\d_]{3,}  \{\}|\{\}  [^\W\d_]{3,}", text):
                found.append(text)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            text = node.value
        else:
            continue
        if not phrases and " " in text and len(re.findall(r"[^\W\d_]{2,}|\{\}", text)) >= WORDS:
            found.append(text)
    return found


def test_no_sentences_in_the_engine() -> None:
    """No file holds more than it is allowed, and none is allowed what it no longer has."""
    paths = sorted((ROOT / "stream").rglob("*.py"))
    assert len(paths) > 100
    found = {str(path.relative_to(ROOT)): texts_of(path) for path in paths}

    counts = Counter({path: len(texts) for path, texts in found.items() if texts})

    assert {path: found[path] for path in counts if counts[path] > ALLOWED.get(path, (0, ""))[0]} == {}
    assert set(ALLOWED) - set(counts) == set()


def test_no_phrases_in_the_engine() -> None:
    """No `gear 3`, `not given` and the like is built where no error is made: `ui` joins the values."""
    found = {str(path.relative_to(ROOT)): texts_of(path, True) for path in sorted((ROOT / "stream").rglob("*.py"))}
    phrases = {path: texts for path, texts in found.items() if texts and path not in ALLOWED}

    assert {path: texts for path, texts in phrases.items() if path not in PHRASES} == {}
    assert set(PHRASES) - set(phrases) == set()


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
    source.write_text('name = f"gear {3}"\nplace = f"{name}.speed"\nraise ValueError(f"gear {3}")\n', encoding="utf-8")
    assert texts_of(source, phrases=True) == ["gear  {} "]
