"""Sentences. Speed calibration."""

from ui.text.findings import Sentence

SENTENCES: dict[str, Sentence] = {}
