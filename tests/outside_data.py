"""The folder of published and recorded data that is not part of the project."""

import os
from pathlib import Path

import pytest


def outside_file(name: str) -> Path:
    """A file of the outside data; skips with a printed reason where there is none, or fails where it is required."""
    folder = os.environ.get("STEADYPULL_OUTSIDE_DATA", "")
    path = Path(folder) / name
    if folder and path.is_file():
        return path
    reason = f"outside data {name} is not there: set STEADYPULL_OUTSIDE_DATA to its folder"
    if os.environ.get("STEADYPULL_REQUIRE_OUTSIDE") == "1":
        pytest.fail(reason)
    pytest.skip(reason)
