"""The shelf's list as a Qt table: a row a session, sorted by any column."""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from pyqtgraph.Qt import QtCore, QtGui

from stream.record.summary import Summary
from ui.text import shelf as words
from ui.text.figures import length, moment, one_line
from ui.window.theme import DARK, Theme, shape

Role = QtCore.Qt.ItemDataRole
LEFT = QtCore.Qt.AlignmentFlag.AlignLeft | QtCore.Qt.AlignmentFlag.AlignVCenter
RIGHT = QtCore.Qt.AlignmentFlag.AlignRight | QtCore.Qt.AlignmentFlag.AlignVCenter

# (head, whether figures stand to the right, how it sorts)
COLUMNS: tuple[tuple[str, bool, Callable[[Summary], Any]], ...] = (
    ("Date", False, lambda s: 0.0 if s.started_utc is None else s.started_utc.timestamp()),
    ("Tune", False, lambda s: words.tunes(s).casefold()),
    ("Gear", True, lambda s: s.gear or 0),
    ("Length", True, lambda s: s.duration_s or 0.0),
    ("Holds", True, lambda s: s.holds),
    ("Pulls", False, lambda s: (s.pulls_clean, -s.pulls_flawed)),
    ("Health", False, lambda s: len(words.troubles(s))),
    ("Note", False, lambda s: s.note.casefold()),
    ("Session", False, lambda s: s.path),
)
HEALTH = 6


def health_kind(session: Summary) -> str:
    """The shape that stands for a session's health."""
    if session.state == "broken":
        return "fault"
    return "caution" if words.troubles(session) else "ok"


class ShelfModel(QtCore.QAbstractTableModel):
    """Read only; `show_sessions` replaces the list."""

    def __init__(self, parent: QtCore.QObject | None = None) -> None:
        super().__init__(parent)
        self.sessions: list[Summary] = []
        self.folder = Path()
        self._order = (0, QtCore.Qt.SortOrder.DescendingOrder)
        self._icons: dict[str, QtGui.QPixmap] = {}
        self.apply_theme(DARK, 1.0)

    def show_sessions(self, sessions: Sequence[Summary], folder: Path) -> None:
        """Take over the list."""
        self.beginResetModel()
        self.sessions, self.folder = list(sessions), folder
        self._sort()
        self.endResetModel()

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Draw the shapes in these colours."""
        side = max(10, round(18 * unit))
        light = theme.name == "light"
        for kind, ink in (("ok", theme.hold), ("caution", theme.caution), ("fault", theme.fault)):
            image = QtGui.QPixmap(side, side)
            image.fill(QtCore.Qt.GlobalColor.transparent)
            painter = QtGui.QPainter(image)
            outline = light and kind == "caution"
            box = QtCore.QRectF(1, 1, side - 2, side - 2)
            shape(painter, kind, box, theme.text if outline else ink, ink if outline else None)
            painter.end()
            self._icons[kind] = image

    def rowCount(self, parent: Any = None) -> int:  # noqa: N802 - Qt's name
        """Sessions; Qt calls this."""
        return 0 if parent is not None and parent.isValid() else len(self.sessions)

    def columnCount(self, parent: Any = None) -> int:  # noqa: N802 - Qt's name
        """Columns; Qt calls this."""
        return 0 if parent is not None and parent.isValid() else len(COLUMNS)

    def headerData(self, section: int, orientation: Any, role: int = Role.DisplayRole) -> Any:  # noqa: N802
        """Column heads; Qt calls this."""
        if orientation == QtCore.Qt.Orientation.Horizontal and role == Role.DisplayRole:
            return COLUMNS[section][0]
        if role == Role.TextAlignmentRole:
            return RIGHT if COLUMNS[section][1] else LEFT
        return None

    def data(self, index: QtCore.QModelIndex, role: int = Role.DisplayRole) -> Any:
        """A cell; Qt calls this."""
        session, column = self.sessions[index.row()], index.column()
        if role == Role.DisplayRole:
            return self.text(session, column)
        if role == Role.TextAlignmentRole and COLUMNS[column][1]:
            return RIGHT
        if role == Role.DecorationRole and column == HEALTH:
            return self._icons[health_kind(session)]
        if role == Role.ToolTipRole:
            return self.text(session, column)
        return None

    def text(self, session: Summary, column: int) -> str:
        """The words of a cell."""
        return (
            moment(session.started_utc),
            words.tunes(session),
            "" if session.gear is None else str(session.gear),
            length(session.duration_s),
            str(session.holds) if session.readable else "",
            words.pulls(session),
            words.health(session),
            one_line(session.note),
            words.name(session, self.folder),
        )[column]

    def sort(self, column: int, order: Any = QtCore.Qt.SortOrder.AscendingOrder) -> None:
        """Sort by a column; Qt calls this when its head is clicked."""
        self.layoutAboutToBeChanged.emit()
        self._order = (column, order)
        self._sort()
        self.layoutChanged.emit()

    def _sort(self) -> None:
        column, order = self._order
        down = order == QtCore.Qt.SortOrder.DescendingOrder
        self.sessions.sort(key=COLUMNS[column][2], reverse=down)
