"""Volts to rpm, bridge to strain to force, converter sizing."""
