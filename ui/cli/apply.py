"""steadypull apply: attach a calibration to sessions."""

import click


@click.command("apply")
@click.argument("speed_path", metavar="SPEED.toml")
@click.argument("paths", nargs=-1, required=True, metavar="SESSION…")
def command(speed_path: str, paths: tuple[str, ...]) -> int:
    """Attach a calibration to sessions: from now on their speeds are reported by it.

    What was recorded stays as it is, and so does every calibration that was attached before.
    """
    from stream.calibrate.speed.calfile import load_calibration
    from stream.study.edit import apply_calibration
    from ui.cli.live_text import warn
    from ui.cli.paper import say_words
    from ui.text.figures import moment
    from ui.text.findings import say

    calibration = load_calibration(speed_path)
    warn(f"{path}: {say(finding)}" for path, finding in apply_calibration(calibration, paths, say))
    made = moment(calibration.when) if calibration.when else "at an unknown time"
    for path in paths:
        say_words(f"{path}: speeds are now by {speed_path}, made {made}")
    return 0
