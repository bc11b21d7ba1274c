"""steadypull advise-ignition: the next cautious step of the ignition table."""

import click

from ui.cli.options import json_option
from ui.cli.study_options import band_option, sessions_argument


@click.command("advise-ignition")
@sessions_argument
@click.option(
    "--advance",
    "advance_path",
    required=True,
    metavar="ADVANCE.csv",
    help="Columns tune,rpm,advance at full load; or the table of the tune in the car: first row manifold_pressure or "
    "throttle and its values, first column rpm. A logged advance channel counts before it.",
)
@click.option("--now", required=True, metavar="LABEL", help="The tune that is in the car now.")
@click.option(
    "--listening-note",
    metavar="TEXT",
    help="What a person who listened for knock heard, in words. Without it or a logged knock channel nothing gets more "
    "advance.",
)
@click.option("--step", type=float, default=2.0, metavar="DEG", help="The most that is proposed at once.  [2]")
@band_option
@json_option
def command(session_paths: tuple[str, ...], advance_path: str, now: str, listening_note: str | None, step: float,
            width: float, as_json: bool) -> int:  # fmt: skip
    """Next step of the advance in each rev band and part-load cell: a proposal with its evidence; a person decides."""
    import msgspec

    from stream.study.dataset import open_datasets
    from stream.study.tables.ignition_advice import advise_ignition
    from stream.study.tables.user_table import read_advance
    from ui.cli.advice_text import print_advice
    from ui.cli.results import print_json

    advance = read_advance(advance_path)
    advice = advise_ignition(open_datasets(session_paths), advance, now, listening_note, step, width)
    if as_json:
        print_json(msgspec.to_builtins(advice))
    else:
        print_advice(
            advice, f"Advance in degrees before top dead centre; {now!r} is in the car.", "the best advance", 1
        )
    return 0
