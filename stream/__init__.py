"""The engine of Steadypull: no window, no command line, testable without a screen.

Its door for scripts and notebooks is `stream.door`, whose names stand here too; they are imported when first used.
"""

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from stream.door import (
        Day,
        InputError,
        Reading,
        SteadypullError,
        air_factors,
        align,
        coach,
        coastdown,
        compare,
        curves,
        export_session,
        fit_speed,
        load_car,
        load_day,
        open_session,
        power,
        survey,
        to_pandas,
    )

__all__ = [
    "Day",
    "InputError",
    "Reading",
    "SteadypullError",
    "air_factors",
    "align",
    "coach",
    "coastdown",
    "compare",
    "curves",
    "export_session",
    "fit_speed",
    "load_car",
    "load_day",
    "open_session",
    "power",
    "survey",
    "to_pandas",
]


def __getattr__(name: str) -> Any:
    """A name of the door, imported when it is first asked for."""
    if name not in __all__:
        raise AttributeError(f"module 'stream' has no attribute {name!r}")
    value = getattr(importlib.import_module("stream.door"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """What is there to be completed."""
    return sorted({*globals(), *__all__})
