"""CSV logs as people's loggers write them, and every way they go wrong."""

import gzip
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stream.block import Block, StreamInfo
from stream.car import Car, parse_car
from stream.errors import InputError
from stream.sources.csvlog import CsvSource
from stream.sources.source import Source, SourceNote
from tests.told import text_of
from ui.text.errors import for_command_line

CHANNELS = """
[car]
name = "log car"
[[channel]]
name = "speed"
role = "engine_speed"
unit = "rpm"
column = "rpm"
[[channel]]
name = "link"
role = "load"
unit = "mV/V"
"""
CLOCK = """
[[channel]]
name = "clock"
role = "time"
column = "t"
"""


def car(clock: bool = True, speed_column: str = "rpm") -> Car:
    text = CHANNELS.replace('column = "rpm"', f'column = "{speed_column}"')
    return parse_car(text + (CLOCK if clock else ""))


class Log:
    """A log read to its end."""

    def __init__(self, source: CsvSource) -> None:
        self.info: StreamInfo = source.open()
        self.blocks: list[Block] = []
        while not source.finished:
            self.blocks += source.read(0.0)
        self.notes: list[SourceNote] = source.take_notes()
        self.counters = source.counters()
        source.close()

    @property
    def samples(self) -> np.ndarray:
        return np.concatenate([block.samples for block in self.blocks])

    @property
    def index(self) -> list[int]:
        return [number for block in self.blocks for number in range(block.first, block.end)]

    @property
    def told(self) -> str:
        return " | ".join(f"{note.kind}@{note.index}: {text_of(note.what)}" for note in self.notes)


@pytest.fixture
def read(tmp_path: Path):
    def reader(text: str | bytes, rate_hz: float | None = None, car_: Car | None = None, name: str = "log.csv") -> Log:
        path = tmp_path / name
        path.write_bytes(text.encode() if isinstance(text, str) else text)
        return Log(CsvSource(path, car_ or car(clock=rate_hz is None), rate_hz))

    return reader


def ten_rows(separator: str = ",", comma: bool = False, end: str = "\n") -> str:
    """Ten rows at 10 Hz: rpm 1000 + 10.5 k, link 0.01 k."""
    rows = [f"{0.1 * k:.1f}{separator}{1000 + 10.5 * k}{separator}{0.01 * k:.2f}" for k in range(10)]
    body = end.join(rows) + end
    return f"t{separator}rpm{separator}link{end}" + (body.replace(".", ",") if comma else body)


EXPECTED = np.column_stack((1000 + 10.5 * np.arange(10), 0.01 * np.arange(10))).astype(np.float32)


@pytest.mark.parametrize(
    "text",
    [
        ten_rows(),
        ten_rows(";"),
        ten_rows("\t"),
        ten_rows(";", comma=True),
        ten_rows("\t", comma=True),
        ten_rows(end="\r\n"),
        ten_rows().replace(",", ", "),
        ten_rows().replace("\n", ",\n"),  # a separator at each line's end
        ten_rows().replace("\n", ",\n")[4 + 7 :].join(["t,rpm,link\n", ""]),  # at the rows' ends only
        "\ufeff" + ten_rows(),
        "\n\n" + ten_rows(),
        ten_rows() + "\n\n",
        ten_rows().replace("t,rpm,link", '"t","rpm","link"').replace("1000.0", '"1000.0"'),
        ten_rows().replace("t,rpm,link", "t [s],rpm [1/min],link [mV/V]"),
        ten_rows().replace("t,rpm,link", "t (s),RPM (),Link"),
        ten_rows().rstrip("\n"),
    ],
    ids=[
        "comma",
        "semicolon",
        "tab",
        "decimal-comma",
        "decimal-comma-tab",
        "crlf",
        "blanks",
        "trailing-all",
        "trailing-rows",
        "bom",
        "blank-lines-first",
        "blank-lines-last",
        "quoted",
        "square-units",
        "round-units",
        "no-last-newline",
    ],
)
def test_one_log_in_many_spellings(read, text: str):
    """Separators, quotes, line ends and decimal commas give one and the same log."""
    log = read(text)

    assert log.info.rate_hz == 10.0
    np.testing.assert_allclose(log.samples, EXPECTED, rtol=1e-6)
    assert log.index == list(range(10))
    assert log.notes == []
    assert [(channel.name, channel.unit) for channel in log.info.channels] == [
        ("speed", "rpm"),
        ("link", "mV/V"),
    ]


@pytest.mark.parametrize("members", [1, 2])
def test_a_log_packed_to_fill_memory_is_refused(tmp_path, members):
    """128 MB of one line in 130 kB: refused by what gzip says of it, or, where that lies (a second
    member behind it), once more has come than a log packs to."""
    path = tmp_path / "log.csv.gz"
    with gzip.open(path, "wb") as packed:
        packed.write(b"t,rpm,link\n")
        for _ in range(8):
            packed.write(b"0" * (1 << 24))
    if members == 2:
        path.write_bytes(path.read_bytes() + gzip.compress(b"\n0,1,1\n"))
    with pytest.raises(InputError, match="unpacks to over 64 times its size"):
        CsvSource(path, car()).open()


def test_gzip_is_known_by_its_bytes_not_its_name(read):
    """A compressed log is known by its first bytes."""
    np.testing.assert_allclose(read(gzip.compress(ten_rows().encode())).samples, EXPECTED, rtol=1e-6)


def test_a_western_code_page_in_the_header(read):
    """A header in a western code page is read."""
    log = read(ten_rows().replace("t,rpm", "t,oil °C,rpm").replace(",10", ",90,10").encode("cp1252"))

    np.testing.assert_allclose(log.samples, EXPECTED, rtol=1e-6)


def test_columns_in_any_order_and_others_ignored(read):
    """Columns are found by name; those that nobody wants are passed over."""
    log = read("word,link,t,rpm\n" + "".join(f"x{k},{k},{k / 10},{k * 2}\n" for k in range(5)))

    np.testing.assert_array_equal(log.samples, [[2 * k, k] for k in range(5)])


@pytest.mark.parametrize("form", ["%Y-%m-%d %H:%M:%S.%f", "%Y-%m-%dT%H:%M:%S.%f", "%Y-%m-%dT%H:%M:%S.%fZ"])
def test_iso_date_times(read, form: str):
    """ISO 8601 stamps give the clock, with and without the T."""
    start = datetime(2024, 2, 28, 23, 59, 59, 500000)
    rows = [f"{(start + timedelta(milliseconds=10 * k)).strftime(form)},{k},{-k}" for k in range(200)]
    log = read("t,rpm,link\n" + "\n".join(rows))

    assert log.info.rate_hz == 100.0
    assert log.index == list(range(200))


@pytest.mark.parametrize(
    ("rate_hz", "decimals"),
    [(1000.0, 3), (60.0, 3), (50.0, 2), (30.0, 3), (12.5, 2), (3.0, 2), (0.5, 0), (128.0, 4)],
)
def test_rounded_stamps_give_the_rate_they_came_from(read, rate_hz: float, decimals: int):
    """Stamps rounded to a millisecond or so: the rate is the whole stretch's, not one step's."""
    log = read("t,rpm,link\n" + "".join(f"{k / rate_hz:.{decimals}f},{k},0\n" for k in range(2000)))

    assert log.info.rate_hz == pytest.approx(rate_hz, rel=1e-9)
    assert log.counters["resampled"] == 0
    assert log.index == list(range(2000))


def test_a_jump_of_the_clock_is_lost_samples(read):
    """A step of the clock is as many lost samples."""
    kept = [k for k in range(40) if not 10 <= k < 17 and k != 30]
    log = read("t,rpm,link\n" + "".join(f"{k / 20:.2f},{k},0\n" for k in kept))

    assert log.info.rate_hz == 20.0
    assert log.index == kept
    assert [block.lost for block in log.blocks] == [0, 7, 1]
    assert "8 samples are missing" in log.told
    assert [block.device_us for block in log.blocks] == [0, 850_000, 1_550_000]


def test_equal_stamps_are_spread_to_the_next_distinct_one(read):
    """Four rows a second with whole-second stamps: they are a quarter of a second apart."""
    log = read("t,rpm,link\n" + "".join(f"{k // 4},{k},0\n" for k in range(80)))

    assert log.info.rate_hz == pytest.approx(4.0)
    np.testing.assert_array_equal(log.samples[:, 0], np.arange(80))
    assert "60 rows had the stamp of the row before" in log.told


@pytest.mark.parametrize("rows", [1003, 1025, 1049])
def test_a_log_that_ends_in_the_middle_of_a_second_lacks_nothing(read, rows: int):
    """Fifty rows a second with whole-second stamps, the last second cut off: the last rows are no farther apart."""
    log = read("t,rpm,link\n" + "".join(f"{k // 50},{k},0\n" for k in range(rows)))

    assert log.info.rate_hz == pytest.approx(50.0)
    assert log.index == list(range(rows))
    assert "missing" not in log.told


def test_a_row_before_a_pause_is_not_spread_over_it(read):
    """A pause is a gap, not a long sample."""
    stamps = [k // 2 for k in range(20)] + [30 + k // 2 for k in range(20)]
    log = read("t,rpm,link\n" + "".join(f"{stamp},{k},0\n" for k, stamp in enumerate(stamps)))

    assert log.info.rate_hz == pytest.approx(2.0)
    assert log.index == [*range(20), *range(60, 80)]


def test_uneven_stamps_are_resampled_on_a_line_and_said_so(read):
    """Uneven stamps become even ones on straight lines, with a note."""
    rng = np.random.default_rng(3)
    stamps = np.concatenate(([0.0], np.cumsum(rng.uniform(0.05, 0.15, 400))))
    log = read("t,rpm,link\n" + "".join(f"{t:.6f},{1000 + 40 * t:.6f},{t:.6f}\n" for t in stamps))
    time_s = np.array(log.index) / log.info.rate_hz

    assert log.info.rate_hz == pytest.approx(1.0 / np.median(np.diff(stamps)), rel=0.01)
    np.testing.assert_allclose(log.samples[:, 0], 1000 + 40 * time_s, atol=1e-3)
    assert "uneven stamps" in log.told
    assert "resampled" in log.told


def test_uneven_stamps_are_not_bridged_over_a_jump(read):
    """Resampling stops at a jump."""
    rng = np.random.default_rng(4)
    stamps = np.cumsum(rng.uniform(0.05, 0.15, 200))
    stamps[100:] += 5.0
    log = read("t,rpm,link\n" + "".join(f"{t:.6f},{1000 if k < 100 else 3000},0\n" for k, t in enumerate(stamps)))

    assert set(log.samples[:, 0].tolist()) == {1000.0, 3000.0}
    assert sum(block.lost for block in log.blocks) == pytest.approx(5.0 * log.info.rate_hz, rel=0.1)


def test_a_rate_given_beside_the_clock_is_the_rate_resampled_at(read):
    """A rate that a person gives is the one resampled at."""
    log = read(ten_rows(), rate_hz=20.0, car_=car())

    assert log.info.rate_hz == 20.0
    np.testing.assert_allclose(log.samples[::2], EXPECTED, rtol=1e-6)
    assert "resampled at 20 Hz" in log.told


def test_a_rate_that_would_fill_the_memory_is_refused(read):
    """A rate that would make too many samples is refused."""
    text = "t,rpm,link\n" + "".join(f"{k + 0.3 * (k % 3)},1,2\n" for k in range(300))
    with pytest.raises(InputError, match=r"300 rows would become 3e\+09 samples at 1e\+07 Hz; give a lower rate"):
        read(text, 1e7, car())


def test_what_32_bits_cannot_hold_is_missing(read):
    """A value beyond float32 is a missing cell."""
    log = read(ten_rows().replace("1021.0", "1e300").replace("1031.5", "-1e39"))

    assert np.isnan(log.samples[:, 0]).tolist() == [False] * 2 + [True] * 2 + [False] * 6
    assert log.counters["missing_cells"] == 2


def test_without_a_clock_each_row_is_one_period(read):
    """Without stamps every row is one sample."""
    log = read("rpm,link\n1,2\n3,4\n,\n5,6\n", rate_hz=50.0)

    assert log.info.rate_hz == 50.0
    assert log.index == [0, 1, 3]
    assert log.blocks[1].lost == 1


def test_one_column_only(read):
    """A log of one column has no separator and is read."""
    only = parse_car('[car]\nname="x"\n[[channel]]\nname="rpm"\nrole="engine_speed"\nunit="rpm"\n')
    log = read("rpm\n100\n\n120\n\n\n", rate_hz=10.0, car_=only)

    assert log.samples[:, 0].tolist() == [100.0, 120.0]
    assert log.index == [0, 2]


def test_missing_cells(read):
    """All needed cells of a row missing: lost samples. One: NaN there, the others kept."""
    log = read("t,rpm,link\n0.0,1,1\n0.1,,2\n0.2,,\n0.3,NaN,n/a\n0.4,5,\n0.5,6,inf\n0.6,7,7\n")

    assert log.index == [0, 1, 4, 5, 6]
    np.testing.assert_array_equal(log.samples, [[1, 1], [np.nan, 2], [5, np.nan], [6, np.nan], [7, 7]])
    assert [block.lost for block in log.blocks] == [0, 2]
    assert log.counters["missing_cells"] == 3
    assert "3 cells are missing" in log.told


def test_a_row_without_a_stamp_is_left_out_and_told(read):
    """A row without a stamp is left out, counted and named."""
    log = read("t,rpm,link\n0.0,1,1\n0.1,2,2\n,3,3\n0.3,4,4\n0.4,5,5\n")

    assert log.index == [0, 1, 3, 4]
    assert "1 row without a time stamp" in log.told


def test_a_last_row_cut_off_is_left_out_and_told(read):
    """A last row cut off by the logger is left out and named."""
    log = read(ten_rows() + "1.0,11")

    assert log.index == list(range(10))
    assert "line 12: the last row is cut off" in log.told


def test_a_clock_that_runs_back_is_a_restart(read):
    """A clock that goes back is a logger that began again."""
    rows = [f"{10 + k / 10:.1f},{k},0" for k in range(10)] + [f"{k / 10:.1f},{100 + k},0" for k in range(10)]
    log = read("t,rpm,link\n" + "\n".join(rows))

    assert log.info.rate_hz == 10.0
    assert log.index == list(range(20))
    assert [block.restarted for block in log.blocks] == [False, True]
    assert log.notes[0].kind == "fault"
    assert log.notes[0].index == 10
    assert "line 12: the clock runs back by 10.9 s" in text_of(log.notes[0].what)


def test_a_slow_log_still_comes_in(read):
    """One row in two seconds is a log too."""
    log = read("t,rpm,link\n" + "".join(f"{2 * k},{k},0\n" for k in range(6)))

    assert log.info.rate_hz == 0.5


def test_blocks_are_bounded_and_follow_each_other(read):
    """Blocks are of bounded size, in order, without a hole."""
    log = read("rpm,link\n" + "1,2\n" * 10_000, rate_hz=1000.0)

    assert [len(block) for block in log.blocks] == [4096, 4096, 1808]
    assert log.index == list(range(10_000))


def test_rows_beyond_one_chunk_keep_their_line_numbers(read):
    """An error deep in a log names its line."""
    log = read("rpm,link\n" + "1,2\n" * 70_000 + "oops,2\n" + "1,2\n", rate_hz=1000.0)

    assert "line 70002 holds 'oops' in column 'rpm', which is no number: it is left out" in log.told
    assert len(log.index) == 70_001


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "log.csv: is empty"),
        ("\n \n", "log.csv: is empty"),
        ("t,rpm,link\n", "has a header line and no rows"),
        ("t,rpm,link\n\n\n", "has a header line and no rows"),
        ("0.0,1,2\n0.1,1,2\n", "line 1: holds no column names"),
        (bytes(range(256)) * 8, "holds binary data"),
        ("t,rpm,link\n0,1,2\n".encode("utf-16"), "is UTF-16 text; save it as UTF-8"),
        (gzip.compress(b"t,rpm,link\n0,1,2\n" * 500, mtime=0)[:-20], "gzip file is damaged or cut off"),
        ("t,rpm,link\n0.0,1,2\n0.1,fast,2\n", "line 3, column 'rpm': 'fast' is not a number"),
        ("t,rpm,link\n0.0,1,2\n0.1,1,1.2.3\n", "line 3, column 'link': '1.2.3' is not a number"),
        ("t,speed,link\n0.0,1,2\n", "line 1: no column 'rpm'; the header has 't', 'speed', 'link'"),
        ("t,rpm,rpm,link\n0,1,1,2\n", "line 1: column 'rpm' names 2 columns"),
        ("x,rpm,link\n0,1,2\n", "no column 't'; the header has"),
        ("t,rpm,link\n0.0,1,2\nnoon,1,2\n", "line 3, column 't': 'noon' is no time stamp like the others"),
        (
            "t,rpm,link\n2024-01-01,1,2\nnoon,1,2\n",
            "line 3, column 't': 'noon' is no time stamp like the others",
        ),
        ("t,rpm,link\n0,1,2\n", "column 't': fewer than two different time stamps"),
        ("t,rpm,link\n5,1,2\n5,1,2\n5,1,2\n", "column 't': fewer than two different time stamps"),
        ("t,rpm,link\n5,1,2\n4,1,2\n4,1,2\n", "column 't': fewer than two different time stamps"),
        ("t,rpm,link\n0,1,2\n1e-320,1,2\n", "give its unit: s, ms, us or min"),
        ("t,rpm,link\n0,1,2\n0.01,1,2\n1e20,1,2\n", r"column 't': the clock steps by 5e\+19 s"),
        (ten_rows() + "9e15,1,2\n", "samples at 10 Hz; mend the stamp that is far off"),
        (b"\n" + b"a" * 90, "line 2: no column 'rpm'; the header has 'aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa'; set"),
        (b"\n\xef\xbb\xbf", "no column"),
        ("\u2028\n" * 4, "is empty"),
        ("t,rpm,link\n0,0,1,5,0,2\n", "line 2: has 6 cells where the header has 3; with decimal commas"),
        ("t,rpm,link\n0,,\n1,,\n", "no row has a value in rpm, link"),
    ],
)
def test_bad_logs_are_refused_with_the_place_and_the_cure(read, text: str | bytes, message: str):
    """Each broken log is one line with file, line, column and cure."""
    with pytest.raises(InputError, match=message) as caught:
        read(text)
    assert "\n" not in str(caught.value)


def test_bad_calls_are_refused(tmp_path: Path):
    """A missing file and an impossible rate are one line each."""
    with pytest.raises(InputError, match="no such file"):
        CsvSource(tmp_path / "none.csv", car()).open()
    with pytest.raises(InputError, match="is a folder"):
        CsvSource(tmp_path, car()).open()
    (tmp_path / "log.csv").write_text(ten_rows())
    with pytest.raises(InputError, match="no channel with role 'time'") as caught:
        CsvSource(tmp_path / "log.csv", car(clock=False)).open()
    assert for_command_line(caught.value).endswith("or give --rate HZ")
    for rate_hz in (0.0, -1.0, 1e-300, 1e300, float("nan"), float("inf")):
        with pytest.raises(InputError, match="is no rate of a log"):
            CsvSource(tmp_path / "log.csv", car(), rate_hz)


def test_an_exact_name_wins_over_one_with_a_unit(read):
    """A column of exactly the channel's name is taken first."""
    log = read("t,rpm [raw],rpm,link\n0,9,1,2\n1,9,3,4\n")

    assert log.samples[:, 0].tolist() == [1.0, 3.0]


def test_a_quoted_decimal_comma_among_commas(read):
    """ "0,5" can only be a half; "1,234" may be a thousand and more, and is refused."""
    log = read('t,rpm,link\n0,"1200,5","-0,125"\n1,1300,"1,5"\n')

    np.testing.assert_array_equal(log.samples, [[1200.5, -0.125], [1300.0, 1.5]])
    with pytest.raises(InputError, match="line 2, column 'rpm': '1,234' is not a number"):
        read('t,rpm,link\n0,"1,234",0\n1,1300,0\n')


def test_milliseconds(read):
    """Stamps in milliseconds are known by the car file or by the header."""
    text = CHANNELS + CLOCK.replace('column = "t"', 'column = "t"\nunit = "ms"')
    by_car = read("t,rpm,link\n" + "".join(f"{20 * k},{k},0\n" for k in range(50)), car_=parse_car(text))
    by_header = read("t [ms],rpm,link\n" + "".join(f"{20 * k},{k},0\n" for k in range(50)))

    assert by_car.info.rate_hz == by_header.info.rate_hz == 50.0


def test_stop_ends_it_and_close_may_come_twice(tmp_path: Path):
    """Stopping ends a log; closing twice is no error."""
    (tmp_path / "log.csv").write_text(ten_rows())
    source: Source = CsvSource(tmp_path / "log.csv", car())
    source.open()
    source.stop()

    assert source.finished
    assert source.read(0.0) == []
    assert not source.realtime
    source.close()
    source.close()


RUNS = st.lists(st.tuples(st.integers(2, 20), st.integers(1, 50)), min_size=1, max_size=8)


@settings(max_examples=60, deadline=None)
@given(RUNS, st.sampled_from([10.0, 100.0, 48.0, 1000.0]))
def test_any_pattern_of_losses_on_an_even_clock_is_found_again(
    tmp_path_factory, runs: list[tuple[int, int]], rate_hz: float
):
    """Runs of rows with samples lost between them."""
    kept, at = [], 0
    for rows, lost in runs:
        kept += range(at, at + rows)
        at += rows + lost
    path = tmp_path_factory.mktemp("log") / "log.csv"
    path.write_text("t,rpm,link\n" + "".join(f"{k / rate_hz:.9f},{k},0\n" for k in kept))
    log = Log(CsvSource(path, car()))

    if np.median(np.diff(kept)) == 1:
        assert log.counters["resampled"] == 0
        assert log.info.rate_hz == pytest.approx(rate_hz, rel=1e-6)
        assert log.index == kept
    else:  # more steps are jumps than not: nobody can know the rate
        assert np.all(np.diff(log.index) > 0)


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=300))
def test_any_bytes_give_a_log_or_a_word(tmp_path_factory, data: bytes):
    """Any bytes give rows in order or one line that names the file."""
    path = tmp_path_factory.mktemp("log") / "log.csv"
    path.write_bytes(b"t,rpm,link\n" + data)
    refused = ""
    try:
        log = Log(CsvSource(path, car()))
    except InputError as error:
        refused = str(error)
    assert str(path) in refused if refused else np.all(np.diff(log.index) > 0)
