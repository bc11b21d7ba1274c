"""The survey of one session: everything put together."""

from pathlib import Path

from stream.car import Car
from stream.findings import Finding, warning
from stream.live.settings import SLOWEST_PULLS_HZ
from stream.record.session import Session
from stream.study.dataset import Dataset, open_dataset
from stream.study.survey.channels import channel_survey, dropouts, tally_channels
from stream.study.survey.findings import chain_findings, load_findings, speed_findings
from stream.study.survey.link import load_survey
from stream.study.survey.records import ChannelSurvey, SessionPart, Survey
from stream.study.survey.speed import line_of, speed_survey
from stream.study.survey.steady import second_criterion
from stream.study.survey.stretch import Stretches


def survey_session(path: str | Path, car: Car | None = None) -> Survey:
    """Survey a session; `car` in place of the car file in it. Raises InputError, one line with the cure."""
    with open_dataset(path, car) as data:
        return survey_of(data)


def survey_of(data: Dataset) -> Survey:
    """Survey an open session, finished or cut off. Memory stays flat.

    Raises InputError, one line with the cure.
    """
    known = data.first("engine_speed") is not None and data.rows > 0
    return _survey(data.session, data.car, data if known else None)


def _survey(session: Session, car: Car, study: Dataset | None) -> Survey:
    stretches = Stretches(session)
    gone = dropouts(session)
    channels = _channels(session, car, study)
    speed = load = steadiness = None
    if study is not None:
        speed = speed_survey(session, study, stretches)
        steadiness = second_criterion(stretches, session.info.names.index(speed.name), study.holds)
        link = car.by_role("load")
        if link is not None and link.name in session.info.names:
            load = load_survey(session, study, stretches, session.events)
    findings = list(chain_findings(channels, gone, session.rows, session.rate_hz, car, load))
    if speed is not None:
        findings.extend(speed_findings(speed))
    if load is not None:
        findings.extend(load_findings(load))
    findings.sort(key=lambda finding: finding.severity != "warning")
    return Survey(
        session=SessionPart(
            path=str(session.path),
            rate_hz=session.rate_hz,
            duration_s=session.duration_s,
            finished=session.finished,
            holds=0 if study is None else len(study.holds),
            pulls=0 if study is None else len(study.pulls),
        ),
        channels=channels,
        dropouts=gone,
        speed=speed,
        load=load,
        steadiness=steadiness,
        findings=tuple(findings),
        remarks=tuple(_remarks(session, study)),
    )


def _channels(session: Session, car: Car, study: Dataset | None) -> tuple[ChannelSurvey, ...]:
    minutes = max(session.duration_s / 60.0, 1e-9)
    surveyed = []
    for told, tally in zip(session.info.channels, tally_channels(session, car), strict=True):
        channel = car.by_name(told.name)
        is_speed = study is not None and channel is not None and channel.role == "engine_speed"
        slope = line_of(study, channel)[0] if study is not None and channel is not None and is_speed else None
        stuck = [stretch.signal for stretch in study.pinned] if study is not None and is_speed else []
        surveyed.append(channel_survey(told.name, told.unit, tally, channel, slope, minutes, stuck))
    return tuple(surveyed)


def _remarks(session: Session, study: Dataset | None) -> list[Finding]:
    """What the survey could not see, and why."""
    found = []
    if not session.rows:
        found.append(warning("survey-no-samples"))
    elif study is None:
        found.append(warning("survey-no-speed"))
    elif not study.holds:
        found.append(warning("survey-no-hold"))
    if not session.finished:
        found.append(warning("survey-cut-off"))
    if session.rate_hz < SLOWEST_PULLS_HZ:
        found.append(warning("survey-too-slow", rate_hz=session.rate_hz))
    return found
