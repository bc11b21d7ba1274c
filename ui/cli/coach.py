"""steadypull coach: the next pull to make."""

import click

from ui.cli.options import json_option, read_pulls, sessions_argument
from ui.text.cautions import SHORT


@click.command("coach")
@sessions_argument
@json_option
def command(session_paths: tuple[str, ...], as_json: bool) -> int:
    """What the day resolves, and the next pull to make: which tune, gear and direction; or 'settled'."""
    import msgspec

    from stream.study.compare.coach import coach
    from ui.cli.paper import console, say_warnings, say_words
    from ui.cli.results import print_json

    pulls, words = read_pulls(session_paths)
    advice = coach(pulls)
    advice = msgspec.structs.replace(advice, warnings=(*advice.warnings, *words))
    if as_json:
        print_json(msgspec.to_builtins(advice))
        return 0
    out = console()
    out.print(advice.words)
    counts = ", ".join(f"{count} of {tune or 'no tune named'}" for tune, count in advice.pulls.items())
    out.print(f"Clean pulls so far: {counts or 'none'}.")
    say_warnings(out, advice.warnings)
    say_words(SHORT)
    return 0
