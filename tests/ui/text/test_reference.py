"""Every word that the program uses for a result can be looked up, and no page is of something that is not."""

import re
from typing import get_args

import pytest

from stream.errors import DeviceError, InputError
from stream.live.records import PullFault
from ui.text.findings import sentences
from ui.text.reference import EXIT_CODES, FAULT_PAGES, QUANTITIES, page, pages
from ui.text.reference_findings import FINDINGS


def test_every_finding_has_a_page() -> None:
    """A code in JSON leads to its page. A new finding wants a line in ui/text/reference_findings.py."""
    assert set(sentences()) == set(FINDINGS)
    for code in FINDINGS:
        assert page(code).about, code


def test_every_fault_and_exit_code_has_a_page() -> None:
    """Faults by the engine's own list, exit codes by its errors and 0."""
    assert set(FAULT_PAGES) == set(get_args(PullFault))
    assert set(EXIT_CODES) == {"0", str(InputError.exit_code), str(DeviceError.exit_code)}
    for term in (*FAULT_PAGES, *(f"exit-{code}" for code in EXIT_CODES), *EXIT_CODES):
        assert page(term).about, term


def test_findings_lead_to_a_quantity_with_formula_and_source() -> None:
    """None leads nowhere; a quantity has its two fields even where they say 'none'."""
    for code, (term, _) in FINDINGS.items():
        assert term in QUANTITIES, code
    for term, (_, formula, source) in QUANTITIES.items():
        assert formula, term
        assert source, term


@pytest.mark.parametrize("term", sorted(pages()))
def test_a_page_is_two_plain_sentences(term: str) -> None:
    """Two sentences, short, no command and no option in them, so that window and report can show them too."""
    about = pages()[term].about
    assert len(re.findall(r"[.](?= [A-Z'λF]|$)", about)) == 2, about
    assert len(about) <= 240
    assert "steadypull " not in about
    assert not re.search(r"(^|\s)--\w", about)


def test_words_are_found_however_they_are_written() -> None:
    """By code, with blanks, as the screen says it, in the plural; a slip is met with the nearest terms."""
    assert page("Order Drift").term == "order-drift"
    assert page("standard_uncertainty").term == "standard-uncertainty"
    assert page("lifted early").term == "lift"
    assert page("holds").term == "hold"
    assert page("3").term == "exit-3"
    with pytest.raises(InputError, match=r"did you mean .*wheelspin"):
        page("wheelspn")
