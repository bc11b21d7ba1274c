"""steadypull undo: take the last change of a session back, or do it again."""

from typing import TYPE_CHECKING, Any

import click

from ui.cli.options import json_option

if TYPE_CHECKING:
    from stream.record.history import History


@click.command("undo")
@click.argument("path", metavar="SESSION")
@click.option("--redo", is_flag=True, help="Do again what was taken back last.")
@click.option("--list", "listed", is_flag=True, help="Show the changes and change nothing.")
@json_option
def command(path: str, redo: bool, listed: bool, as_json: bool) -> int:
    """Take the last change of a session back: a mark, a zero, a calibration, a note.

    The session keeps its last 50 changes. What was recorded is never changed, so there is nothing of it to take back.
    """
    from stream.record.change import redo_session, session_history, undo_session
    from ui.cli.process import print_json
    from ui.text.steps import step_words

    if redo and listed:
        raise click.UsageError("--redo and --list exclude each other; keep one")
    if not listed:
        for step in redo_session(path) if redo else undo_session(path):
            click.echo(f"{path}: {'done again' if redo else 'taken back'}: {step_words(step)}", err=True)
    history = session_history(path)
    if as_json:
        print_json(_json(history))
    elif listed:
        _print(history)
    return 0


def _json(history: "History") -> dict[str, Any]:
    from ui.text.steps import step_words

    rows = [
        {"what": step_words(step), "when": step.when, "done": number < history.done}
        for number, step in enumerate(history.steps)
    ]
    return {"steps": rows, "can_undo": history.back is not None, "can_redo": history.forth is not None}


def _print(history: "History") -> None:
    from ui.text.steps import step_time, step_words

    if not history.steps:
        click.echo("no change that could be taken back")
    for number, step in enumerate(history.steps):
        state = "" if number < history.done else "taken back: "
        click.echo(f"{step_time(step):16}  {state}{step_words(step)}")
