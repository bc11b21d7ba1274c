"""The screens. Importing this loads no Qt; opening the window does."""

from ui.window.start import display_available, open_road

__all__ = ["display_available", "open_road"]
