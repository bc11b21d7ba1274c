"""Errors of the engine in the words of the command line, where these name an option that the engine cannot know."""

from stream.errors import SteadypullError

# code: template for str.format over the error's values; `text` is the engine's own plain line
COMMAND_LINE: dict[str, str] = {
    "advance-step": "--step {step_deg:g}: give degrees above 0 and up to {most_deg:g}; 2 is usual",
    "no-pull-of-now": "--now {text}",
}


def for_command_line(error: SteadypullError) -> str:
    """One line for the terminal; the engine's own where nothing better is known."""
    template = COMMAND_LINE.get(error.code)
    return str(error) if template is None else template.format(text=str(error), **error.values)
