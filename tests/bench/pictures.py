"""The README's five pictures, from the real window on the session in replay_files: python -m tests.bench.pictures."""

import os
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

from pyqtgraph.Qt import QtWidgets

from stream.car import parse_car
from stream.drive.drive import Drive
from stream.record.session import open_session
from stream.sources.replay import ReplaySource
from ui.text.findings import speaker
from ui.window.main import MainWindow
from ui.window.theme import load_face

ROOT = Path(__file__).resolve().parents[2]
SESSION = ROOT / "replay_files" / "hold_drive.h5"
FOLDER = ROOT / "ui" / "pictures"
PACE = 8.0


def replayed(path: Path) -> Drive:
    """The session as a drive that goes on, eight times as fast as it was driven; nothing is written."""
    with open_session(path) as session:
        car = parse_car(session.car_text, f"the car file in {path.name}")
        tune, gear = session.tune, session.gear
    drive = Drive(ReplaySource(str(path), PACE), car, path=None, tune=tune, gear=gear, record=False, say=speaker())
    drive.start()
    return drive


def poll_until(window: MainWindow, done: Callable[[], bool], timeout_s: float = 60.0) -> None:
    """Let the window work until something holds. Raises RuntimeError where it never does."""
    end = time.monotonic() + timeout_s
    while not done():
        if time.monotonic() > end:
            raise RuntimeError("the screen to be pictured was not ready in time")
        QtWidgets.QApplication.processEvents()
        time.sleep(0.01)


def main() -> None:
    """Write the pictures and say their sizes."""
    app = QtWidgets.QApplication.instance() or QtWidgets.QApplication(["steadypull"])
    load_face()
    FOLDER.mkdir(exist_ok=True)
    drive = replayed(SESSION)
    window = MainWindow(drive, theme="dark")
    window.show()

    def keep(name: str) -> None:
        app.processEvents()
        out = FOLDER / f"{name}.png"
        window.grab().save(str(out))
        print(f"{out.relative_to(ROOT)}: {out.stat().st_size // 1000} kB")

    keep("cautions")
    window.hide_cautions()
    window.show_screen("Road")
    poll_until(window, lambda: drive.status().holds >= 2 and _holding(drive))
    keep("road")
    window.set_theme("light")
    keep("road-light")
    drive.stop()
    window.set_theme("dark")
    window.show_screen("Calibrate")
    screen: Any = window.screens["Calibrate"]
    screen.open(SESSION)
    poll_until(window, lambda: screen.worker.task is None)
    keep("calibrate")
    window.show_screen("Shelf")
    shelf: Any = window.screens["Shelf"]
    shelf.open_folder(SESSION.parent)
    poll_until(window, lambda: bool(shelf.sessions))
    shelf.table.selectRow(0)
    keep("shelf")
    window.close()


def _holding(drive: Drive) -> bool:
    steady = drive.status().steady
    return steady is not None and steady.holding


if __name__ == "__main__":
    main()
