"""Logs in any mixture of the shapes that recorders write, by a writer of this test's own: what is read is what was
written. And one wrong stamp, anywhere, changes nothing but its own row.
"""

import gzip
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from stream.car import parse_car
from stream.errors import InputError
from stream.sources.csvlog import CsvSource

CAR = parse_car(
    '[car]\nname = "x"\n'
    '[[channel]]\nname = "speed"\nrole = "engine_speed"\nunit = "rpm"\ncolumn = "Engine speed"\n'
    '[[channel]]\nname = "link"\nrole = "load"\nunit = "mV/V"\n'
    '[[channel]]\nname = "map"\nrole = "manifold_pressure"\nunit = "kPa"\n'
    '[[channel]]\nname = "clock"\nrole = "time"\ncolumn = "Clock"\n'
)
START = datetime(2023, 12, 31, 23, 59, 57, 120000)
NAMES = ["Clock", "Engine speed", "link", "map", "remark"]
UNITS = {"Engine speed": "1/min", "link": "mV/V", "map": "kPa", "remark": "-"}


def read(path: Path) -> tuple[CsvSource, float, np.ndarray, np.ndarray]:
    source = CsvSource(path, CAR)
    rate, parts, index = source.open().rate_hz, [], []
    while not source.finished:
        for block in source.read(0.0):
            parts.append(block.samples)
            index.append(np.arange(block.first, block.end))
    return source, rate, np.concatenate(parts), np.concatenate(index)


def stamp(form: str, seconds: float) -> str:
    """A stamp to the millisecond."""
    moment = START + timedelta(milliseconds=round(1000 * seconds))
    clock = moment.strftime("%H:%M:%S.%f")[:-3]
    return {
        "seconds": f"{seconds + 7.25:.3f}",
        "ms": f"{round(1000 * seconds) + 250}",
        "iso": f"{moment:%Y-%m-%d}T{clock}",
        "iso blank": f"{moment:%Y-%m-%d} {clock}",
        "iso zone": f"{moment:%Y-%m-%d}T{clock}+02:00",
        "dotted": f"{moment:%d.%m.%Y} {clock}",
        "slashed": f"{moment:%Y/%m/%d} {clock}",
        "day": clock,
        "half day": moment.strftime("%I:%M:%S.%f")[:-3] + moment.strftime(" %p"),
        "epoch ms": f"{round(1000 * (moment.replace(tzinfo=UTC).timestamp()))}",
    }[form]


@settings(max_examples=120, deadline=None)
@given(data=st.data())
def test_a_log_in_any_dialect_is_read_as_it_was_written(tmp_path_factory: pytest.TempPathFactory, data) -> None:
    """Every shape is drawn on its own, so that all of them meet all others."""
    draw = data.draw
    rng = np.random.default_rng(draw(st.integers(0, 2**32), label="seed"))
    rate = draw(st.sampled_from([10.0, 20.0, 50.0, 100.0]))
    rows = draw(st.integers(210, 400))
    separator = draw(st.sampled_from([",", ";", "\t"]))
    comma = separator != "," and draw(st.booleans())
    form = draw(
        st.sampled_from(
            ["seconds", "ms", "iso", "iso blank", "iso zone", "dotted", "slashed", "day", "half day", "epoch ms"]
        )
    )
    units_below, units_beside, quoted = draw(st.booleans()), draw(st.booleans()), draw(st.booleans())
    order = draw(st.permutations(range(5)))
    values = np.column_stack(
        [
            1500 + np.round(rng.normal(0, 300, rows), 1),
            np.round(rng.normal(0, 0.2, rows), 4),
            np.round(rng.uniform(30, 100, rows), 2),
        ]
    )
    missing = rng.random(values.shape) < draw(st.sampled_from([0.0, 0.01, 0.2]))
    missing[0] = False
    lost = set(rng.choice(np.arange(5, rows - 5), draw(st.integers(0, 6)), replace=False).tolist())
    time_unit = "ms" if form == "ms" else {"day": "hh:mm:ss"}.get(form, "s" if form == "seconds" else "")

    def line(cells: list[str]) -> str:
        return separator.join(cells[place] for place in order)

    unit_of = {"Clock": time_unit, **UNITS}
    names = [f"{name} [{unit_of[name]}]" if units_beside and unit_of[name] not in ("", "-") else name for name in NAMES]
    header = line([f'"{name}"' if quoted else name for name in names])
    units = line([unit_of[name] or "-" for name in NAMES])
    body: list[str] = []
    for row in range(rows):
        if row in lost:
            continue
        cells = [f"{value:.4f}" for value in values[row]]
        if comma:
            cells = [cell.replace(".", ",") for cell in cells]
        cells = ["" if gone else cell for cell, gone in zip(cells, missing[row], strict=True)]
        when = stamp(form, row / rate)
        body.append(line([when.replace(".", ",") if comma and form in ("seconds", "day") else when, *cells, "ok"]))
    several = form == "ms" or units_below
    for shape in draw(st.lists(st.sampled_from(["header", "comment", "blank"]), max_size=4)):
        at = draw(st.integers(20, len(body) - 2))
        again = [header, units] if several and units_below else [header]
        body[at:at] = {"header": again, "comment": ["# a word, and 1,2,3"], "blank": [""]}[shape]
    stray = draw(st.integers(0, (rows - len(lost)) // 100))
    for _ in range(stray):
        body.insert(
            draw(st.integers(20, len(body) - 2)),
            draw(st.sampled_from(["*** event", "1", line(["7"] * 5) + separator + "8"])),
        )
    head = draw(
        st.lists(
            st.sampled_from(
                [
                    "Recorder 7, serial 12",
                    "Created;2024-01-01 12:00",
                    "# made by nobody",
                    "",
                    "Redline: 7000 rpm",
                    "A\tB",
                ]
            ),
            max_size=5,
        )
    )
    if draw(st.booleans()):
        head.insert(0, f"sep={separator}")
    under = [units] if units_below or (form == "ms" and not units_beside) else []
    end = draw(st.sampled_from(["\n", "\r\n"]))
    text = (end.join([*head, header, *under, *body]) + end).encode(draw(st.sampled_from(["utf-8", "utf-8-sig"])))
    packed = draw(st.booleans())
    path = tmp_path_factory.mktemp("dialect") / ("log.csv.gz" if packed else "log.csv")
    path.write_bytes(gzip.compress(text) if packed else text)

    source, found_rate, samples, index = read(path)

    there = [row for row in range(rows) if row not in lost and not missing[row].all()]
    expected = np.where(missing, np.nan, values).astype(np.float32)[there]
    assert found_rate == pytest.approx(rate)
    np.testing.assert_array_equal(index, there)
    np.testing.assert_array_equal(samples, expected)
    assert source.counters()["lines_left_out"] == stray
    if form.startswith("iso") or form in ("dotted", "slashed", "epoch ms"):
        began = START - timedelta(hours=2) if form == "iso zone" else START
        assert abs((source.started_utc - began.replace(tzinfo=UTC)).total_seconds()) < 0.001


def write(path: Path, stamps: list[str], rows: np.ndarray) -> Path:
    lines = [f"{when},{a:.0f},{b:.0f},0" for when, (a, b) in zip(stamps, rows, strict=True)]
    path.write_text("\n".join(["Clock,Engine speed,link,map", *lines]) + "\n")
    return path


ROWS = 220
NUMBERED = np.column_stack([np.arange(ROWS), -np.arange(ROWS)])


@settings(max_examples=200, deadline=None)
@given(
    at=st.integers(0, ROWS - 1),
    wrong=st.one_of(
        st.floats(-1e15, 1e15),
        st.floats(-3.0, 15.0),
        st.sampled_from([91.5, 0.0, 1e12, -1.0, 1e300]),
        st.integers(-30, 260).map(lambda n: n * 0.05),
    ),
    gap=st.sampled_from([0, 0, 7]),
)
@example(at=30, wrong=91.5, gap=0)
@example(at=200, wrong=1e12, gap=0)
@example(at=ROWS - 1, wrong=1e12, gap=0)
@example(at=0, wrong=1e12, gap=0)
@example(at=100, wrong=5.05, gap=0)  # the stamp of the row behind
def test_one_wrong_stamp_changes_nothing_but_its_row(
    tmp_path_factory: pytest.TempPathFactory, at: int, wrong: float, gap: int
) -> None:
    """A log of 20 rows a second, perhaps with a hole; the row is there in its place, or it is not there."""
    true = np.arange(ROWS) + np.where(np.arange(ROWS) >= 120, gap, 0)
    assume(not (gap and at in (119, 120)))
    assume(not (gap and at == 121 and abs(wrong - at / 20) < 0.03))  # on the line before the hole: then row 120 is off
    stamps = [f"{k / 20:.3f}" for k in true]
    stamps[at] = repr(wrong)
    source, rate, samples, index = read(write(tmp_path_factory.mktemp("wrong") / "log.csv", stamps, NUMBERED))

    placed = dict(zip(samples[:, 0].astype(int).tolist(), index.tolist(), strict=True))
    own = placed.pop(at, None)
    ahead = int(true[1]) - placed[1] if at == 0 else int(true[0]) - placed[0]  # times count from the first row there is
    placed = {row: place + ahead for row, place in placed.items()}
    own = None if own is None else own + ahead
    assert rate == 20.0
    assert placed == {row: int(true[row]) for row in range(ROWS) if row != at}
    away = abs(wrong * 20 - true[at])
    at_an_end = at in (0, ROWS - 1) or (gap and abs(at - 119.5) < 2)
    if away > 1.0 and not at_an_end:
        assert own is None or own == true[at]
    assert source.counters()["restarts"] == 0


def test_nine_stray_rows_do_not_make_a_log_longer(tmp_path: Path) -> None:
    """Nine rows, here and there, with stamps of another clock: they are left out and counted, the rest is as it was."""
    rows, rate = 3000, 5
    stamps = [k / rate for k in range(rows)]
    wrong = [150, 151, 152, 700, 1100, 1500, 1501, 2200, 2900]
    for at, other in zip(wrong, [3.0, 3.2, 3.4, 0.0, 9000.0, 13.0, 40.0, 1e6, 2.0], strict=True):
        stamps[at] = other
    numbers = np.column_stack([np.arange(rows), np.zeros(rows)])
    source, _, samples, index = read(write(tmp_path / "log.csv", [f"{s:.2f}" for s in stamps], numbers))

    assert index[-1] == rows - 1
    np.testing.assert_array_equal(samples[:, 0], [row for row in range(rows) if row not in wrong])
    np.testing.assert_array_equal(samples[:, 0], index)
    assert (source.counters()["lines_left_out"], source.counters()["restarts"]) == (9, 0)


def test_a_clock_that_returns_to_its_line_after_a_stretch_is_no_restart(tmp_path: Path) -> None:
    """Twenty rows in a row from a clock an hour behind."""
    rows = 4000
    stamps = [4000 + k / 50 - (3600 if 1000 <= k < 1020 else 0) for k in range(rows)]
    numbers = np.column_stack([np.arange(rows), np.zeros(rows)])
    source, _, samples, index = read(write(tmp_path / "log.csv", [f"{s:.2f}" for s in stamps], numbers))

    np.testing.assert_array_equal(samples[:, 0], [row for row in range(rows) if not 1000 <= row < 1020])
    np.testing.assert_array_equal(samples[:, 0], index)
    assert source.counters()["restarts"] == 0


@pytest.mark.parametrize("rows", [400, 5000])
def test_more_than_one_row_in_a_hundred_is_refused_and_the_first_is_named(tmp_path: Path, rows: int) -> None:
    """At one in a hundred it is read, above it is not."""
    stamps = [f"{k / 20:.2f}" for k in range(rows)]
    every = rows // (rows // 100)
    for at in range(50, rows, every):
        stamps[at] = "1e9"
    numbers = np.column_stack([np.arange(rows), np.zeros(rows)])
    source, *_ = read(write(tmp_path / "log.csv", stamps, numbers))
    assert source.counters()["lines_left_out"] == rows // 100

    stamps[40] = "0.001"
    with pytest.raises(
        InputError, match=r"log.csv: line 42, column 'Clock': '0.001' is a time stamp far off .* 1 in 100"
    ):
        read(write(tmp_path / "log.csv", stamps, numbers))
