"""What a source, a guide or a stage tells, as text: what the screen and the session show."""

from stream.findings import Finding
from ui.text.findings import say


def text_of(what: Finding | str) -> str:
    """The sentence of a finding; words of a person or a device as they are."""
    return what if isinstance(what, str) else say(what)
