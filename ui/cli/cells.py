"""steadypull cells: which cells of a table the drives reached."""

import click

from ui.cli.options import json_option, sessions_argument
from ui.text.cautions import SHORT


@click.command("cells")
@sessions_argument
@click.option(
    "--table",
    "table_path",
    required=True,
    metavar="TABLE.csv",
    help="Any table of yours: rpm against manifold pressure or throttle. Its cells are not used, only its axes.",
)
@json_option
def command(session_paths: tuple[str, ...], table_path: str, as_json: bool) -> int:
    """Seconds, visits, spread of load and full-load pulls in each cell of your table, and where to drive next.

    Rows and columns stand as in the table. A session without the table's second axis has its pulls placed at full load.
    """
    from contextlib import ExitStack

    from stream.study.dataset import open_datasets
    from stream.study.tables.reached import cells_reached
    from stream.study.tables.user_table import read_table
    from ui.cli.paper import console, plain_table, say_warnings, say_words
    from ui.cli.process import print_json
    from ui.text.cells import IN_TERMINAL, cells_json, next_lines, reached_map, summary
    from ui.text.findings import say_all

    table = read_table(table_path)
    with ExitStack() as stack:
        sessions = [stack.enter_context(session) for session in open_datasets(session_paths)]
        reached = cells_reached(sessions, table)
    if as_json:
        print_json(cells_json(reached))
        return 0
    out = console()
    out.print(summary(reached))
    shown = reached_map(reached, table)
    heads, *lines = shown.words()
    grid = plain_table(*heads)
    for line in lines:
        grid.add_row(*line)
    out.print(grid)
    out.print(IN_TERMINAL)
    if reached.next:
        out.print("Drive here next:")
        for words in next_lines(reached.next, reached.unit):
            out.print(f"  {words}")
    say_warnings(out, say_all(reached.findings))
    say_words(SHORT)
    return 0
