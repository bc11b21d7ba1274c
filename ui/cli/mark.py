"""steadypull mark: what a person says of holds and pulls after the drive."""

from typing import TYPE_CHECKING, Any

import click

from ui.cli.air import altitude_option, keep_air_option, weather_of
from ui.cli.options import json_option

if TYPE_CHECKING:
    from stream.record.tables import Heard

WORDS = {0: "", 1: "keep", -1: "drop"}  # of a pull, in JSON


@click.command("mark")
@click.argument("paths", metavar="SESSION…", nargs=-1, required=True)
@click.option("--drop-hold", multiple=True, type=int, metavar="N", help="Hold N does not count.")
@click.option("--accept-hold", multiple=True, type=int, metavar="N", help="Hold N counts (again).")
@click.option("--retarget", multiple=True, metavar="N=RPM", help="Hold N was this speed; N= takes that back.")
@click.option("--drop-pull", multiple=True, type=int, metavar="N", help="Pull N is left out.")
@click.option("--keep-pull", multiple=True, type=int, metavar="N", help="Pull N is used though it is flawed.")
@click.option("--clear-pull", multiple=True, type=int, metavar="N", help="Pull N by its verdict (again).")
@click.option("--heard", metavar="RPM-RPM,…", help="Knock was heard at these speeds; it counts in every later advice.")
@click.option("--none-heard", is_flag=True, help="A person listened for knock and heard none.")
@click.option("--forget-heard", is_flag=True, help="Take back what was heard, or heard not.")
@click.option(
    "--pull",
    type=click.IntRange(min=1),
    metavar="N",
    help="What is heard, or forgotten, is said of pull N; without it of the session.",
)
@keep_air_option
@altitude_option
@click.option("--note", default="", metavar="TEXT", help="Add a line to the session's note.")
@json_option
def command(
    paths: tuple[str, ...],
    drop_hold: tuple[int, ...],
    accept_hold: tuple[int, ...],
    retarget: tuple[str, ...],
    drop_pull: tuple[int, ...],
    keep_pull: tuple[int, ...],
    clear_pull: tuple[int, ...],
    heard: str | None,
    none_heard: bool,
    forget_heard: bool,
    pull: int | None,
    air: str | None,
    altitude: float | None,
    note: str,
    as_json: bool,
) -> int:
    """Accept, drop or retarget holds, keep or drop pulls, what was heard, the air, a note; bare: show it all.

    Numbers are those of the tables that 'replay' prints, from 1. What was recorded stays as it is. With several
    sessions, what is said is said of each; a hold or a pull is named in one session alone.
    """
    from stream.record.tables import PullMark
    from stream.study.dataset import each_once, open_dataset
    from stream.study.edit import Marks, mark_session, one_deed
    from ui.cli.process import print_json

    holds = {**dict.fromkeys(drop_hold, False), **dict.fromkeys(accept_hold, True)}
    pulls: dict[int, PullMark] = {}
    said = ((PullMark(kept=-1), drop_pull), (PullMark(kept=1), keep_pull), (PullMark(), clear_pull))
    for mark, numbers in said:
        if twice := pulls.keys() & set(numbers):
            raise click.UsageError(f"pull {min(twice)} is marked in two ways; keep one")
        pulls |= dict.fromkeys(numbers, mark)
    if twice := set(drop_hold) & set(accept_hold):
        raise click.UsageError(f"hold {min(twice)} is dropped and accepted; keep one")
    if pull is not None and not (heard or none_heard or forget_heard):
        raise click.UsageError("--pull says of which pull --heard, --none-heard or --forget-heard is; give one of them")
    if len(paths) > 1 and (holds or retarget or pulls or pull is not None):
        raise click.UsageError("numbers of holds and pulls belong to one session; name one")
    if none_heard and heard:
        raise click.UsageError("--heard and --none-heard: either knock was heard or it was not; give one")
    forget = None if not forget_heard else -1 if pull is None else pull
    marks = Marks(
        holds,
        dict(_target(text) for text in retarget),
        pulls,
        heard=_heard(heard, none_heard, pull or 0),
        forget=forget,
        air=weather_of(air, altitude),
        note=note,
    )
    if any((marks.holds, marks.targets, marks.pulls, marks.heard, forget is not None, marks.air, marks.note)):
        each_once(paths)
        for path in paths:
            with open_dataset(path) as data:  # what could not be shown afterwards is refused before any is changed
                _ = data.holds, data.pulls
        together = one_deed(len(paths))
        for path in paths:
            mark_session(path, marks, together)
    if as_json:
        rows = [_json(path) for path in paths]
        print_json(rows[0] if len(rows) == 1 else rows)
        return 0
    for path in paths:
        if len(paths) > 1:
            click.echo(f"{path}:")
        _show(path)
    return 0


def _target(text: str) -> tuple[int, float | None]:
    number, equals, rpm = text.partition("=")
    try:
        if equals:
            return int(number), float(rpm) if rpm.strip() else None
    except ValueError:
        pass
    raise click.UsageError(f"--retarget: {text!r} is not N=RPM; write it as 3=2500")


def _heard(heard: str | None, none_heard: bool, pull: int) -> "list[Heard]":
    """What is said of a pull, or of the session (0)."""
    from datetime import UTC, datetime

    from stream.record.tables import Heard
    from ui.cli.options import speed_ranges

    said = datetime.now(UTC).isoformat(timespec="seconds")
    if none_heard:
        return [Heard(pull=pull, heard=False, said_utc=said)]
    ranges = () if heard is None else speed_ranges("--heard", heard)
    return [Heard(pull=pull, rpm_from=low, rpm_to=high, heard=True, said_utc=said) for low, high in ranges]


def _json(path: str) -> dict[str, Any]:
    import msgspec

    from stream.study.dataset import open_dataset

    with open_dataset(path) as session:
        holds, pulls = (
            zip(session.holds, session.hold_marks, strict=True),
            zip(session.pulls, session.pull_marks, strict=True),
        )
    return {
        "holds": [
            {
                "number": number,
                "start_s": hold.start_s,
                "speed_rpm": hold.speed_rpm,
                "accepted": mark.accepted,
                "target_rpm": mark.target_rpm,
            }
            for number, (hold, mark) in enumerate(holds, start=1)
        ],
        "pulls": [
            {"number": number, "start_s": pull.start_s, "verdict": pull.verdict, "mark": WORDS[mark.kept]}
            for number, (pull, mark) in enumerate(pulls, start=1)
        ],
        "heard": [msgspec.to_builtins(row) for row in session.heard],
        "air": None if session.weather is None else msgspec.to_builtins(session.weather),
    }


def _show(path: str) -> None:
    from stream.study.dataset import open_dataset
    from ui.text.figures import one_line

    def tell(text: str) -> None:
        click.echo(one_line(text))  # a session may come from a stranger: no escape of its reaches the terminal

    session = open_dataset(path)
    for number, (hold, hold_mark) in enumerate(zip(session.holds, session.hold_marks, strict=True), start=1):
        target = "" if hold_mark.target_rpm is None else f", marked {hold_mark.target_rpm:g} rpm"
        state = "" if hold_mark.accepted else ", dropped"
        tell(f"hold {number}: {hold.start_s:.1f} s, {hold.speed_rpm:.0f} rpm{target}{state}")
    for number, (pull, pull_mark) in enumerate(zip(session.pulls, session.pull_marks, strict=True), start=1):
        state = {0: "", 1: ", kept", -1: ", dropped"}[pull_mark.kept]
        why = f": {', '.join(pull.faults)}" if pull.faults else ""
        tell(f"pull {number}: {pull.start_s:.1f} s, {pull.verdict}{why}{state}")
    if (air := session.weather) is not None:
        tell(f"air: {air.temperature_c:g} °C, {air.pressure_hpa:.1f} hPa, {air.humidity_pct:g} %")
    for row in session.heard:
        of = f"pull {row.pull}" if row.pull else "the session"
        span = "" if row.rpm_from is None else f" from {row.rpm_from:g} to {row.rpm_to:g} rpm"
        tell(f"{of}: {'knock was heard' if row.heard else 'listened, no knock heard'}{span}")
    if session.note:
        for text in session.note.splitlines():
            tell(f"note: {text}")
