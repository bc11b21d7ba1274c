"""Writing a car file: the same text from a command that asks and from a form, comments and unknown keys kept."""

from collections.abc import Collection, Mapping, Sequence
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from tomlkit import TOMLDocument
    from tomlkit.items import Table

ONE_OF_A_KIND: Final = ("engine_speed", "load", "time")  # a car has one channel of each at most


def line_through(standing: float, at_redline: float, redline_rpm: float) -> tuple[float, float]:
    """(rpm per unit, rpm at zero) from the readings of a standing engine and at redline, which differ."""
    slope = redline_rpm / (at_redline - standing)
    return round(slope, 3), round(-slope * standing, 2)


def car_text(
    tables: Mapping[str, Mapping[str, Any]],
    channels: Sequence[Mapping[str, Any]],
    text: str = "",
    *,
    drop: Collection[str] = (),
    head: str = "",
    comments: Mapping[str, str] = MappingProxyType({}),
) -> str:
    """The text of a car file.

    tables     keys of [car], [gearing], [engine]; None or () leaves a key out, and takes it out of `text`
    channels   keys of each [[channel]], likewise; one of `text` with the same name, or the same of those roles that a
               car has once, is changed, and another one added
    text       a car file to begin from, valid TOML; '' for a new one
    drop       names of channels to take out
    head       the comment that a new file begins with
    comments   what stands behind a key that is written for the first time

    Nothing is checked: give the result to `parse_car`.
    """
    import tomlkit

    document = tomlkit.parse(text)
    if not text and head:
        document.add(tomlkit.comment(head))
    for name, keys in tables.items():
        if name in document:
            _fill(document[name], keys, comments)
        elif any(value not in (None, ()) for value in keys.values()):
            table = tomlkit.table()
            _fill(table, keys, comments)
            document.add(name, table)
    _put_channels(document, channels, drop, comments)
    return tomlkit.dumps(document)


def _put_channels(
    document: "TOMLDocument", channels: Sequence[Mapping[str, Any]], drop: Collection[str], comments: Mapping[str, str]
) -> None:
    import tomlkit

    rows = document.setdefault("channel", tomlkit.aot())
    for place in reversed(range(len(rows))):
        if str(rows[place].get("name", "")) in drop:
            del rows[place]
    for keys in channels:
        found = next((row for row in rows if _same(row, keys)), None)
        if found is None:
            found = tomlkit.table()
            _fill(found, keys, comments)
            rows.append(found)
        else:
            _fill(found, keys, comments)


def _same(row: Mapping[str, Any], keys: Mapping[str, Any]) -> bool:
    role = keys.get("role")
    return row.get("role") == role if role in ONE_OF_A_KIND else row.get("name") == keys.get("name")


def _fill(table: "Table", keys: Mapping[str, Any], comments: Mapping[str, str]) -> None:
    """Write the keys; one that says the same already is left as it is, comment and all."""
    import tomlkit.items

    for key, value in keys.items():
        if value is None or value == ():
            table.pop(key, None)
            continue
        plain = _plain(value)
        if key in table and table[key] == plain:
            continue
        item = tomlkit.item(plain)
        old = table.item(key) if key in table else None
        if isinstance(old, tomlkit.items.Item):
            item.trivia.comment_ws, item.trivia.comment = old.trivia.comment_ws, old.trivia.comment
        elif key in comments:
            item.comment(comments[key])
        table[key] = item


def _plain(value: Any) -> Any:
    """Whole numbers from 1 on without a point, as people write them."""
    if isinstance(value, (tuple, list)):
        return list(value)
    if isinstance(value, float) and value == int(value) and abs(value) >= 1:
        return int(value)
    return value
