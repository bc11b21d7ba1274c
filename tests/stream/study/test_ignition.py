"""Proposals of advance from pulls made by hand on a known parabola: step, leave, refusals, interval."""

from pathlib import Path

import numpy as np
import pytest

from stream.errors import InputError
from stream.study.pulls import PullTrace
from stream.study.tables.advice import Cell
from stream.study.tables.ignition import LoggedPull, full_load
from stream.study.tables.knock import read_note
from stream.study.tables.user_table import AdvanceList
from tests.stream.study.made import pull

BEST = 27.0
QUIET = read_note("listened with a microphone: nothing")


def torque(advance: float) -> float:
    """The known curve: best at 27 degrees, 6e-4 lost a squared degree."""
    return 1.5 * (1 - 6e-4 * (advance - BEST) ** 2)


def table(**tunes: float) -> AdvanceList:
    """Each tune at one advance from 1000 to 8000 rpm."""
    rpm = np.array([1000.0, 8000.0])
    return AdvanceList(Path("advance.csv"), {tune: (rpm, np.full(2, degrees)) for tune, degrees in tunes.items()})


def pulls(scatter: float = 0.002, seed: int = 1, count: int = 4, curve=torque, **tunes: float) -> list[PullTrace]:
    """`count` pulls of each tune, each with its own level."""
    rng = np.random.default_rng(seed)
    made = [
        pull(tune, curve(degrees) * (1 + scatter * rng.standard_normal()), session=tune)
        for tune, degrees in tunes.items()
        for _ in range(count)
    ]
    return [
        PullTrace(**{**{f: getattr(p, f) for f in p.__slots__}, "start_s": i * 1e-9, "order": i})
        for i, p in enumerate(made)
    ]


def advise(
    now: str, listened=QUIET, scatter: float = 0.002, logged=None, step: float = 2.0, curve=torque, **tunes: float
):
    """The cell about 4000 rpm, and all warnings."""
    made = pulls(scatter, curve=curve, **tunes)
    beside = {} if logged is None else {(p.session, p.start_s): logged(p) for p in made}
    cells, warnings = full_load(made, beside, table(**tunes), now, listened, step)
    return next(cell for cell in cells if cell.rpm == 4125.0), warnings


def test_three_settings_find_the_best_and_the_step_is_bounded() -> None:
    """The vertex is inside its interval; the aim, 4.08 degrees before it, is further off than a step."""
    cell, _ = advise("heron", heron=18.0, plover=25.0, wren=33.0)

    assert cell.low is not None
    assert cell.high is not None
    assert cell.low < BEST < cell.high
    assert cell.high - cell.low < 6
    assert (cell.now, cell.proposed, cell.n, cell.second_axis) == (18.0, 20.0, 12, None)
    for words in ("heron 18.0° (4)", "best ", "least advance within 1 %", "nothing"):
        assert words in cell.evidence


def test_the_aim_is_the_least_advance_within_one_per_cent() -> None:
    """From 22 degrees one step would pass the aim: it stops there."""
    cell, _ = advise("plover", scatter=2e-5, heron=18.0, plover=22.0, wren=33.0)

    assert cell.proposed == pytest.approx(BEST - np.sqrt(0.01 / 6e-4), abs=0.05)


def test_too_much_advance_is_taken_back_without_leave() -> None:
    """Less advance needs no knock channel; a step at a time."""
    cell, warnings = advise("wren", read_note(None), heron=18.0, plover=25.0, wren=33.0)

    assert cell.proposed == 31.0
    assert "exhaust heat" in cell.evidence
    assert not any("do not chain" in words for words in warnings)


@pytest.mark.parametrize("note", [None, "", "   ", "heard knock at 5000"])
def test_no_more_advance_without_a_channel_or_a_note(note: str | None) -> None:
    """Silence is not absence of knock, and a note that names knock is no leave."""
    cell, _ = advise("heron", read_note(note), heron=18.0, plover=25.0, wren=33.0)

    assert cell.proposed == 18.0


def knock(level: dict[str, float]):
    """A knock counter that shows this much in the pulls of a tune."""
    return lambda p: LoggedPull(knock=np.full(len(p.time_s), level[p.tune]))


def test_a_quiet_channel_gives_leave_and_a_loud_one_takes_advance_back() -> None:
    """Quiet: a step more. Knock in the tune in the car: a step less, whatever the note says. In another: stay below."""
    tunes = {"heron": 18.0, "plover": 25.0, "wren": 33.0}
    quiet, _ = advise("heron", read_note(None), logged=knock({"heron": 0, "plover": 0, "wren": 0}), **tunes)
    loud, _ = advise("heron", QUIET, logged=knock({"heron": 3, "plover": 0, "wren": 0}), **tunes)
    near, _ = advise("heron", QUIET, logged=knock({"heron": 0, "plover": 0, "wren": 2}), **{**tunes, "wren": 19.0})

    assert quiet.proposed == 20.0
    assert loud.proposed == 16.0
    assert near.proposed == 18.0


def test_two_settings_show_a_direction_and_no_vertex() -> None:
    """No interval; a step in the direction; not beyond the tested range plus a step."""
    cell, _ = advise("heron", heron=18.0, plover=25.0)
    top, _ = advise("plover", heron=18.0, plover=25.0)
    alone, _ = advise("heron", heron=18.0)

    assert (cell.low, cell.high, cell.estimate) == (None, None, None)
    assert cell.proposed == 20.0
    assert top.proposed is not None
    assert top.proposed <= 27.0
    assert "direction and no best" in cell.evidence
    assert alone.proposed == 18.0
    assert "one setting" in alone.evidence


def test_a_curve_that_bends_the_wrong_way_is_refused() -> None:
    """A hold, and why."""
    cell, _ = advise("heron", curve=lambda x: 1.5 * (1 + 6e-4 * (x - BEST) ** 2), heron=18.0, plover=25.0, wren=33.0)

    assert (cell.proposed, cell.low, cell.high) == (18.0, None, None)
    assert "wrong way" in cell.evidence


def test_scatter_that_hides_the_bend_leaves_the_interval_open() -> None:
    """Settings two degrees apart and 2 % of scatter: unbounded, hold."""
    cell, _ = advise("heron", scatter=0.02, heron=26.0, plover=27.0, wren=28.0)

    assert cell.low is None or cell.high is None
    assert cell.proposed == 26.0


def test_logged_advance_beats_the_table() -> None:
    """The log shows 3 degrees less than the table: the cell is where the engine really was, and it is said."""
    real = {"heron": 15.0, "plover": 25.0, "wren": 33.0}
    cell, warnings = advise(
        "heron", logged=lambda p: LoggedPull(advance=np.full(len(p.time_s), real[p.tune])),
        heron=18.0, plover=25.0, wren=33.0,
    )  # fmt: skip

    assert cell.now == pytest.approx(15.0)
    assert any("logged advance is 3.0° below the table" in words for words in warnings)


def test_steps_do_not_chain_without_a_clean_session_of_the_tune_in_the_car() -> None:
    """A tune never driven, and a tune the table lacks."""
    made = pulls(heron=18.0, plover=25.0)
    with pytest.raises(InputError, match="do not chain"):
        full_load(made, {}, table(heron=18.0, plover=25.0, wren=30.0), "wren", QUIET)
    with pytest.raises(InputError, match=r"advance\.csv: .*'plover'"):
        full_load(made, {}, table(heron=18.0), "heron", QUIET)


def test_the_interval_holds_the_best_as_often_as_it_says() -> None:
    """300 days of three settings, four pulls each, 1 % scatter: 95 % within what 300 draws allow."""
    inside = 0
    for seed in range(300):
        made = pulls(0.01, seed, heron=18.0, plover=25.0, wren=33.0)
        cells: list[Cell] = full_load(
            made, {}, table(heron=18.0, plover=25.0, wren=33.0), "heron", QUIET, width=2000.0
        )[0]
        low, high = cells[0].low, cells[0].high
        inside += (low is None or low <= BEST) and (high is None or high >= BEST)

    assert 0.91 <= inside / 300 <= 0.99
