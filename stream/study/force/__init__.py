"""Air, road load, force and power."""
