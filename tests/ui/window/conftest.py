"""A real window without a display, driven by a scripted drive."""

import importlib
import os
from collections.abc import Iterator
from typing import Any

import pytest

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
os.environ.setdefault("PYQTGRAPH_QT_LIB", "PySide6")


def _why_not() -> str:
    try:
        importlib.import_module("PySide6.QtWidgets")
        importlib.import_module("pyqtgraph.Qt")
    except ImportError as error:
        return str(error)
    return ""


WHY_NOT = _why_not()
if WHY_NOT and os.environ.get("STEADYPULL_REQUIRE_WINDOW") != "1":
    # these files import Qt at their top
    collect_ignore_glob = ["test_*_qt.py"]


@pytest.fixture(scope="session")
def app() -> Iterator[Any]:
    """The one QApplication of the run. Skips with the reason where Qt cannot load, or fails where a window is required."""
    if WHY_NOT:
        if os.environ.get("STEADYPULL_REQUIRE_WINDOW") == "1":
            pytest.fail(f"a window is required, but Qt cannot load: {WHY_NOT}")
        pytest.skip(f"Qt cannot load: {WHY_NOT}")
    widgets = importlib.import_module("pyqtgraph.Qt").QtWidgets
    yield widgets.QApplication.instance() or widgets.QApplication(["tests"])
