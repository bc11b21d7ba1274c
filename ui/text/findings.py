"""Findings of the engine as sentences. Each area keeps its own in a file beside this one, as SENTENCES.

A sentence is a template for `str.format` over the finding's values, or a function of the values where that is not
enough. It says what was noticed, what it means, and what to do, in the trade's words.
"""

import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from functools import cache
from importlib import import_module
from typing import Any

from stream.findings import Finding

_SAID: ContextVar[list[str] | None] = ContextVar("codes_said", default=None)

Sentence = str | Callable[[Mapping[str, Any]], str]

# What loads little comes first: a sentence is looked for where it need not be waited for.
AREAS = ("live", "logs", "speed", "survey", "force", "compare", "tables", "mixture", "cells")


@cache
def sentences() -> dict[str, Sentence]:
    """Code to sentence, all areas together. Raises ValueError where two areas share a code."""
    whole: dict[str, Sentence] = {}
    for area in AREAS:
        for code, sentence in import_module(f"ui.text.{area}").SENTENCES.items():
            if code in whole:
                raise ValueError(f"two sentences for the finding {code!r}; the second is in ui/text/{area}.py")
            whole[code] = sentence
    return whole


@cache
def _sentence(code: str) -> Sentence:
    """From the areas that are loaded already, else from the first of the others that has it. Raises KeyError."""
    for area in sorted(AREAS, key=lambda name: f"ui.text.{name}" not in sys.modules):
        found: Sentence | None = import_module(f"ui.text.{area}").SENTENCES.get(code)
        if found is not None:
            return found
    raise KeyError(code)


def say(finding: Finding) -> str:
    """The finding as one sentence. Raises KeyError for a code without one."""
    said = _SAID.get()
    if said is not None:
        said.append(finding.code)
    sentence = _sentence(finding.code)
    return sentence.format(**finding.values) if isinstance(sentence, str) else sentence(finding.values)


@contextmanager
def codes_said() -> Iterator[list[str]]:
    """The codes of all that is said while this is open, in order, each as often as it is said: what a page that shows
    the sentences can explain."""
    codes: list[str] = []
    token = _SAID.set(codes)
    try:
        yield codes
    finally:
        _SAID.reset(token)


def speaker() -> Callable[[Finding], str]:
    """`say` with all sentences at hand: loading them takes a third of a second, which no recording should wait for."""
    sentences()
    return say


def say_all(findings: Iterable[Finding]) -> list[str]:
    """The sentences, in order, each once."""
    return list(dict.fromkeys(say(finding) for finding in findings))


def ranked(findings: Iterable[Finding]) -> list[Finding]:
    """The gravest first: danger, warnings, notes; within each as they came."""
    return sorted(findings, key=lambda one: ("danger", "warning", "note").index(one.severity))


def as_json(findings: Iterable[Finding]) -> dict[str, list[Any]]:
    """The keys `findings` and `warnings` that JSON results carry: the same sentences with and without their codes."""
    kept = list(findings)
    rows = [{"code": one.code, "severity": one.severity, "text": say(one)} for one in kept]
    return {"findings": rows, "warnings": say_all(kept)}
