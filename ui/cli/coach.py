"""steadypull coach: the next pull to make, and the next advance to try."""

from typing import TYPE_CHECKING

import click

from ui.cli.options import band_option, history_option, json_option, read_day, sessions_argument
from ui.text.cautions import SHORT

if TYPE_CHECKING:
    from stream.door import Day
    from stream.study.tables.sweep_plan import SweepPlan


@click.command("coach")
@sessions_argument
@click.option(
    "--advance",
    "advance_path",
    metavar="ADVANCE.csv",
    help="As of 'advise-ignition': plan which advance to try next in which bands, and how many pulls each.",
)
@click.option("--now", metavar="LABEL", help="With --advance: the tune that is in the car now.")
@click.option("--within", type=float, default=2.0, metavar="DEG", help="How well the best is to be known, ±.  [2]")
@click.option("--step", type=float, default=2.0, metavar="DEG", help="The most that is tried beyond --now.  [2]")
@click.option("--none-heard", is_flag=True, help="A person listened for knock in the pulls of --now, and heard none.")
@band_option
@history_option
@json_option
def command(
    session_paths: tuple[str, ...],
    advance_path: str | None,
    now: str | None,
    within: float,
    step: float,
    none_heard: bool,
    width: float,
    history: str | None,
    as_json: bool,
) -> int:
    """What the day resolves, and the next pull to make: which tune, gear and direction; or 'settled'.

    With --advance and --now also a sweep: settings from less to more, none above what advise-ignition would permit.
    """
    from stream import coach
    from stream.errors import InputError
    from ui.cli.options import positive
    from ui.cli.paper import console, say_warnings, say_words
    from ui.cli.process import print_json
    from ui.text.comparison import coach_json, day_line, next_pull, plan_lines
    from ui.text.tables import others

    if (advance_path is None) != (now is None):
        raise InputError("--advance and --now belong together; give both, or neither")
    positive("--within", within)
    day = read_day(session_paths)
    advice = coach(day, history=history)
    plan = None
    if advance_path is not None and now is not None:
        plan = _plan(day, advance_path, now, within, step, none_heard, width, history)
    remarks = (*day.findings, *(() if plan is None else plan.findings))
    if as_json:
        print_json(coach_json(advice, remarks, plan))
        return 0
    out = console()
    out.print(day_line(advice.resolves))
    out.print(next_pull(advice))
    counts = ", ".join(f"{count} of {tune or 'no tune named'}" for tune, count in advice.pulls.items())
    out.print(f"Clean pulls so far: {counts or 'none'}.")
    if plan is not None and plan.tries:
        out.print(f"To know the best advance to ±{within:g}°, drive in this order, and stop at the first knock:")
        for line in plan_lines(plan, width):
            out.print(f"  {line}")
    say_warnings(out, others([*advice.findings, *remarks]))
    say_words(SHORT)
    return 0


def _plan(
    day: "Day",
    advance_path: str,
    now: str,
    within: float,
    step: float,
    none_heard: bool,
    width: float,
    history: str | None,
) -> "SweepPlan":
    """The sweep; what it proposes of more advance is kept beside the sessions, as a proposal of any command is."""
    import msgspec

    from stream.study.compare.scatter import PRIOR, known_scatter
    from stream.study.tables.ignition import advise_ignition
    from stream.study.tables.ignition_table import keep_steps
    from stream.study.tables.knock import Listening
    from stream.study.tables.sweep_plan import as_steps, plan_sweep
    from stream.study.tables.user_table import read_advance

    scatter = PRIOR if history == "none" else known_scatter(day.pulls, history, width)
    advice = advise_ignition(
        day.sessions, read_advance(advance_path), now, Listening(none_heard), step, width, scatter=scatter
    )
    plan = plan_sweep(advice, scatter, within)
    kept = keep_steps(day.sessions, now, as_steps(advice))
    return msgspec.structs.replace(plan, findings=(*kept, *plan.findings, *advice.findings))
