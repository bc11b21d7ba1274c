"""A day that is shown in one window: a bar that says what the driver does now and what to look at, with a pause."""

from collections.abc import Callable, Sequence
from typing import Protocol

from pyqtgraph.Qt import QtCore, QtWidgets

from ui.window.feed import DriveFeed
from ui.window.panels import label


class Show(Protocol):
    """What runs beside the window; all return at once."""

    @property
    def feed(self) -> DriveFeed | None:
        """The drive that goes on, or was the last; another one with each session."""
        ...

    def words(self) -> tuple[str, str]:
        """(what the driver does, where to look)."""
        ...

    @property
    def opened(self) -> Sequence[str]:
        """The sessions of the day once it is over; empty before."""
        ...

    def pause(self, on: bool) -> None:
        """Hold the driver up, or let him go on."""
        ...

    def stop(self) -> None:
        """The window was closed."""
        ...


class ShowBar(QtWidgets.QWidget):
    """One line over the whole window."""

    def __init__(self, show: Show, open_day: Callable[[list[str]], None]) -> None:
        super().__init__()
        self.show_ = show
        self._open_day = open_day
        self._opened = False
        self.what, self.look = label("verdict"), label("prose")
        self.button = QtWidgets.QPushButton("Pause")
        self.button.setCheckable(True)
        self.button.setFocusPolicy(QtCore.Qt.FocusPolicy.NoFocus)
        self.button.toggled.connect(self._pause)
        self.row = QtWidgets.QHBoxLayout(self)
        self.row.addWidget(self.what)
        self.row.addWidget(self.look, 1)
        self.row.addWidget(self.button)

    def _pause(self, on: bool) -> None:
        self.button.setText("Go on" if on else "Pause")
        self.show_.pause(on)

    def poll(self) -> None:
        """Say what is done now; open the day once, when it is over."""
        what, look = self.show_.words()
        if (what, look) != (self.what.text(), self.look.text()):
            self.what.setText(what)
            self.look.setText(look)
        if self.show_.opened and not self._opened:
            self._opened = True
            self.button.setVisible(False)
            self._open_day(list(self.show_.opened))

    def resize_to(self, unit: float) -> None:
        """Set the sizes that a style sheet cannot."""
        self.setFixedHeight(round(60 * unit))
        self.row.setContentsMargins(*(round(n * unit) for n in (16, 6, 8, 6)))
        self.row.setSpacing(round(20 * unit))
        self.button.setFixedWidth(round(120 * unit))
