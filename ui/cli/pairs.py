"""Words of the form A=B on the command line, as many as one likes behind one option."""

import re
from collections.abc import Iterable, Sequence
from pathlib import Path

_PAIR = re.compile(r"[-+.\deE]+=\S+")


def split_pairs(words: Sequence[str], option: Iterable[str]) -> tuple[list[str], list[str]]:
    """(paths, pairs): pairs that follow the option's first one are no paths, and commas separate pairs too."""
    given = [pair for value in option for pair in value.split(",") if pair.strip()]
    if not given:
        return list(words), []
    paths = [word for word in words if not _PAIR.fullmatch(word) or Path(word).exists()]
    return paths, given + [word for word in words if word not in paths]
