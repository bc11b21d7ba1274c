"""Words of the form A=B on the command line, as many as one likes behind one option."""

import re
from collections.abc import Sequence
from pathlib import Path

_PAIR = re.compile(r"[-+.\deE]+=\S+")


def split_pairs(words: Sequence[str], option: Sequence[str]) -> tuple[list[str], list[str]]:
    """(paths, pairs): pairs that follow the option's first one are no paths, and commas separate pairs too."""
    if not option:
        return list(words), []
    paths = [word for word in words if not _PAIR.fullmatch(word) or Path(word).exists()]
    behind = [word for word in words if word not in paths]
    return paths, [pair.strip() for value in (*option, *behind) for pair in value.split(",") if pair.strip()]
