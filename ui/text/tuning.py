"""A rehearsed day of tuning in words: its rounds, what the model says of each setting, and how it ended."""

from typing import TYPE_CHECKING, Any, Final

from ui.text.figures import many

if TYPE_CHECKING:
    from stream.drive.tuning_day import TuningDay

AFTER: Final = (
    "'knock' is how far the pulls went beyond the advance at which the model's engine begins to knock; below zero: "
    "never so far."
)
NEXT: Final = "Next: 'advise-ignition' on sessions of your own; a person decides on every cell, and listens for knock."
_FIRST: Final = (
    "1  The rehearsal car is calibrated, and pulls on its table and on the same with 6 degrees less, by turns."
)
_ROUND: Final = "{number}  The proposals are in the table; it pulls on that, both ways."
_LAST: Final = "{number}  The last table is driven."


def round_line(number: int) -> str:
    """What begins now; `number` counts from 1."""
    from stream.drive.tuning_day import ROUNDS

    if number == 1:
        return _FIRST
    return (_LAST if number > ROUNDS else _ROUND).format(number=number)


def setting_name(number: int) -> str:
    """The head of a column: the settings of a day, from 0."""
    return "at first" if number == 0 else f"round {number}"


def verdict_line(day: "TuningDay") -> str:
    """How the day ended, by the model."""
    first, last = day.settings[0], day.settings[-1]
    near = max(one.beyond_knock_deg for one in day.settings)
    knock = f"it never came nearer to knock than {-near:.1f}°" if near < 0 else f"it went {near:.1f}° into knock"
    return (
        f"In {many(len(day.settings) - 1, 'round')} the most that any band loses went from "
        f"{first.lost_pct.max():.1f} % to {last.lost_pct.max():.1f} % of the best torque; {knock}."
    )


def tuning_json(day: "TuningDay") -> dict[str, Any]:
    """The day as JSON, keys as interface.md has them."""
    return {
        "sessions": [str(path) for path in day.sessions],
        "tables": [str(path) for path in day.tables],
        "settings": [
            {
                "tune": one.tune,
                "table": str(one.table),
                "changed_cells": one.changed,
                "beyond_knock_deg": one.beyond_knock_deg,
                "bands": [
                    {"rpm": float(rpm), "lost_pct": float(lost)}
                    for rpm, lost in zip(day.rpm, one.lost_pct, strict=True)
                ],
            }
            for one in day.settings
        ],
    }
