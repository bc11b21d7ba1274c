"""Errors of the engine in the words of the command line, where these name an option that the engine cannot know."""

from stream.errors import SteadypullError

# code: template for str.format over the error's values; `text` is the engine's own plain line
COMMAND_LINE: dict[str, str] = {
    "targets": "--{text}",
    "targets-fit-nothing": "--{text} (--targets as held, or --at START_S=RPM)",
    "hold-at": "--at{rest}",
    "hold-at-nothing": "--at{rest} ('steadypull replay SESSION --json' lists them)",
    "reading-error": "--reading-error: {value:g} cannot be used; give rpm above zero (a needle: 50)",
    "scale-error": "--scale-error: {value:g} cannot be used; give percent from 0 (a dashboard: 1)",
    "two-references": "give either --targets or --at, one of the two",
    "no-reference": (
        "fit: which speed each hold was is not known; give --targets RPM,RPM,… or --at START_S=RPM, or mark the holds"
    ),
    "no-calibration": "{path}: no such calibration; 'steadypull fit SESSION --targets … -o {path}' makes one",
    "near-redline-only": "--{text}; --near-redline asks for them all the same",
}


def for_command_line(error: SteadypullError) -> str:
    """One line for the terminal; the engine's own where nothing better is known."""
    template = COMMAND_LINE.get(error.code)
    return str(error) if template is None else template.format(text=str(error), **error.values)
