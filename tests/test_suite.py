"""What every test owes its reader."""

import ast
import re
import tokenize
from io import StringIO
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


def test_every_promise_of_survival_has_tests_that_are_there() -> None:
    """README says what survives; DEVELOPERS.md names, by words of each line, tests that stand in the files they are
    said to stand in."""
    root = TESTS.parent
    promised, stated = (
        [
            line
            for line in (root / name)
            .read_text(encoding="utf-8")
            .split("## What survives")[1]
            .split("\n## ")[0]
            .splitlines()
            if line.startswith("| ")
        ][2:]
        for name in ("README.md", "DEVELOPERS.md")
    )
    of_line: dict[str, list[str]] = {line: [] for line in promised}
    for row in stated:
        words, tests = row.strip("| ").split(" | ")
        (line,) = [line for line in promised if words in line]
        file = ""
        for there, name in re.findall(r"`(?:([\w/]+\.py)::)?(test_\w+)`", tests):
            file = there or file
            (path,) = [path for path in TESTS.rglob("test_*.py") if f"/{path.as_posix()}".endswith(f"/{file}")]
            assert re.search(rf"^def {name}\(", path.read_text(encoding="utf-8"), re.M), row
            of_line[line].append(name)
    assert [line for line, tests in of_line.items() if not tests] == []


ROOT = TESTS.parent


def test_the_pictures_of_the_readme_are_there_and_small() -> None:
    """Five pictures by relative links; nobody waits for them, and no wheel carries them."""
    links = re.findall(r"!\[[^\]]+\]\(([^)]+)\)", (ROOT / "README.md").read_text())
    assert len(links) == 5
    for link in links:
        assert (ROOT / link).read_bytes()[:4] == b"\x89PNG"
        assert (ROOT / link).stat().st_size < 100_000
    assert 'exclude = ["ui/pictures"]' in (ROOT / "pyproject.toml").read_text()


GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
FOREIGN = {"lint-imports"}  # tools
ELSEWHERE = {"window.toml", "socket://", "rfc2217://", "pyproject.toml"}  # made by the program, or at the top


def names_and_paths() -> tuple[set[str], set[str]]:
    """Every name and short text of the code, and every file of it."""
    paths = {
        path.relative_to(ROOT).as_posix()
        for place in ("stream", "ui", "tests", ".ci")
        for path in (ROOT / place).rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    names = {part for path in paths for part in (*path.split("/"), Path(path).stem)}
    for path in paths:
        if path.endswith(".py"):
            for token in tokenize.generate_tokens(StringIO((ROOT / path).read_text(encoding="utf-8")).readline):
                if token.type == tokenize.NAME or (token.type == tokenize.STRING and len(token.string) < 60):
                    names |= set(re.findall(r"[A-Za-z_][\w-]*", token.string))
    return names, paths


def test_every_name_in_the_guide_is_there() -> None:
    """What stands between backticks in DEVELOPERS.md is a file, or made of names that the code has."""
    names, paths = names_and_paths()
    wrong = []
    for text in re.findall(r"`([^`\n]+)`", re.sub(r"(?ms)^```.*?^```", "", GUIDE)):
        file = text.split("::")[0].rstrip("/")
        if " " in text or text in ELSEWHERE or re.search(r"NAME|AREA|FILE", text):
            continue
        if text.startswith("/"):  # a place in a session file
            if text[1:] not in names:
                wrong.append(text)
        elif "/" in text or re.search(r"\.(py|md|toml)\b", text):
            if not any(path == file or path.endswith(f"/{file}") or f"/{file}/" in f"/{path}" for path in paths):
                wrong.append(text)
        else:
            wrong += [text for part in re.findall(r"[A-Za-z_][\w-]*", text) if part not in names | FOREIGN]
    assert wrong == []


def test_the_picture_of_the_house_has_every_room() -> None:
    """Each folder of engine and surface, and each file at the engine's top, stands in the drawing, and no other."""
    drawing = GUIDE.split("## The house")[1].split("\nA room imports")[0]
    folders = {
        path.relative_to(ROOT).as_posix()
        for top in ("stream", "ui")
        for path in (ROOT / top).rglob("*")
        if path.is_dir() and any(path.glob("*.py"))
    }
    rooms = {Path(folder).name for folder in folders if folder not in ("stream", "ui")}
    rooms |= {path.stem for path in (ROOT / "stream").glob("*.py")} - {"__init__"}
    rooms -= {"rehearsal"}  # behind the sources, with a chapter of its own
    assert {room for room in rooms if not re.search(rf"\b{room}\b", drawing)} == set()
    drawn = {word.rstrip("/") for word in re.findall(r"\b[a-z]+/", drawing)}
    assert drawn <= {Path(folder).name for folder in folders} | {"device", "stream", "ui"}
