"""steadypull survey: what a drive tells of the measuring chain, and what to change."""

import click

from ui.cli.options import json_option
from ui.cli.paper import print_parts, say_words
from ui.text.cautions import SHORT


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
    from ui.cli.process import print_json
    from ui.text.chain import survey_parts
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
        print_parts(survey_parts(survey))
    return 0
