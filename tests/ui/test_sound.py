"""Cues as the ear gets them: pitch by spectrum, rhythm by envelope, urgency by what is played first."""

import itertools

import numpy as np
import pytest
from scipy import signal

from stream.events import KINDS, Event
from ui.sound import CUES, SAMPLE_RATE, Chooser, MiniaudioPlayer, cue_for, wave


def envelope_runs(samples: np.ndarray) -> list[tuple[bool, float]]:
    """(sounding, seconds) of each stretch of a cue, from the samples alone."""
    level = np.abs(signal.hilbert(np.pad(samples, 480)))
    sounding = level > 0.5 * level.max()
    edges = np.flatnonzero(np.diff(sounding)) + 1
    return [(bool(part[0]), len(part) / SAMPLE_RATE) for part in np.split(sounding, edges)][1:-1]


@pytest.mark.parametrize("name", sorted(CUES))
def test_energy_lies_between_1_and_3_khz(name: str) -> None:
    """A cue's energy lies where an engine leaves room: 1 to 3 kHz."""
    frequencies, power = signal.periodogram(wave(CUES[name]), SAMPLE_RATE)
    inside = power[(frequencies >= 1000) & (frequencies <= 3000)].sum() / power.sum()

    assert inside > 0.98


@pytest.mark.parametrize("name", sorted(CUES))
def test_stays_inside_full_scale_and_is_short(name: str) -> None:
    """No cue clips, and each is short."""
    samples = wave(CUES[name])

    assert samples.dtype == np.float32
    assert np.abs(samples).max() <= 1.0
    assert 0.2 < len(samples) / SAMPLE_RATE < 1.5


def test_rhythms_differ_without_pitch() -> None:
    """Any two cues differ in how many notes they have, or in a note or pause by a factor of 1.8 at least."""
    for one, other in itertools.combinations(sorted(CUES), 2):
        first, second = envelope_runs(wave(CUES[one])), envelope_runs(wave(CUES[other]))
        if len(first) == len(second):
            factors = [max(a, b) / min(a, b) for (_, a), (_, b) in zip(first, second, strict=True)]
            assert max(factors) > 1.8, (one, other, factors)


def test_lift_is_the_loudest_and_the_fastest() -> None:
    """The cue to lift is the loudest and the fastest."""
    loudness = {name: float(np.sqrt((wave(cue) ** 2).mean())) for name, cue in CUES.items()}
    longest_note = {name: max(length for on, length in envelope_runs(wave(cue)) if on) for name, cue in CUES.items()}

    assert max(loudness, key=loudness.__getitem__) == "lift"
    assert min(longest_note, key=longest_note.__getitem__) == "lift"


def test_onsets_are_where_the_sound_begins() -> None:
    """Notes begin where the cue says."""
    for cue in CUES.values():
        runs = envelope_runs(wave(cue))
        begun = [sum(length for _, length in runs[:place]) for place in range(0, len(runs), 2)]
        assert begun == pytest.approx(np.subtract(cue.onsets_s, cue.onsets_s[0]), abs=0.01)


def event(number: int, kind: str) -> Event:
    return Event(number, float(number), kind, "")


def test_which_event_makes_which_cue() -> None:
    """Each event has its cue."""
    heard = {kind: cue.name for kind in KINDS if (cue := cue_for(event(1, kind))) is not None}

    assert heard == {
        "hold-began": "hold-reached",
        "hold-broken": "hold-broken",
        "pull-done": "pull-caught",
        "target": "target-taken",
        "zero": "target-taken",
        "gap": "data-fault",
        "clipped": "data-fault",
        "fault": "data-fault",
        "device-away": "data-fault",
        "limit": "lift",
        "limit-blind": "not-watched",
    }


def test_a_flawed_pull_is_heard_as_one() -> None:
    """The verdict by ear: a clean pull and a flawed one have cues of their own."""
    done = [Event(1, 1.0, "pull-done", "", details={"pull": {"verdict": word}}) for word in ("clean", "flawed")]

    assert [cue_for(one).name for one in done] == ["pull-caught", "pull-flawed"]


def test_nothing_resembles_the_cue_of_a_limit() -> None:
    """Three times as many notes as any other cue, and a third higher at the least: it is known by either alone."""
    highest = {name: max(note.hz for note in cue.notes) for name, cue in CUES.items()}
    others = [name for name in CUES if name != "lift"]

    assert len(CUES["lift"].notes) > 3 * max(len(CUES[name].notes) for name in others)
    assert min(note.hz for note in CUES["lift"].notes) > 1.3 * max(highest[name] for name in others)


def test_the_most_urgent_wins_and_a_storm_of_faults_is_heard_once() -> None:
    """Of several events the gravest is heard; many faults are heard once."""
    now = [0.0]
    chooser = Chooser(clock=lambda: now[0])
    storm = [event(number, "gap") for number in range(1, 50)]
    assert chooser.choose([*storm, event(50, "limit")]).name == "lift"
    assert chooser.choose(storm).name == "data-fault"
    now[0] = 1.0
    assert chooser.choose([*storm, event(51, "hold-began")]).name == "hold-reached"
    assert chooser.choose(storm) is None
    now[0] = 4.0
    assert chooser.choose(storm).name == "data-fault"
    chooser.on["data-fault"] = False
    now[0] = 9.0
    assert chooser.choose(storm) is None


class Card:
    """Stands for the sound card: keeps the generator that it is to ask for samples."""

    def start(self, feeding: object) -> None:
        self.feeding = feeding

    def close(self) -> None:
        self.closed = True


def test_the_card_gets_exactly_the_cue_then_silence() -> None:
    """The sound card gets the cue's samples and then silence."""
    card = Card()
    player = MiniaudioPlayer(card)
    player.play(CUES["lift"])
    player.play(CUES["hold-reached"])  # less urgent: may not cut a lift short
    expected = wave(CUES["lift"])
    got = np.concatenate([np.frombuffer(card.feeding.send(size), np.float32) for size in (7, 1000, 48_000, 12_000)])
    player.close()

    assert np.array_equal(got[: len(expected)], expected)
    assert not got[len(expected) :].any()
    assert card.closed
