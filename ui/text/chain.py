"""Sentences. The measuring chain: plan, survey."""

from ui.text.findings import Sentence

SENTENCES: dict[str, Sentence] = {}
