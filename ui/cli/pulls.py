"""steadypull pulls: the pulls of a session, and a person's word on them."""

from typing import TYPE_CHECKING

import click

from stream.errors import InputError
from ui.cli.options import json_option

if TYPE_CHECKING:
    from stream.study.load import StudySession


@click.command("pulls")
@click.argument("session_path", metavar="SESSION")
@click.option("--keep", multiple=True, metavar="N,…", help="Use these pulls whatever their faults.")
@click.option("--drop", multiple=True, metavar="N,…", help="Leave these pulls out, clean or not.")
@click.option("--clear", multiple=True, metavar="N,…", help="Leave these pulls to their verdict again.")
@json_option
def command(session_path: str, keep: tuple[str, ...], drop: tuple[str, ...], clear: tuple[str, ...],
            as_json: bool) -> int:  # fmt: skip
    """List the pulls of a session with verdict and faults; keep or drop some by their number in that list."""
    import msgspec

    from stream.study.load import load_session
    from ui.cli.results import print_json

    session = load_session(session_path)
    chosen = _chosen(session, {"--keep": keep, "--drop": drop, "--clear": clear})
    if chosen:
        _mark(session, chosen)
        session = load_session(session_path)
    if as_json:
        rows = zip(session.pulls, session.pull_keeps, strict=True)
        print_json({"pulls": [{**msgspec.to_builtins(pull), "keep": kept} for pull, kept in rows]})
    else:
        _print(session)
    return 0


def _chosen(session: "StudySession", words: dict[str, tuple[str, ...]]) -> dict[int, bool | None]:
    """Place in the list: what is wanted. Raises InputError for a number that is not in the list, or named twice."""
    from ui.cli.options import numbers

    wanted: dict[int, bool | None] = {}
    for name, keep in (("--keep", True), ("--drop", False), ("--clear", None)):
        for text in words[name]:
            for value in numbers(name, text, "1,4"):
                if value != int(value) or not 1 <= value <= len(session.pulls):
                    raise InputError(
                        f"{name} {text}: {session.path} has pulls 1 to {len(session.pulls)}; "
                        f"'steadypull pulls {session.path}' lists them"
                    )
                if int(value) - 1 in wanted:
                    raise InputError(f"{name} {text}: pull {value:g} is named twice; say one thing of it")
                wanted[int(value) - 1] = keep
    return wanted


def _mark(session: "StudySession", chosen: dict[int, bool | None]) -> None:
    from typing import Any

    from stream.record.change import change_session
    from stream.record.marks import mark_pull

    def edit(file: Any) -> None:
        for place, keep in chosen.items():
            mark_pull(file, session.pulls[place].start_s, keep)

    change_session(session.path, edit)


def _print(session: "StudySession") -> None:
    from ui.cli.study_options import console, plain_table

    out = console()
    if not session.pulls:
        out.print("no pull was found")
        return
    table = plain_table("pull", "from s", "to s", "rpm", "verdict", "by hand", "faults")
    table.columns[-1].justify = table.columns[-2].justify = table.columns[-3].justify = "left"
    for number, (pull, kept) in enumerate(zip(session.pulls, session.pull_keeps, strict=True), start=1):
        by_hand = "" if kept is None else "kept" if kept else "dropped"
        span = f"{pull.start_rpm:.0f} to {pull.end_rpm:.0f}"
        table.add_row(str(number), f"{pull.start_s:.1f}", f"{pull.end_s:.1f}", span, pull.verdict, by_hand,
                      ", ".join(pull.faults))  # fmt: skip
    out.print(table)
