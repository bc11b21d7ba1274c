"""Tune against tune: curves, comparison, coach, trend."""
