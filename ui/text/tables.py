"""Sentences. Ignition and mixture tables."""

from ui.text.findings import Sentence

SENTENCES: dict[str, Sentence] = {}
