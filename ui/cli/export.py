"""steadypull export and recover: a part of a session as a file; one that was cut off, whole."""

import click

from ui.cli.options import new_file


@click.command("export")
@click.argument("session_path", metavar="SESSION")
@click.option(
    "-o",
    "out",
    required=True,
    metavar="FILE",
    help="The new file; its ending says the format: .csv, .parquet, .mat (MATLAB) or .nc (netCDF).",
)
@click.option(
    "--part",
    type=click.Choice(("live", "holds", "pulls", "raw")),
    default="live",
    help="live: time, speed, load, signal; holds or pulls: a row each; raw: every sample as recorded.  [live]",
)
def command(session_path: str, out: str, part: str) -> int:
    """Write a part of a session to a file, units in the heads of its columns. The session is not changed."""
    from typing import cast

    from stream.study.export import What, export_session
    from ui.cli.paper import progress

    target = new_file("-o", out)
    if target is None:
        raise TypeError("-o is required")
    with progress("writing", 1) as tell:
        rows = export_session(session_path, target, cast(What, part), lambda done, whole: tell(done / max(whole, 1)))
    click.echo(f"{target}: {rows} row{'' if rows == 1 else 's'} written")
    return 0


@click.command("recover")
@click.argument("session_path", metavar="SESSION")
@click.option("-o", "out", metavar="NEW.h5", help="The new file.  [SESSION-recovered.h5]")
def recover_command(session_path: str, out: str | None) -> int:
    """Join a session that was cut off while recording with its journal, into a new file; the old one stays."""
    from stream.record.session import open_session
    from stream.study.take_in import recover_all
    from ui.cli.live_text import warn
    from ui.text.findings import say_all

    new, found = recover_all(session_path, new_file("-o", out))
    warn(say_all(found))
    with open_session(new) as session:
        click.echo(f"{new}: {session.duration_s:.1f} s, {session.rows} rows", err=True)
        click.echo("Its holds and pulls: steadypull replay " + str(new), err=True)
    return 0
