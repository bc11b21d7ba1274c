"""Sentences. The drive: holds, pulls, faults, limits, events."""

from ui.text.findings import Sentence

SENTENCES: dict[str, Sentence] = {}
