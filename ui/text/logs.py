"""Sentences. Logs, imports, clocks."""

from ui.text.findings import Sentence

SENTENCES: dict[str, Sentence] = {}
