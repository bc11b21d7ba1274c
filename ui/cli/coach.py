"""steadypull coach: the next pull to make."""

import click

from ui.cli.options import history_option, json_option, read_day, sessions_argument
from ui.text.cautions import SHORT


@click.command("coach")
@sessions_argument
@history_option
@json_option
def command(session_paths: tuple[str, ...], history: str | None, as_json: bool) -> int:
    """What the day resolves, and the next pull to make: which tune, gear and direction; or 'settled'."""
    from stream import coach
    from ui.cli.paper import console, say_warnings, say_words
    from ui.cli.results import print_json
    from ui.text.comparison import coach_json, day_line, next_pull
    from ui.text.findings import say_all

    day = read_day(session_paths)
    advice = coach(day, history=history)
    if as_json:
        print_json(coach_json(advice, day.findings))
        return 0
    out = console()
    out.print(day_line(advice.resolves))
    out.print(next_pull(advice))
    counts = ", ".join(f"{count} of {tune or 'no tune named'}" for tune, count in advice.pulls.items())
    out.print(f"Clean pulls so far: {counts or 'none'}.")
    say_warnings(out, say_all([*advice.findings, *day.findings]))
    say_words(SHORT)
    return 0
