"""The few controls of the Road screen: recording, tune, mark, targets, and a menu for the rest."""

from collections.abc import Sequence

from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

from ui.sound import Cue
from ui.window.forms import HeldButton
from ui.window.panels import label


class Controls:
    """Builds the widgets and keeps their texts right; the Road screen lays them out and connects them.

    Buttons never take the keyboard: the space bar is the mark key, whatever was clicked last.
    """

    def __init__(self, cues: Sequence[Cue]) -> None:
        self.record = HeldButton("Start recording")
        self.record.must_hold = False
        self.record.setProperty("part", "record")
        self.mark = self._button("Mark", "Mark this moment (space bar)")
        self.knock = self._button(
            "Knock heard", "Heard just now: kept in the session; no advice gives these speeds more advance (key K)"
        )
        self.zero = self._button(
            "Zero",
            "The last quiet seconds carried no load: neutral, brakes off, level (key Z; shift and Z: a free roll)",
        )
        self.map = self._button(
            "Map", "Which cells of a table this drive has reached, and where to drive next; and back (key M)"
        )
        self.skip, self.redo = (
            self._button("Skip", "On to the next target (right arrow key)"),
            self._button("Back", "To the target before this one (left arrow key)"),
        )
        self.tune_caption = label("road", "Tune")
        self.tune = QtWidgets.QLineEdit()
        self.tune.setMaxLength(40)
        self.tune.setProperty("part", "road")
        self.tune.setPlaceholderText("name it")
        self.tune.setAccessibleName("Tune in the car")
        self.tune.setFocusPolicy(QtCore.Qt.FocusPolicy.ClickFocus)
        self.more = QtWidgets.QToolButton()
        self.more.setText("More")
        self.more.setProperty("part", "road")
        self.more.setFocusPolicy(QtCore.Qt.FocusPolicy.NoFocus)
        self.more.setPopupMode(QtWidgets.QToolButton.ToolButtonPopupMode.InstantPopup)
        self._fill_menu(cues)
        self.row = QtWidgets.QHBoxLayout()
        self.row.addWidget(self.record)
        self.row.addWidget(self.mark)
        self.row.addWidget(self.zero)
        self.row.addWidget(self.knock)
        self.row.addWidget(self.map)
        self.row.addStretch(1)
        self.row.addWidget(self.tune_caption)
        self.row.addWidget(self.tune)
        self.row.addStretch(1)
        self.row.addWidget(self.more)
        self.target_row = QtWidgets.QHBoxLayout()
        self.target_row.addWidget(self.redo, 1)
        self.target_row.addWidget(self.skip, 1)

    @staticmethod
    def _button(text: str, hint: str) -> QtWidgets.QPushButton:
        button = QtWidgets.QPushButton(text)
        button.setProperty("part", "road")
        button.setToolTip(hint)
        button.setFocusPolicy(QtCore.Qt.FocusPolicy.NoFocus)
        return button

    def _fill_menu(self, cues: Sequence[Cue]) -> None:
        self.menu = QtWidgets.QMenu(self.more)
        self.cautions = self.menu.addAction("Cautions…")
        self.dark = self._tick(self.menu, "Dark", True)
        self.raw = self._tick(self.menu, "Raw signals on the strip", False)
        self.sound_menu = self.menu.addMenu("Sounds")
        self.sounds = {cue.name: self._tick(self.sound_menu, cue.words, True) for cue in cues}
        self.more.setMenu(self.menu)

    @staticmethod
    def _tick(menu: QtWidgets.QMenu, text: str, on: bool) -> QtGui.QAction:
        action = menu.addAction(text)
        action.setCheckable(True)
        action.setChecked(on)
        return action

    def enable(self, on: bool) -> None:
        """Without a drive there is nothing to command."""
        for widget in (self.record, self.mark, self.zero, self.knock, self.tune):
            widget.setEnabled(on)

    def show_targets(self, shown: bool) -> None:
        """Skip and back are there only where targets are."""
        self.skip.setVisible(shown)
        self.redo.setVisible(shown)

    def show_status(self, recording: bool, tune: str) -> None:
        """Keep button and label in step with the drive; a label that is being typed is left alone."""
        text = "Stop: hold" if recording else "Start recording"
        if self.record.text() != text:
            self.record.must_hold = recording
            self.record.setText(text)
            self.record.setProperty("recording", recording)
            self.record.style().unpolish(self.record)
            self.record.style().polish(self.record)
        if not self.tune.hasFocus() and self.tune.text() != tune:
            self.tune.setText(tune)

    def show_theme(self, name: str) -> None:
        """Keep the tick in the menu in step, without asking for a theme again."""
        self.dark.blockSignals(True)
        self.dark.setChecked(name == "dark")
        self.dark.blockSignals(False)

    def resize_to(self, unit: float) -> None:
        """Set the sizes that a style sheet cannot."""
        self.tune.setFixedWidth(round(220 * unit))
        self.record.setMinimumWidth(round(210 * unit))
        self.map.setMinimumWidth(round(110 * unit))
        self.more.setMinimumWidth(round(110 * unit))
        self.row.setSpacing(round(12 * unit))
        self.target_row.setSpacing(round(12 * unit))
