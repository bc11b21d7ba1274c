"""steadypull recover: a session that was cut off, with what its journal still holds."""

import click

from ui.cli.options import new_file


@click.command("recover")
@click.argument("session_path", metavar="SESSION")
@click.option("-o", "out", metavar="NEW.h5", help="The new file.  [SESSION-recovered.h5]")
def command(session_path: str, out: str | None) -> int:
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
