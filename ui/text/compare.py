"""Sentences. Curves, comparison, coach, trend."""

from ui.text.findings import Sentence

SENTENCES: dict[str, Sentence] = {}
