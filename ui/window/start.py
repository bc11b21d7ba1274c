"""Opening the window, or saying in one line what is missing. Importing this loads no Qt."""

import ctypes
import importlib
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType
from typing import TYPE_CHECKING, Any

from stream.errors import SteadypullError, reason_of

if TYPE_CHECKING:
    from ui.window.feed import DriveFeed
    from ui.window.show import Show

QT_PACKAGES = "libegl1 libgl1 libxkbcommon0 libfontconfig1 libdbus-1-3"
X11_LIBRARIES = {
    "libxcb-cursor.so.0": "libxcb-cursor0",
    "libxcb-icccm.so.4": "libxcb-icccm4",
    "libxcb-keysyms.so.1": "libxcb-keysyms1",
    "libxcb-image.so.0": "libxcb-image0",
    "libxcb-render-util.so.0": "libxcb-render-util0",
    "libxcb-xkb.so.1": "libxcb-xkb1",
    "libxkbcommon-x11.so.0": "libxkbcommon-x11-0",
}
NO_FONT = (
    "steadypull: no font is installed, so the window shows boxes for letters; on Debian: apt install fonts-dejavu-core"
)


def display_available() -> bool:
    """Whether a window can be expected to open: on Windows, on macOS, and where a display is named."""
    if os.environ.get("QT_QPA_PLATFORM") or sys.platform in ("win32", "darwin"):
        return True
    return bool(os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY"))


def open_road(
    feed: "DriveFeed | None" = None,
    *,
    theme: str = "",
    caution: bool = True,
    close_when_finished: bool = False,
    show: "Show | None" = None,
    say: Callable[[str], object] | None = None,
) -> int:
    """Open the main window on a drive and stay until it is closed; closing it, SIGINT, SIGTERM or SIGHUP end
    the drive.

    `feed` None opens it without a drive, `show` on a day of drives, one after the other. `say` takes the line about a
    missing font (standard error otherwise). Returns the exit code: 0, or 3 where the device or the disk failed. Raises
    SteadypullError, one line with the cure, where Qt cannot be loaded or no display answers.
    """
    if not display_available():
        raise SteadypullError("no display: neither DISPLAY nor WAYLAND_DISPLAY is set; run a command with --headless")
    load_qt()
    check_x11()
    main: Any = importlib.import_module("ui.window.main")
    qt: Any = importlib.import_module("pyqtgraph.Qt")
    app = qt.QtWidgets.QApplication.instance() or qt.QtWidgets.QApplication(["steadypull"])
    app.setApplicationName("Steadypull")
    importlib.import_module("ui.window.theme").load_face()
    # not QFontDatabase.families(): without any font it still lists three names that stand for nothing
    if not qt.QtGui.QFontMetrics(qt.QtGui.QFont()).inFont("A"):
        (say or _to_standard_error)(NO_FONT)
    memory: Any = importlib.import_module("ui.window.memory")
    kept = memory.Memory(memory.default_path())
    window = main.MainWindow(
        feed, theme=theme, caution=caution, close_when_finished=close_when_finished, show=show, memory=kept
    )
    with _signals_close(window.close_now):
        window.showMaximized() if kept.kept.maximised else window.show()
        app.exec()
    code: int = window.exit_code
    window.deleteLater()
    return code


def load_qt() -> None:
    """Import Qt. Raises SteadypullError that names the packages where something is missing."""
    os.environ.setdefault("PYQTGRAPH_QT_LIB", "PySide6")
    try:
        importlib.import_module("PySide6.QtWidgets")
        importlib.import_module("pyqtgraph.Qt")
    except ImportError as error:
        raise SteadypullError(_missing(error)) from error


def _missing(error: ImportError) -> str:
    """The line for an import that failed: Qt itself, or a library of the system that Qt needs."""
    cure = f"on Debian: apt install {QT_PACKAGES} (or add --headless)"
    if isinstance(error, ModuleNotFoundError):
        cure = "install it with: pip install 'PySide6-Essentials<6.12' pyqtgraph"
    return f"the window cannot open: {reason_of(error)}; {cure}"


def check_x11(load: Callable[[str], Any] = ctypes.CDLL) -> None:
    """Qt ends the whole process where its X11 part cannot start, so what it needs is tried first.

    Does nothing where another platform will be used. Raises SteadypullError with the cure.
    """
    platform = os.environ.get("QT_QPA_PLATFORM", "")
    if not sys.platform.startswith("linux") or (platform and not platform.startswith("xcb")):
        return
    if not os.environ.get("DISPLAY") or (os.environ.get("WAYLAND_DISPLAY") and not platform):
        return
    missing = [package for library, package in X11_LIBRARIES.items() if not _loads(library, load)]
    if missing:
        raise SteadypullError(
            f"the window cannot open on this display; on Debian: apt install {' '.join(missing)} (or add --headless)"
        )
    xcb = load("libxcb.so.1")
    xcb.xcb_connect.restype = ctypes.c_void_p
    xcb.xcb_connect.argtypes = [ctypes.c_char_p, ctypes.c_void_p]
    xcb.xcb_connection_has_error.argtypes = xcb.xcb_disconnect.argtypes = [ctypes.c_void_p]
    connection = xcb.xcb_connect(None, None)
    refused = xcb.xcb_connection_has_error(connection)
    xcb.xcb_disconnect(connection)
    if refused:
        raise SteadypullError(f"the display {os.environ['DISPLAY']} does not answer; unset DISPLAY, or add --headless")


def _loads(library: str, load: Callable[[str], Any]) -> bool:
    try:
        load(library)
    except OSError:
        return False
    return True


def _to_standard_error(line: str) -> None:
    sys.stderr.write(line + "\n")


@contextmanager
def _signals_close(close: Callable[[], object]) -> Iterator[None]:
    """SIGINT, SIGTERM and SIGHUP close the window at the next frame. Does nothing outside the main thread."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def handle(number: int, frame: FrameType | None) -> None:
        del number, frame
        close()

    kinds = [signal.SIGINT, signal.SIGTERM]
    if hasattr(signal, "SIGHUP") and signal.getsignal(signal.SIGHUP) is not signal.SIG_IGN:  # not under nohup
        kinds.append(signal.SIGHUP)
    before = {number: signal.signal(number, handle) for number in kinds}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
