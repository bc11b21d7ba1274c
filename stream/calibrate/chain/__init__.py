"""The measuring chain on paper: frequencies, converter parts, pulses per turn."""
