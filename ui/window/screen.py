"""What every screen of the window is."""

from pyqtgraph.Qt import QtWidgets

from ui.window.feed import DriveFeed
from ui.window.theme import Theme


class Screen(QtWidgets.QWidget):
    """A tab of the main window. The window calls these, always from its own thread."""

    def attach(self, feed: DriveFeed | None) -> None:
        """Begin to show this drive (None: no drive). Called before the first poll, and for a new drive."""

    def poll(self) -> None:
        """Ask for what is new and show it; called at every frame, also while another tab is in front."""

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours, and `unit`, how much larger than at 1280 × 800 everything is."""

    def detach(self) -> None:
        """The window closes: give back what is held."""
