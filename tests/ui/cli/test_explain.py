"""steadypull explain: a word looked up, and all of them listed."""

import re
from typing import Any

from ui.text.reference import page, pages


def test_the_command_shows_a_page_and_lists_all(steadypull: Any) -> None:
    """Two sentences, formula, source; without a term the list; JSON with the same words."""
    done = steadypull("explain", "order-drift")
    assert done.code == 0
    lines = done.out.splitlines()
    assert lines[0] == "order-drift (finding)"
    assert lines[1] == page("order-drift").about
    assert lines[-1] == "See also: drift"
    listed = steadypull("explain").out
    for term in pages():
        assert re.search(rf"(^|[\s,]){re.escape(term)}([\s,]|$)", listed), term
    assert steadypull("explain", "2", "--json").json["about"] == page("exit-2").about
    assert len(steadypull("explain", "--json").json["terms"]) == len(pages())
    wrong = steadypull("explain", "xyzzy")
    assert wrong.code == 2
    assert "leave it out for the list of terms" in wrong.error
