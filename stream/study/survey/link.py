"""The link as a whole: the height of a strong pull, cross-talk, and vibration against the live low-pass."""

from stream.events import Event
from stream.live.filters import cutoff_for
from stream.record.session import Session
from stream.study.dataset import Dataset
from stream.study.survey.crosstalk import cross_talk, strong_pull
from stream.study.survey.records import LoadSurvey
from stream.study.survey.speed import line_of
from stream.study.survey.stretch import Stretches
from stream.study.survey.vibration import find_firing, find_hop, passed

HOP_LEFT_PCT = 2.0  # of a strong pull: more of it shows in a curve
LOWEST_CUTOFF_HZ = 4.0  # a pull of 1 500 rpm/s needs this much for bands of 250 rpm


def load_survey(session: Session, study: Dataset, stretches: Stretches, events: tuple[Event, ...]) -> LoadSurvey:
    """The record of the load channel; the car has one, and it is in the session."""
    channel = study.car.need("load", "survey")
    column = session.info.names.index(channel.name)
    height = strong_pull(study)
    talk, talk_from = cross_talk(study, events, height)
    pulls = [(pull.start_s + 0.4, pull.end_s) for pull in study.pulls]
    holds = [(hold.start_s, hold.end_s) for hold in study.holds]
    hop = find_hop(stretches, column, pulls + holds)
    firing = None
    speed = study.car.by_role("engine_speed")
    if speed is not None and speed.name in session.info.names:
        line = line_of(study, speed)
        firing = find_firing(stretches, column, session.info.names.index(speed.name), pulls or holds, line)
    cutoff = cutoff_for(session.rate_hz, study.car.live.cutoff_hz)
    hop_pct = None if hop is None or height is None else 100.0 * hop.rms / height
    left = None if hop is None or hop_pct is None else hop_pct * passed(hop.hz, cutoff)
    advice = None
    if hop is not None and left is not None and left > HOP_LEFT_PCT:
        advice = max(LOWEST_CUTOFF_HZ, round(0.6 * hop.hz, 1))
    return LoadSurvey(
        name=channel.name, unit=session.info.channels[column].unit or channel.unit, strong_pull=height,
        cross_talk_pct=talk, cross_talk_from=talk_from,
        hop_hz=None if hop is None else hop.hz, u_hop_hz=None if hop is None else hop.u_hz,
        hop_rms=None if hop is None else hop.rms, hop_pct=hop_pct, hop_left_pct=left,
        firing_order=None if firing is None else firing.order,
        firing_amplitude=None if firing is None else firing.amplitude,
        firing_pct=None if firing is None or height is None else 100.0 * firing.amplitude / height,
        cutoff_hz=cutoff, cutoff_advice_hz=advice,
    )  # fmt: skip
