"""steadypull survey: what a drive tells of the measuring chain, and what to change."""

import math
from typing import TYPE_CHECKING, Any

import click

from ui.cli.options import json_option
from ui.cli.paper import console, plain_table, say_words
from ui.text.cautions import SHORT

if TYPE_CHECKING:
    from stream.study.survey.records import Survey


@click.command("survey")
@click.argument("session_path", metavar="SESSION")
@click.option("--car", "car_path", metavar="CAR.toml", help="In place of the car file that the session carries.")
@json_option
def command(session_path: str, car_path: str | None, as_json: bool) -> int:
    """Survey the measuring chain: dead band, ceiling, noise, dropouts, ripple, lag, cross-talk, pulses per turn.

    JSON keys, always there; null is 'cannot be known from this drive', u_* are standard uncertainties.

    \b
    session     path rate_hz duration_s finished holds pulls
    channels[]  name role unit noise u_noise noise_rpm noise_microstrain scatter
                resolution resolution_rpm resolution_microstrain missing_cells
                spikes spikes_per_minute clipped_samples railed_samples
                lowest highest flat
    dropouts    lost_samples gaps gaps_per_minute longest_gap_s restarts
    speed       name calibrated dead_below_rpm u_dead_below_rpm
                ceiling_above_rpm u_ceiling_above_rpm ends_words
                ripple_rpm ripple_at_rpm ripple_hz ripple_left_rpm
                ripple_limit_rpm lag_s u_lag_s lag_from lag_in_car_file_s
                lag_places lag_words pulses_per_turn{measured u_measured
                per_turn name runner_up probability stated agrees words}
    load        name unit strong_pull cross_talk_pct{bounce brake turn}
                cross_talk_from cross_talk_words hop_hz u_hop_hz hop_rms
                hop_pct hop_left_pct firing_order firing_amplitude firing_pct
                cutoff_hz cutoff_advice_hz words
    steadiness  criterion critical step_s lag1 white agrees_pct
                holds[]{start_s end_s speed_rpm values agrees_pct}
    findings[]  what code channel grave value unit uncertainty words cure
    warnings[]
    """
    from stream.study.dataset import open_dataset
    from stream.study.survey.survey import survey_of
    from ui.cli.live_text import warn
    from ui.cli.options import given_car, say_foreign
    from ui.cli.results import print_json
    from ui.text.findings import say_all
    from ui.text.survey import survey_json

    with open_dataset(session_path, given_car(car_path)) as data:
        say_foreign([data], car_path)
        survey = survey_of(data)
    if as_json:
        print_json(survey_json(survey))
    else:
        say_words(SHORT)
        warn(say_all(survey.remarks))
        _print(survey)
    return 0


def _print(survey: "Survey") -> None:
    from ui.text.findings import say

    out = console()
    part = survey.session
    holds, pulls = (f"{n} {what}{'' if n == 1 else 's'}" for n, what in ((part.holds, "hold"), (part.pulls, "pull")))
    out.print(f"{part.duration_s:.1f} s at {part.rate_hz:.6g} Hz, {holds}, {pulls}")
    _print_channels(out, survey)
    for line in _about(survey):
        out.print(line)
    if not survey.findings:
        out.print("nothing to change was found")
    for finding in survey.findings:
        out.print(f"{'CHANGE' if finding.severity == 'warning' else 'look at'}: {say(finding)}")


def _print_channels(out: Any, survey: "Survey") -> None:
    table = plain_table("channel", "unit", "noise", "which is", "step", "which is", "spikes", "out of range")
    for column in table.columns[:2]:
        column.justify = "left"
    for channel in survey.channels:
        there = "rpm" if channel.noise_rpm is not None or channel.resolution_rpm is not None else "µm/m"
        noise = channel.noise_rpm if there == "rpm" else channel.noise_microstrain
        step = channel.resolution_rpm if there == "rpm" else channel.resolution_microstrain
        table.add_row(
            channel.name,
            channel.unit,
            _number(channel.noise),
            _number(noise, there),
            _number(channel.resolution),
            _number(step, there),
            str(channel.spikes),
            str(channel.clipped_samples),
        )
    out.print(table)
    out.print("noise is one standard deviation, step the smallest change that the recording can show")


def _number(value: float | None, unit: str = "") -> str:
    """Two figures, without an exponent; whole from 100 on."""
    if value is None or not math.isfinite(value):
        return "–"
    decimals = max(0, 1 - math.floor(math.log10(abs(value)))) if value else 0
    return f"{value:.{decimals}f} {unit}".strip()


def _about(survey: "Survey") -> list[str]:
    """What is known of speed, load and steadiness, a line each."""
    from ui.text.findings import say
    from ui.text.survey import ends_line, lag_line, talk_line, vibration_line

    lines = []
    speed, load, steadiness = survey.speed, survey.load, survey.steadiness
    if speed is not None:
        seen = f"ripple: {_number(speed.ripple_rpm, 'rpm')} at {speed.ripple_at_rpm or 0:.0f} rpm"
        ripple = "ripple: not seen" if speed.ripple_rpm is None else seen
        lines += [
            f"{speed.name}: {ends_line(speed)}",
            f"{ripple}; less than {_number(speed.ripple_limit_rpm, 'rpm')} could not be seen",
            f"pulses per turn: {say(speed.pulses_per_turn.said)}",
            f"lag: {lag_line(speed)}",
        ]
    if load is not None:
        talk = load.cross_talk_pct
        known = {"bounce": talk.bounce, "brake": talk.brake, "turn": talk.turn}
        parts = [f"{what} {value:+.1f} %" for what, value in known.items() if value is not None]
        lines += [
            f"{load.name}: {vibration_line(load)}",
            f"cross-talk: {', '.join([*parts, talk_line(load.cross_talk_from)])}",
        ]
    if steadiness is not None and steadiness.agrees_pct is not None:
        note = "" if steadiness.white else "; it is made for plain noise, and a foot wanders, so read it as a hint"
        lines.append(
            "a second, published test of steadiness (Cao and Rhinehart) calls "
            f"{steadiness.agrees_pct:.0f} % of the holds' time steady{note}"
        )
    return lines
