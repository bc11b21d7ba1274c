"""Sentences. Car files, sessions, the shelf; logs, imports, clocks."""

from collections.abc import Mapping
from typing import Any

from ui.text.findings import Sentence


def _lines_left_out(v: Mapping[str, Any]) -> str:
    count, lines = v["count"], [f"{line:.0f}" for line in v["lines"]]
    why = {
        "cells": f"has {v['cells']} cells where the header has {v['wanted']}",
        "number": f"holds {v['text']!r} in column {v['column']!r}, which is no number",
        "stamp": f"holds {v['text']!r} in column {v['column']!r}, which is no time stamp like the others",
        "stamp-off-line": f"has the stamp {v['text']}, far off the line of those before and behind it",
    }[v["reason"]]
    if count == 1:
        return f"line {lines[0]} {why}: it is left out"
    named = ", ".join(lines) + (f" and {count - len(lines)} more" if count > len(lines) else "")
    return f"{count} of {v['rows']} lines do not fit and are left out: {named}; the first of them {why}"


def _lacks_column(v: Mapping[str, Any]) -> str:
    without = {"load": "; without a load there is no comparison of tunes, no curve and no power"}
    line = "" if v["line"] is None else f"line {v['line']}: "
    return (
        f"{line}no column {v['column']!r}, so channel {v['channel']!r} is left out"
        f"{without.get(v['role'], '')}; the log has {', '.join(map(repr, v['have']))}; where one of these is meant, "
        "set 'column' of that channel in the car file"
    )


def _rows(count: int) -> str:
    return f"{count} row" if count == 1 else f"{count} rows"


SENTENCES: dict[str, Sentence] = {
    "lines-left-out": _lines_left_out,
    "log-lacks-column": _lacks_column,
    "log-unit-differs": "column {column!r} is in {log_unit}, but the car file says {car_unit} for channel {channel!r}; "
    "set its 'unit' right: nothing is converted",
    "last-row-cut-off": "line {line}: the last row is cut off and left out",
    "header-repeated": lambda v: f"the header stands again {v['count']} time{'s' * (v['count'] > 1)} further down",
    "rows-without-stamp": lambda v: f"{_rows(v['rows'])} without a time stamp left out",
    "rows-out-of-order": lambda v: f"{_rows(v['rows'])} came out of order and are sorted by their stamps",
    "stamps-spread": lambda v: f"{_rows(v['rows'])} had the stamp of the row before; they are spread to the next one",
    "clock-restart": "line {line}: the clock runs back by {back_s:.6g} s and stays there; taken as a restart, the rows "
    "go on one period later",
    "clock-restarts-more": "the clock runs back {count} times more",
    "stamps-uneven": "uneven stamps (steps {low_s:.4g} to {high_s:.4g} s): resampled at {rate_hz:.6g} Hz",
    "resampled": "resampled at {rate_hz:.6g} Hz",
    "rate-against-stamps": "the rate given is {rate_hz:g} Hz, but by its stamps the log has {stamps_hz:.4g} rows "
    "a second",
    "rate-instead-of-clock": "no column {column!r}: the rows are taken to come {rate_hz:g} times a second",
    "samples-missing": lambda v: f"{v['count']} sample{'s are' if v['count'] > 1 else ' is'} missing in the log",
    "cells-missing": lambda v: (
        f"{v['count']} cell{'s are' if v['count'] > 1 else ' is'} missing in rows that have others"
    ),
    "car-key-unknown": "{key} is not known and is left out",
    "session-removed": "{path} was removed while it is recorded; nothing is lost, all of it goes on in {new}",
    "session-moved": "{path} was moved while it is recorded; it goes on in {new}",
    "shelf-stopped": "stopped: {unread} sessions were not read",
    "folder-not-readable": "{folder}: cannot be looked into ({reason}); check its permissions",
    "shelf-index-unusable": "{path}: the shelf's index cannot be used ({reason}); every session was read anew",
}
