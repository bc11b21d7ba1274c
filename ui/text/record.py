"""Sentences. Sessions, shelf."""

from ui.text.findings import Sentence

SENTENCES: dict[str, Sentence] = {}
