"""Makes events heard: the cue through the sound card, or its rhythm in system beeps."""

from collections.abc import Sequence

from pyqtgraph.Qt import QtCore, QtWidgets

from stream.events import Event
from ui.sound import Chooser, Cue, Player, open_player


class BeepPlayer:
    """The system beep, once for each note: the rhythm stays, the pitch is the system's."""

    def play(self, cue: Cue) -> None:
        """Begin the cue."""
        for onset_s in cue.onsets_s:
            QtCore.QTimer.singleShot(round(onset_s * 1000), QtWidgets.QApplication.beep)

    def close(self) -> None:
        """Nothing to give back."""


class Ear:
    """Hears the events of a drive."""

    def __init__(self, player: Player | None = None) -> None:
        self.player: Player = player or open_player() or BeepPlayer()
        self.chooser = Chooser()

    def hear(self, events: Sequence[Event]) -> Cue | None:
        """Play the cue that these events call for, if any, and return it."""
        cue = self.chooser.choose(events)
        if cue is not None:
            self.player.play(cue)
        return cue

    def close(self) -> None:
        """Give the sound device back."""
        self.player.close()
