"""Errors of the engine in the words of the command line, where these name an option that the engine cannot know."""

from stream.errors import SteadypullError

# code: template for str.format over the error's values; `text` is the engine's own plain line
COMMAND_LINE: dict[str, str] = {
    "no-rate": "{text}, or give --rate HZ",
    "rate-out-of-range": "--rate: {text}",
    "rate-too-high": "{text} with --rate",
    "clock-stands": "{text}: --rate HZ and a car file without a time channel",
}


def for_command_line(error: SteadypullError) -> str:
    """One line for the terminal; the engine's own where nothing better is known."""
    template = COMMAND_LINE.get(error.code)
    return str(error) if template is None else template.format(text=str(error), **error.values)
