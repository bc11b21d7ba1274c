"""Sentences. Air, coastdown, power."""

from ui.text.findings import Sentence

SENTENCES: dict[str, Sentence] = {}
