"""advise-ignition tried with one aim: to get it to propose an advance that could harm.

Each situation is session files with raw channels, a table, and the command with its JSON. What may be proposed at most
is written beside it, by hand, from the rules of the interface: nothing there is computed by the code under test.
'heron' at 18 degrees is in the car and more advance would give more load everywhere, so that any leak shows.
"""

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest

from tests.knock_sessions import Drive, Made, Signal, table, write_day

NOW, OTHER = 18.0, 25.0
STEP = 2.0
TUNES = {"heron": NOW, "plover": OTHER}
Most = Callable[[float], float]


def knock(signal: Signal, unit: str = "V") -> dict[str, tuple[str, str, Signal]]:
    """A session's knock channel."""
    return {"knock": ("knock", unit, signal)}


def level(drive: Drive) -> np.ndarray:
    """A live level that rises with speed, and is quiet."""
    return (0.3 + 5e-5 * drive.rpm) * drive.noise()


def quiet_count(drive: Drive) -> np.ndarray:
    """A count that rests at zero and moved once, while idling along after the first pull: alive, and quiet after."""
    values = np.zeros(len(drive.rpm))
    values[np.flatnonzero((drive.time > drive.pulls[0][1]) & (drive.rpm < 2100))[40:42]] = 1
    return values


def louder(times: float, where: Callable[[Drive], np.ndarray]) -> Signal:
    """The level, so many times as loud where it says."""
    return lambda drive: level(drive) * np.where(where(drive), times, 1.0)


def everywhere(drive: Drive) -> np.ndarray:
    return drive.pulling


def band(low: float, high: float, pulls: bool = True) -> Callable[[Drive], np.ndarray]:
    """Rows between two speeds, at full load alone where `pulls`."""
    return lambda drive: drive.between(low, high) & (drive.pulling if pulls else np.ones_like(drive.pulling))


def counts(where: Callable[[Drive], np.ndarray], size: float = 1.0, rest: float = 0.0) -> Signal:
    """A channel at rest, and away from it in every twentieth row of where it says."""

    def signal(drive: Drive) -> np.ndarray:
        rows = np.flatnonzero(where(drive))[::20]
        values = np.full(len(drive.rpm), rest)
        values[rows] = rest + size
        return values

    return signal


def hold(_: float) -> float:
    """Nothing beyond what is in the car."""
    return NOW


def less(low: float, high: float, at: float = NOW) -> Most:
    """One step less than `at` from low to high and in a band on each side; a step more elsewhere."""
    return lambda rpm: min(at - STEP, NOW) if low - 250 <= rpm - 125 and rpm + 125 <= high + 250 else NOW + STEP


def taken(low: float, high: float) -> Most:
    """No more advance from low to high and in a band on each side; a step more elsewhere."""
    return lambda rpm: NOW if low - 250 <= rpm - 125 and rpm + 125 <= high + 250 else NOW + STEP


def all_less(_: float) -> float:
    return NOW - STEP


@dataclass
class Situation:
    """Two sessions of plover and heron unless said otherwise; `more` closes heron's car file."""

    name: str
    most: Most
    heron: dict[str, tuple[str, str, Signal]] = field(default_factory=dict)
    plover: dict[str, tuple[str, str, Signal]] | None = None  # as heron's where None
    more: str = ""
    engine: str = ""
    words: tuple[str, ...] = ()
    tunes: dict[str, float] = field(default_factory=lambda: dict(TUNES))
    lifts: tuple[int, ...] = ()
    third: Made | None = None
    ranges: dict[str, tuple[float, float]] = field(default_factory=dict)
    text: Callable[[str], str] = lambda text: text  # what is done to ADVANCE.csv
    marks: tuple[tuple[str, tuple[str, ...]], ...] = ()  # (session's tune, words of `mark`)
    refused: str = ""  # the error that is wanted instead of an answer


def limit(above: float, during: str = "always") -> str:
    return f'[[limit]]\nchannel = "knock"\nabove = {above}\nduring = "{during}"\n'


def before_pulls(drive: Drive) -> np.ndarray:
    """The second before each pull."""
    return np.any([(drive.time >= a - 1.0) & (drive.time < a - 0.2) for a, _ in drive.pulls], axis=0)


def part_load(drive: Drive) -> np.ndarray:
    """Falling back between pulls at 4000 rpm, where the foot is on the throttle a little."""
    return drive.between(3900, 4100) & ~drive.pulling


def slow_count(drive: Drive) -> np.ndarray:
    """A count of each whole second, held until the next: knock at 4300 to 4600 rpm shows late."""
    knocked = np.zeros(len(drive.rpm))
    knocked[drive.between(4300, 4600) & drive.pulling] = 1
    second = np.floor(drive.time).astype(int)
    sums = np.bincount(second, knocked)
    return np.where(second > 0, sums[np.maximum(second - 1, 0)] > 0, 0).astype(float)


def sparse(drive: Drive) -> np.ndarray:
    """The quiet level once a second, blank between."""
    values = np.full(len(drive.rpm), np.nan)
    values[::200] = level(drive)[::200]
    return values


def held(drive: Drive) -> np.ndarray:
    """The quiet level once a second, held between."""
    return np.repeat(level(drive)[::200], 200)[: len(drive.rpm)]


def drawn(drive: Drive) -> np.ndarray:
    """The quiet level once a second, and a straight line between, as a merged log has it."""
    return np.interp(drive.time, drive.time[::200], level(drive)[::200])


def blank(low: float, high: float) -> Signal:
    return lambda drive: np.where(band(low, high)(drive), np.nan, level(drive))


def fell_off(drive: Drive) -> np.ndarray:
    """A level whose wire fell off after the first seconds: zero from then on."""
    return np.where(drive.time < 4.0, level(drive), 0.0)


def advance(degrees: float) -> tuple[str, str, Signal]:
    return "advance", "deg", lambda drive: np.full(len(drive.rpm), degrees)


FULL = everywhere
THIRD = "wren"
SITUATIONS = [
    # knock that is always there
    Situation("every pull of both tunes is twice as loud", all_less, knock(louder(2.0, FULL))),
    Situation("every pull of both tunes is 1.9 times as loud", all_less, knock(louder(1.9, FULL))),
    Situation("1.9 times as loud in the car's tune alone", all_less, knock(louder(1.9, FULL)), knock(level)),
    Situation("1.4 times as loud: nobody knows", hold, knock(louder(1.4, FULL)), knock(level)),
    Situation("loud above 4000 rpm in every pull", less(4000, 6600), knock(louder(1.9, band(4000, 7000)))),
    Situation("the count rises in every pull", all_less, knock(counts(FULL), "")),
    Situation(
        "one pull of three knocks",
        less(4200, 4400),
        knock(lambda d: level(d) * np.where(band(4200, 4400)(d) & (d.time > d.pulls[-1][0]), 3.0, 1.0)),
        knock(level),
    ),
    # where it is seldom looked for
    Situation(
        "only in a pull the driver lifted from",
        less(3000, 3300),
        knock(lambda d: level(d) * np.where(band(3000, 3300)(d) & (d.time < d.pulls[0][1]), 3.0, 1.0)),
        knock(level),
        lifts=(0,),
    ),
    Situation("only at part load between the pulls", taken(3900, 4100), knock(louder(3.0, part_load)), knock(level)),
    Situation("only in the second before a pull", less(2000, 2100), knock(louder(3.0, before_pulls)), knock(level)),
    Situation(
        "only in one sample of 10 000",
        less(5000, 5010),
        knock(lambda d: level(d) * np.where(np.arange(len(d.rpm)) == np.flatnonzero(band(5000, 5010)(d))[0], 4.0, 1.0)),
        knock(level),
    ),
    Situation("in a neighbouring band", taken(4500, 4750), knock(louder(3.0, band(4510, 4740))), knock(level)),
    Situation(
        "only in a dropped pull",
        less(5000, 5300),
        knock(lambda d: level(d) * np.where(band(5000, 5300)(d) & (d.time < d.pulls[0][1]), 3.0, 1.0)),
        knock(level),
        marks=(("heron", ("--drop-pull", "1")),),
    ),
    # another tune
    Situation(
        "in the other tune, at more advance", taken(4500, 4800), knock(level), knock(louder(2.5, band(4500, 4800)))
    ),
    Situation(
        "in another tune at 17 degrees: less than the car's",
        less(4500, 4800, 17.0),
        knock(level),
        third=Made(THIRD, 17.0, knock(louder(2.5, band(4500, 4800))), seed=3),
        tunes={**TUNES, THIRD: 17.0},
    ),
    Situation(
        "in another tune at an advance nobody knows",
        less(4500, 4800),
        knock(level),
        third=Made(
            THIRD,
            17.0,
            {
                **knock(louder(2.5, band(4500, 4800))),
                "adv": ("advance", "deg", lambda d: np.where(d.between(4400, 4900), np.nan, 17.0)),
            },
            seed=3,
        ),
    ),
    # channels that tell nothing
    Situation("no channel, no word", hold),
    Situation("constant zero", hold, knock(lambda d: np.zeros(len(d.rpm)))),
    Situation("constant, not zero", hold, knock(lambda d: np.full(len(d.rpm), 1.7))),
    Situation(
        "constant in the car's session, alive in the other",
        hold,
        knock(lambda d: np.zeros(len(d.rpm))),
        knock(quiet_count),
    ),
    Situation("blank throughout", hold, knock(lambda d: np.full(len(d.rpm), np.nan))),
    Situation("blank in a band", taken(4500, 4750), knock(blank(4500, 4750)), knock(level)),
    Situation("blank in all pulls", hold, knock(lambda d: np.where(d.pulling, np.nan, level(d))), knock(level)),
    Situation(
        "on its rail, which the car file names",
        hold,
        knock(lambda d: np.where(d.pulling, 5.0, level(d))),
        knock(level),
        ranges={"knock": (0.0, 5.0)},
    ),
    Situation(
        "beyond its range",
        hold,
        knock(lambda d: np.where(d.pulling, 5.2, level(d))),
        knock(level),
        ranges={"knock": (0.0, 5.0)},
    ),
    Situation(
        "on a rail that nobody named",
        hold,
        knock(lambda d: np.minimum(level(d) * np.where(d.pulling, 3, 1), 0.62)),
        knock(level),
    ),
    Situation("a level whose wire fell off", hold, knock(fell_off), knock(level)),
    Situation(
        "dead zero in half the drive",
        hold,
        knock(lambda d: np.where(d.time < d.time[-1] * 0.45, level(d), 0.0)),
        knock(level),
    ),
    Situation("once a second beside a fast session, blank between", hold, knock(sparse), knock(level)),
    Situation("once a second, held between", hold, knock(held), knock(level)),
    Situation("once a second, a line between", hold, knock(drawn), knock(level)),
    Situation("a count of whole seconds shows late", less(4300, 4600), knock(slow_count, ""), knock(level)),
    # channels of every kind and unit
    Situation("millivolts", less(4500, 4800), knock(lambda d: 1000 * louder(1.9, band(4500, 4800))(d), "mV")),
    Situation(
        "counts of a converter",
        less(4500, 4800),
        knock(lambda d: np.round(400 * louder(1.9, band(4500, 4800))(d)), "counts"),
    ),
    Situation(
        "decibels", less(4500, 4800), knock(lambda d: 60 + 20 * np.log10(louder(1.9, band(4500, 4800))(d)), "dB")
    ),
    Situation(
        "decibels below full scale",
        less(4500, 4800),
        knock(lambda d: -60 + 20 * np.log10(louder(1.9, band(4500, 4800))(d)), "dB"),
    ),
    Situation(
        "a level about an offset", taken(4500, 4800), knock(lambda d: 2.5 + 0.1 * (louder(4.0, band(4500, 4800))(d)))
    ),
    Situation("retard below zero", less(4500, 4800), knock(counts(band(4500, 4800), -3.0), "deg")),
    Situation("retard above zero", less(4500, 4800), knock(counts(band(4500, 4800), 3.0), "deg")),
    Situation(
        "retard that comes back slowly",
        less(4500, 4800),
        knock(
            lambda d: (
                -np.round(
                    4
                    * np.clip(
                        1
                        - np.minimum(
                            np.abs(
                                d.time[:, None]
                                - [
                                    np.interp(
                                        4600,
                                        d.rpm[(d.time >= a) & (d.time <= b)],
                                        d.time[(d.time >= a) & (d.time <= b)],
                                    )
                                    for a, b in d.pulls
                                ]
                            ).min(axis=1),
                            2,
                        ),
                        0,
                        1,
                    ),
                    1,
                )
            ),
            "deg",
        ),
    ),
    Situation("a flag", less(4500, 4800), knock(counts(band(4500, 4800)), "")),
    Situation("a flag upside down", less(4500, 4800), knock(counts(band(4500, 4800), -1.0, 1.0), "")),
    Situation(
        "a counter that only ever rises", less(4500, 4800), knock(lambda d: np.cumsum(counts(band(4500, 4800))(d)), "")
    ),
    Situation(
        "the controller pulls timing in every pull", all_less, knock(lambda d: np.where(d.pulling, -2.0, 0.0), "deg")
    ),
    # limits
    Situation("a limit passed by a level that was thought quiet", less(6000, 6600), knock(level), more=limit(0.7)),
    Situation("a limit below the noise", hold, knock(level), more=limit(0.01)),
    Situation(
        "a limit never passed gives nothing to a dead channel",
        hold,
        knock(lambda d: np.full(len(d.rpm), 0.2)),
        more=limit(2.0),
    ),
    Situation(
        "a limit far above does not excuse knock",
        less(4500, 4800),
        knock(louder(2.5, band(4500, 4800))),
        knock(level),
        more=limit(90.0),
    ),
    # a person's word
    Situation(
        "none heard, and knock in the log",
        less(4500, 4800),
        knock(louder(2.5, band(4500, 4800))),
        knock(level),
        words=("--none-heard",),
    ),
    Situation("none heard, and heard", less(4500, 4800), words=("--none-heard", "--heard", "4500-4800")),
    Situation(
        "heard in the car's session yesterday, none today",
        less(4500, 4800),
        words=("--none-heard",),
        marks=(("heron", ("--heard", "4500-4800")),),
    ),
    Situation(
        "heard, then marked as not",
        less(4500, 4800),
        marks=(("heron", ("--heard", "4500-4800")), ("heron", ("--none-heard",))),
    ),
    Situation(
        "heard in a pull, none in the session",
        less(2000, 6600),
        marks=(("heron", ("--heard", "0-9000", "--pull", "2")), ("heron", ("--none-heard",))),
    ),
    Situation(
        "heard in the other tune",
        taken(4500, 4800),
        words=("--none-heard",),
        marks=(("plover", ("--heard", "4500-4800")),),
    ),
    Situation("none heard in one pull of three", hold, marks=(("heron", ("--none-heard", "--pull", "1")),)),
    Situation("none heard in the other tune only", hold, marks=(("plover", ("--none-heard",)),)),
    Situation("a note that says all is well", hold, marks=(("heron", ("--note", "listened, no knock at all")),)),
    # tables
    Situation(
        "27 became 72",
        hold,
        words=("--none-heard",),
        refused="outside -30 to 70",
        text=lambda text: text.replace("heron,4000,18", "heron,4000,81"),
    ),
    Situation(
        "18 became 81 hundredths too many digits",
        hold,
        words=("--none-heard",),
        refused="outside -30 to 70",
        text=lambda text: text.replace("heron,4000,18", "heron,4000,188"),
    ),
    Situation(
        "25 became 52 in the other tune",
        lambda rpm: NOW if 3500 <= rpm <= 4500 else NOW + STEP,
        words=("--none-heard",),
        text=lambda text: text.replace("plover,4000,25", "plover,4000,52"),
    ),
    Situation(
        "18 became 81, within limits as 8",
        lambda rpm: NOW if 3500 <= rpm <= 4500 else NOW + STEP,
        words=("--none-heard",),
        text=lambda text: text.replace("heron,4000,18", "heron,4000,8"),
    ),
    Situation(
        "not a number",
        hold,
        words=("--none-heard",),
        refused="not finite",
        text=lambda text: text.replace("heron,4000,18", "heron,4000,nan"),
    ),
    Situation("advance_max_deg", lambda _: 19.0, words=("--none-heard",), engine="advance_max_deg = 19.0"),
    Situation(
        "advance_max_deg below what is in the car",
        lambda _: 16.0,
        words=("--none-heard",),
        engine="advance_max_deg = 16.0",
    ),
    # the table is ahead of the pulls
    Situation(
        "the log shows that the pulls had a step less",
        lambda _: NOW,
        {"adv": advance(NOW)},
        {"adv": advance(OTHER)},
        words=("--none-heard",),
        tunes={"heron": 20.0, "plover": 25.0},
    ),
    # sessions
    Situation(
        "sessions of another car",
        hold,
        words=("--none-heard",),
        refused="different cars",
        third=Made(THIRD, 30.0, car="family saloon", seed=3),
        tunes={**TUNES, THIRD: 30.0},
    ),
    Situation(
        "the tune in the car was never driven",
        hold,
        words=("--none-heard", "--now", "wren"),
        refused="steps do not chain",
        tunes={**TUNES, THIRD: 20.0},
    ),
    Situation(
        "a second dead sensor beside a quiet one",
        hold,
        {**knock(level), "knock_2": ("knock", "V", lambda d: np.full(len(d.rpm), 0.4))},
    ),
    Situation(
        "a second sensor that knocks beside a quiet one",
        less(4500, 4800),
        {**knock(level), "knock_2": ("knock", "V", louder(2.5, band(4500, 4800)))},
    ),
]


def made_of(situation: Situation) -> list[Made]:
    plover = situation.heron if situation.plover is None else situation.plover
    other = Made("plover", OTHER, plover, seed=2, more=situation.more, engine=situation.engine, ranges=situation.ranges)
    own = Made(
        "heron",
        NOW,
        situation.heron,
        seed=1,
        more=situation.more,
        engine=situation.engine,
        lifts=situation.lifts,
        ranges=situation.ranges,
        pulls=3 + len(situation.lifts),
    )
    return [*([situation.third] if situation.third else []), other, own]


@pytest.mark.parametrize("situation", SITUATIONS, ids=lambda situation: situation.name.replace(" ", "-"))
def test_no_proposal_is_more_advance_than_is_permitted(situation: Situation, steadypull, tmp_path: Path) -> None:
    """Held against what the situation itself permits, band by band."""
    paths = write_day(tmp_path, *made_of(situation))
    file = table(tmp_path / "advance.csv", **situation.tunes)
    file.write_text(situation.text(file.read_text()))
    for tune, words in situation.marks:
        done = steadypull("mark", next(path for path in paths if path.stem.endswith(tune)), *words)
        assert done.code == 0, done.err
    done = steadypull("advise-ignition", *paths, "--advance", file, "--now", "heron", *situation.words, "--json")
    if situation.refused:
        assert done.code == 2
        assert situation.refused in done.error
        return

    assert done.code == 0, done.err
    cells = json.loads(done.out)["cells"]
    assert len(cells) >= 15
    for cell in cells:
        permitted = situation.most(cell["rpm"])
        assert cell["proposed"] is not None, cell
        assert cell["proposed"] <= permitted + 1e-6, (permitted, cell)


def test_the_same_drives_get_their_step_where_nothing_speaks_against_it(steadypull, tmp_path: Path) -> None:
    """Without this, a program that never proposes anything would pass: a quiet live level, a quiet count, a word."""
    file = table(tmp_path / "advance.csv", **TUNES)
    for number, (channels, words) in enumerate(((knock(level), ()), (knock(quiet_count), ()), ({}, ("--none-heard",)))):
        folder = tmp_path / str(number)
        folder.mkdir()
        paths = write_day(folder, *made_of(Situation("control", hold, channels)))
        done = steadypull("advise-ignition", *paths, "--advance", file, "--now", "heron", *words, "--json")
        assert done.code == 0, done.err
        raised = [cell["rpm"] for cell in done.json["cells"] if cell["proposed"] == pytest.approx(NOW + STEP)]
        assert set(np.arange(2875.0, 6000.0, 250.0)) <= set(raised), number


def test_a_band_that_only_pulls_passed_makes_no_knock_of_all_above_it(steadypull, tmp_path: Path) -> None:
    """A level that rises slower than speed, not recorded at light load from 2500 to 2750 rpm: nothing is known there.
    The bands above, where light load shows the same level, are no knock: a false one takes steps away, round by round.
    """

    def with_a_hole(drive: Drive) -> np.ndarray:
        noise = 1e-2 * np.sqrt(drive.rpm) * drive.noise(0.02)
        return np.where(drive.between(2490, 2760) & ~drive.pulling, np.nan, noise)

    file = table(tmp_path / "advance.csv", **TUNES)
    paths = write_day(tmp_path, *made_of(Situation("hole", hold, knock(with_a_hole))))
    done = steadypull("advise-ignition", *paths, "--advance", file, "--now", "heron", "--json")

    assert done.code == 0, done.err
    proposed = {cell["rpm"]: cell["proposed"] for cell in done.json["cells"]}
    assert [rpm for rpm, deg in proposed.items() if deg < NOW - 1e-6] == []
    assert proposed[2625.0] == pytest.approx(NOW)
    assert proposed[4125.0] == proposed[5125.0] == pytest.approx(NOW + STEP)
    assert not any(word in done.out for word in ("knock-in-sessions", "knock-seen"))
