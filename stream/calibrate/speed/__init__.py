"""Volts to rpm: holds matched to targets, the fit, its file."""
