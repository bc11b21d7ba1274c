"""steadypull explain: what a word of this program means."""

import click

from ui.cli.options import json_option

HEADS = {"quantity": "Quantities", "fault": "Faults of a pull", "exit-code": "Exit codes", "finding": "Findings"}


@click.command("explain")
@click.argument("term", metavar="[TERM]", nargs=-1)
@json_option
def command(term: tuple[str, ...], as_json: bool) -> int:
    """A quantity, a fault, a finding's code or an exit code in two sentences, with formula and source.

    Without TERM it lists them all.
    """
    from dataclasses import asdict

    from ui.cli.process import print_json
    from ui.text.reference import in_words, page, pages

    if term:
        found = page(" ".join(term))
        if as_json:
            print_json(asdict(found))
        else:
            for line in in_words(found):
                _say(line)
        return 0
    known = pages()
    if as_json:
        print_json({"terms": [asdict(one) for one in known.values()]})
        return 0
    for kind in HEADS:
        names = [name for name, one in known.items() if one.kind == kind]
        _say(f"{HEADS[kind]}:")
        _say(", ".join(names), "    ")
    return 0


def _say(text: str, indent: str = "") -> None:
    """Wrapped between words on a terminal, whole in a pipe."""
    import shutil
    import sys
    import textwrap

    if sys.stdout.isatty():
        width = max(40, shutil.get_terminal_size().columns)
        text = textwrap.fill(
            text,
            width,
            initial_indent=indent,
            subsequent_indent=indent,
            break_on_hyphens=False,
            break_long_words=False,
        )
    click.echo(text)
