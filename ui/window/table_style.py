"""The look of tables and choosers, on top of the window's style sheet."""

from ui.window.theme import Theme


def table_style(theme: Theme, unit: float) -> str:
    """A style sheet for a screen with tables; sizes in pixels of this `unit`."""

    def px(size: float) -> str:
        return f"{round(size * unit)}px"

    field = f"""background: {theme.panel}; border: {px(2)} solid {theme.line}; border-radius: {px(6)};
        padding: {px(5)} {px(10)}; font-size: {px(18)};"""
    return f"""
    QTableView {{ background: {theme.panel}; alternate-background-color: {theme.background}; border: 0;
        gridline-color: {theme.line}; font-size: {px(16)}; selection-background-color: {theme.line};
        selection-color: {theme.text}; }}
    QTableView::item {{ padding: {px(2)} {px(6)}; }}
    QTableView::indicator {{ width: {px(15)}; height: {px(15)}; }}
    QHeaderView, QHeaderView::section {{ background: {theme.background}; color: {theme.muted}; border: 0;
        font-size: {px(15)}; }}
    QHeaderView::section {{ padding: 0 {px(6)}; }}
    QTableView QTableCornerButton::section {{ background: {theme.background}; }}
    QScrollBar:vertical {{ background: {theme.background}; width: {px(14)}; margin: 0; }}
    QScrollBar:horizontal {{ background: {theme.background}; height: {px(14)}; margin: 0; }}
    QScrollBar::handle {{ background: {theme.line}; border-radius: {px(5)}; min-height: {px(30)};
        min-width: {px(30)}; }}
    QScrollBar::add-line, QScrollBar::sub-line {{ width: 0; height: 0; }}
    QComboBox {{ {field} min-width: {px(120)}; }}
    QComboBox QAbstractItemView {{ background: {theme.panel}; border: 1px solid {theme.line};
        selection-background-color: {theme.line}; selection-color: {theme.text}; }}
    QLineEdit {{ font-size: {px(18)}; padding: {px(5)} {px(10)}; }}
    QPushButton, QToolButton {{ font-size: {px(18)}; padding: {px(5)} {px(14)}; }}
    QComboBox:focus, QTableView:focus {{ border-color: {theme.text}; }}
    QLabel[part="first"] {{ font-size: {px(20)}; }}
    QLabel[part="answer"] {{ font-size: {px(26)}; font-weight: 700; }}
    QLabel[part="mind"] {{ font-size: {px(16)}; }}
    QLabel[part="read"] {{ font-size: {px(16)}; }}
    QTabBar::tab {{ font-size: {px(17)}; padding: {px(5)} {px(16)}; }}
    QFrame[part="panel"] QTabWidget, QFrame[part="panel"] QTabBar {{ background: {theme.panel}; }}
    QToolTip {{ background: {theme.panel}; color: {theme.text}; border: 1px solid {theme.line}; font-size: {px(16)}; }}
    QScrollArea {{ border: 0; }}
    QScrollArea, QScrollArea > QWidget > QWidget {{ background: {theme.panel}; }}
    """
