"""A TOML file read, and as a typed record; where it does not fit, the key path and what belongs there.

The check walks values and types itself: no library's sentence is read to learn where it stopped.
"""

import re
import reprlib
import tomllib
import types
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final, Literal, TypeVar, Union, get_args, get_origin

import msgspec

from stream.errors import InputError

T = TypeVar("T", bound=msgspec.Struct)
_MOST_BYTES = 4_000_000  # car files, calibrations and tables are some kB
_DEEP_KEY: Final = re.compile(r"""(?<![\w.-])(?:(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+){20}""", re.ASCII)
_NAMES: Final[dict[Any, str]] = {str: "text", float: "a number", int: "a whole number", bool: "true or false"}


class MisfitError(ValueError):
    """`key`: the path, such as channel[0].range; `what`: what is wrong there, and the cure."""

    def __init__(self, key: str, what: str) -> None:
        super().__init__(f"{key}: {what}")
        self.key, self.what = key, what


def read_bounded(path: Path, kind: str) -> bytes:
    """The bytes of a file that people write or a companion holds: never all of what may have no end.

    Raises OSError where it cannot be read, InputError where it is longer than any such file.
    """
    with path.open("rb") as file:
        data = file.read(_MOST_BYTES + 1)
    if len(data) > _MOST_BYTES:
        raise InputError(f"{path}: longer than {_MOST_BYTES // 1_000_000} MB, so no {kind}; give another file")
    return data


def read_text(path: Path, kind: str, missing: InputError) -> str:
    """A UTF-8 file. Raises `missing` where there is none, and InputError, with the cure, where it cannot be read."""
    try:
        return read_bounded(path, kind).decode("utf-8").replace("\r\n", "\n")
    except FileNotFoundError:
        raise missing from None
    except IsADirectoryError:
        raise InputError(f"{path}: is a folder; give the {kind} in it") from None
    except UnicodeDecodeError as error:
        raise InputError(f"{path}: not UTF-8 text at byte {error.start}; save it as UTF-8") from None
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}); check its permissions") from None


def read_toml(text: str, where: str, kind: str) -> dict[str, Any]:
    """The tables of a TOML text; `where` names it in errors. Raises InputError."""
    if deep := _DEEP_KEY.search(text):  # each dot is a table in a table, made and kept: memory grows with the square
        line = text.count("\n", 0, deep.start()) + 1
        raise InputError(f"{where}: line {line}: a key of more than 20 parts; mend that line")
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{where}: not valid TOML: {error}; mend that line") from None
    except ValueError:  # a whole number of thousands of digits
        raise InputError(f"{where}: not a {kind}: a number in it is far too long; mend it") from None
    except RecursionError:
        raise InputError(f"{where}: not a {kind}: lists or tables nested too deeply; mend the brackets") from None


def as_record(raw: dict[str, Any], kind: type[T]) -> T:
    """The record. Raises MisfitError for the first key that is missing or has a value of another type."""
    try:
        return msgspec.convert(raw, kind)
    except msgspec.ValidationError:
        raise next(_misfits(raw, kind, ""), MisfitError("top level", "cannot be used")) from None


def _misfits(value: Any, kind: Any, path: str) -> Iterator[MisfitError]:
    """Why a value is no `kind`, the innermost places first; nothing for one that is."""
    if _fits(value, kind):
        return
    if get_origin(kind) in (Union, types.UnionType):
        kind = next(one for one in get_args(kind) if one is not types.NoneType)
    if isinstance(kind, type) and issubclass(kind, msgspec.Struct):
        if isinstance(value, dict):
            for field in msgspec.structs.fields(kind):
                inside = f"{path}.{field.encode_name}".removeprefix(".")
                if field.encode_name in value:
                    yield from _misfits(value[field.encode_name], field.type, inside)
                elif field.required:
                    yield MisfitError(inside, "is missing; add it")
        wanted = "a table"
    elif get_origin(kind) is tuple:
        members = get_args(kind)
        each = members[-1] is Ellipsis
        if isinstance(value, list) and (each or len(value) == len(members)):
            for number, one in enumerate(value):
                yield from _misfits(one, members[0 if each else number], f"{path}[{number}]")
        wanted = "a list" if each else f"a list of {len(members)}"
    elif get_origin(kind) is Literal:
        yield MisfitError(path, f"is {reprlib.repr(value)}; use one of {' '.join(map(str, get_args(kind)))}")
        return
    else:
        wanted = _NAMES.get(kind, "what belongs here")
    yield MisfitError(path, f"is {reprlib.repr(value)}, not {wanted}; mend the value")


def _fits(value: Any, kind: Any) -> bool:
    try:
        msgspec.convert(value, kind)
    except msgspec.ValidationError:
        return False
    return True
