"""steadypull zero: declare a stretch as zero load."""

import click

from ui.cli.options import json_option


@click.command("zero")
@click.argument("path", metavar="SESSION")
@click.option("--from", "start_s", type=float, required=True, metavar="S", help="Where the stretch begins.")
@click.option("--to", "end_s", type=float, required=True, metavar="S", help="Where it ends, two seconds later or more.")
@click.option("--rolling", is_flag=True, help="A free roll in neutral, in place of standing.")
@json_option
def command(path: str, start_s: float, end_s: float, rolling: bool, as_json: bool) -> int:
    """Declare that the link carried nothing in this stretch: in neutral, brakes off, on the level.

    Take a second one from a free roll in neutral: the gap between the two is what one alone cannot show.
    """
    import math

    import msgspec

    from stream.study.edit import declare_zero
    from ui.cli.results import print_json

    zero, unit = declare_zero(path, start_s, end_s, rolling=rolling)
    if as_json:
        print_json({**msgspec.to_builtins(zero), "unit": unit})
    else:
        doubt = 1.96 * zero.doubt
        decimals = max(0, 1 - math.floor(math.log10(doubt))) if doubt > 0 else 6
        value = f"{zero.mean:.{decimals}f} ± {doubt:.{decimals}f} {unit}".rstrip()
        click.echo(f"zero from {start_s:g} to {end_s:g} s: {value} (95 %)")
    return 0
