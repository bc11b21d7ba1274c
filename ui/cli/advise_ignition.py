"""steadypull advise-ignition: the next cautious step of the ignition table."""

import click

from ui.cli.options import band_option, json_option, sessions_argument


@click.command("advise-ignition")
@sessions_argument
@click.option(
    "--advance",
    "advance_path",
    required=True,
    metavar="ADVANCE.csv",
    help="Columns tune,rpm,advance at full load; or the table of the tune in the car, rpm against manifold pressure or "
    "throttle. A logged advance channel counts before it.",
)
@click.option("--now", required=True, metavar="LABEL", help="The tune that is in the car now.")
@click.option(
    "--none-heard",
    is_flag=True,
    help="A person listened for knock in the pulls of --now, and heard none. Logged knock and --heard count before it.",
)
@click.option(
    "--heard",
    metavar="RPM-RPM,…",
    help="Knock was heard in the pulls of --now at these speeds. 'mark' keeps it in a session, for good.",
)
@click.option(
    "--confirm",
    multiple=True,
    type=float,
    metavar="RPM",
    help="The cell at this speed is meant, though far off its neighbours. May be given again.",
)
@click.option("--step", type=float, default=2.0, metavar="DEG", help="The most that is proposed at once.  [2]")
@click.option(
    "-o",
    "csv_path",
    metavar="TABLE.csv",
    help="Write the whole table, proposals in it, to a new file; TABLE-why.csv beside it says per cell why.",
)
@band_option
@json_option
def command(
    session_paths: tuple[str, ...],
    advance_path: str,
    now: str,
    none_heard: bool,
    heard: str | None,
    confirm: tuple[float, ...],
    step: float,
    csv_path: str | None,
    width: float,
    as_json: bool,
) -> int:
    """Next step of the advance in each rev band and part-load cell: a proposal with its evidence; a person decides.

    More advance needs a knock channel that is alive and was quiet, or a person who listened and heard none. A step of
    more advance is kept beside its sessions (SESSION.h5.advised): no second one comes from the same pulls.
    """
    from contextlib import ExitStack

    import msgspec

    from stream.record.names import write_text
    from stream.study.dataset import open_datasets
    from stream.study.tables.ignition import advise_ignition
    from stream.study.tables.ignition_table import keep_steps, table_with
    from stream.study.tables.knock import Listening
    from stream.study.tables.user_table import companion, read_advance
    from ui.cli.options import new_file, speed_ranges
    from ui.cli.paper import print_advice
    from ui.cli.process import print_json
    from ui.text.tables import advance_why, advice_json

    path = new_file("-o", csv_path)
    if path is not None:
        new_file("-o", str(companion(path)))
    listening = Listening(none_heard, () if heard is None else speed_ranges("--heard", heard))
    advance = read_advance(advance_path)
    with ExitStack() as stack:
        sessions = [stack.enter_context(session) for session in open_datasets(session_paths)]
        advice = advise_ignition(sessions, advance, now, listening, step, width, confirm)
        table, written = ("", []) if path is None else table_with(advice, advance, now, width)
        kept = keep_steps(sessions, now, advice, *(one for one in (advance.path, path) if one is not None))
    advice = msgspec.structs.replace(advice, findings=(*kept, *advice.findings))
    if path is not None:
        write_text(companion(path), advance_why(advice, advance, now, written))  # first: no table without its reasons
        write_text(path, table, advance.encoding)
    if as_json:
        print_json(advice_json(advice))
    else:
        print_advice(
            advice, f"Advance in degrees before top dead centre; {now!r} is in the car.", "the best advance", 1
        )
        if path is not None:
            click.echo(f"table: {path}; per cell why: {companion(path)}")
    return 0
