"""Text lines: separators, clocks, rates, wrong lines, and the same result at any split."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stream.block import Block, ChannelInfo, StreamInfo
from stream.errors import InputError
from stream.wire.items import WireNote
from stream.wire.text import TextDecoder
from tests.told import text_of

EXPECTED = (ChannelInfo("speed_v", "V"), ChannelInfo("link", "mV/V"))


def decoder(rate_hz=None, expected=EXPECTED, clock_names=frozenset()):
    return TextDecoder(expected, clock_names, rate_hz)


def lines(number, start=0, head=True, end="\n", separator=",", step_ms=1):
    """Lines whose second column is their own number, so that loss and doubling are arithmetic."""
    names = [separator.join(["t[ms]", "speed_v[V]", "link[mV/V]"]) + end] if head else []
    rows = [separator.join([str(n * step_ms), str(n), "-0.5"]) + end for n in range(start, start + number)]
    return "".join(names + rows).encode()


def blocks_of(items):
    return [item for item in items if isinstance(item, Block)]


def numbers_in(items):
    return [int(value) for block in blocks_of(items) for value in block.samples[:, 0]]


def merged(items):
    """The items with Blocks that follow each other without a break made one."""
    result = []
    for item in items:
        last = result[-1] if result else None
        if not isinstance(item, Block):
            result.append(item)
        elif isinstance(last, list) and not item.lost and not item.restarted:
            last[-1] = np.concatenate([last[-1], item.samples])
        else:
            result.append([item.first, item.lost, item.restarted, item.rate_hz, item.device_us, item.samples])
    return [(*item[:-1], item[-1].shape, item[-1].tobytes()) if isinstance(item, list) else item for item in result]


@pytest.mark.parametrize("separator", [",", ";", "\t", " ", "   ", ", ", " ;"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_separators_and_line_ends(separator, end):
    """Comma, semicolon, tab and blanks, LF and CRLF are read alike."""
    one = decoder()
    items = one.feed(lines(1500, separator=separator, end=end), 0)

    assert items[0] == StreamInfo(1000.0, (ChannelInfo("speed_v", "V"), ChannelInfo("link", "mV/V")))
    assert numbers_in(items) == list(range(1500))
    assert (one.counts.lines, one.counts.bad_lines) == (1500, 0)


def test_without_names_the_columns_are_the_car_files_channels():
    """Nameless columns are the car file's channels in order."""
    items = decoder(rate_hz=200.0).feed(b"1.5, 2\n3,-4e-1\n5,6\n", 9)

    assert items[0] == StreamInfo(200.0, EXPECTED)
    np.testing.assert_array_equal(items[1].samples, np.float32([[1.5, 2], [3, -0.4], [5, 6]]))
    assert (items[1].first, items[1].host_ns) == (0, 9)


def test_names_may_come_in_another_order_and_number():
    """Named columns are found wherever they stand."""
    data = b"# logger 3\nextra, link [N] ,t[us],speed_v\n" + b"".join(
        b"7,%d,%d,%d\n" % (-n, 5000 * n, n) for n in range(300)
    )
    items = decoder().feed(data, 0)

    assert items[0].channels == (ChannelInfo("extra"), ChannelInfo("link", "N"), ChannelInfo("speed_v", "V"))
    assert items[0].rate_hz == 200.0
    assert numbers_in(items) == [7] * 300
    assert blocks_of(items)[0].samples[5].tolist() == [7, -5, 5]


def test_a_time_channel_of_the_car_file_is_the_clock():
    """The car file may say which column is the clock."""
    data = b"clock;speed_v;link\n" + b"".join(b"%f;1;2\n" % (n * 0.02) for n in range(60))
    items = decoder(clock_names=frozenset({"clock"})).feed(data, 0)

    assert items[0].rate_hz == pytest.approx(50.0, rel=1e-4)
    assert items[0].names == ("speed_v", "link")


@pytest.mark.parametrize(("unit", "per_s"), [("s", 1), ("ms", 1_000), ("us", 1_000_000)])
@pytest.mark.parametrize("rate_hz", [100.0, 700.0, 1953.125])
def test_the_rate_comes_from_the_clock_however_coarse(unit, per_s, rate_hz):
    """A clock of whole milliseconds still gives the rate."""
    places = 6 if unit == "s" else 0
    rows = [f"{n / rate_hz * per_s:.{places}f},1,2\n" for n in range(int(2.5 * rate_hz))]
    one = decoder()
    items = one.feed((f"t[{unit}],speed_v,link\n" + "".join(rows)).encode(), 0)

    assert items[0].rate_hz == pytest.approx(rate_hz, rel=1e-3)
    assert sum(len(b) for b in blocks_of(items)) == len(rows)
    assert one.counts.lost_samples == 0


def test_losses_among_the_first_lines_do_not_slow_the_rate():
    """Lines lost at the start do not change the rate."""
    rows = [f"{n},1,2\n" for n in range(1500) if n % 50]
    one = decoder()
    items = one.feed(("t[ms],speed_v,link\n" + "".join(rows)).encode(), 0)

    assert items[0].rate_hz == 1000.0
    assert one.counts.lost_samples == 29
    assert blocks_of(items)[-1].end == 1499


def test_loss_shows_where_the_clock_jumps():
    """A jump of the clock is lost samples."""
    one = decoder()
    items = one.feed(lines(1200) + lines(100, start=1207, head=False), 0)

    _, second = [b for b in blocks_of(items) if b.lost or b.first == 0]
    assert (second.lost, second.first) == (7, 1207)
    assert one.counts.lost_samples == 7
    assert [text_of(note.what) for note in items if isinstance(note, WireNote)] == ["7 samples are missing"]


def test_without_a_clock_no_loss_is_invented():
    """Without a clock no loss can be seen, and none is made up."""
    one = decoder(rate_hz=100.0)
    one.feed(b"1,2\n" * 10, 0)
    (block,) = one.feed(b"1,2\n" * 10, 60_000_000_000)

    assert (block.lost, block.first) == (0, 10)


def test_a_clock_that_runs_backwards_is_a_restarted_device():
    """A clock that goes back is a restart."""
    one = decoder()
    items = one.feed(lines(1500), 1_000_000_000)
    items += one.feed(lines(20), 1_250_000_000)

    again = next(b for b in blocks_of(items) if b.restarted)
    assert (again.lost, again.first) == (249, 1749)
    assert one.counts.restarts == 1
    assert one.counts.bad_lines == 0  # the line of names, again


@pytest.mark.parametrize(("unit", "wrap"), [("us", 2**32), ("ms", 2**32), ("ms", 2**16)])
def test_a_counter_that_starts_over_is_no_restart(unit, wrap):
    """A clock that wraps runs on."""
    step = {"us": 10_000, "ms": 10}[unit]
    start = wrap - 150 * step - 5
    rows = [f"{(start + n * step) % wrap},{n},2\n" for n in range(400)]
    one = decoder()
    items = one.feed((f"t[{unit}],speed_v,link\n" + "".join(rows)).encode(), 0)

    assert numbers_in(items) == list(range(400))
    assert (one.counts.restarts, one.counts.lost_samples) == (0, 0)


def test_after_the_port_was_away_the_gap_is_the_hosts_time():
    """After a pulled cable the host's clock measures the gap."""
    one = decoder(rate_hz=100.0)
    one.feed(b"1,2\n" * 10 + b"3,", 1_000_000_000)
    one.interrupted()
    (note, block) = one.feed(b"4\n5,6\n7,8\n", 3_000_000_000)

    assert (block.lost, block.first, block.restarted) == (199, 209, False)
    assert block.samples.tolist() == [[5, 6], [7, 8]]  # the first line may lack its beginning
    assert note.kind == "gap"


@pytest.mark.parametrize(
    "bad",
    [
        b"1,2",
        b"1,2,3,4",
        b"5,x,1",
        b"5,,1",
        b"\xff\xfe,1,2",
        b"1,2],[3,4,5",
        b"[5,1,2]",
        b'"5",1,2',
        b"5,1_0,2",
        b"5,1,2,",
        b"5 1 2",
        b"nan,1,2",
        b"5,1\x00,2",
        b"null,1,2",
        b"true,1,2",
        b"5,0x1,2",
        b"Hello there",
        b"5,1;2",
        b"\xc2\xa05,1,2",
    ],
)
@pytest.mark.parametrize("good", [1, 1500])
def test_a_line_that_does_not_parse_is_counted_and_dropped(bad, good):
    """A broken line is counted and the next good one used."""
    one = decoder()
    items = one.feed(lines(1500), 0)
    items += one.feed(lines(good, start=1500, head=False) + bad + b"\n" + lines(good, start=1500 + good, head=False), 0)

    assert one.counts.bad_lines == 1
    assert numbers_in(items) == list(range(1500 + 2 * good))
    assert one.counts.lost_samples == 0


def test_blank_lines_and_comments_are_no_bad_lines():
    """Blank lines and comments are no errors."""
    one = decoder(rate_hz=100.0)
    items = one.feed(b"\n# all of it\r\n1,2 # note\n \n3,4\n5,6\n\n#\n7,8\n", 0)

    assert numbers_in(items) == [1, 3, 5, 7]
    assert one.counts.bad_lines == 0


def test_cells_that_are_not_finite_are_missing_cells():
    """Infinity and NaN are missing cells."""
    one = decoder(rate_hz=100.0)
    items = one.feed(b"1,2\n3,4\nnan,inf\n-Infinity,1e300\n5,NaN\n", 0)

    values = np.concatenate([b.samples for b in blocks_of(items)])
    np.testing.assert_array_equal(values[2:], np.float32([[np.nan, np.nan], [np.nan, np.nan], [5, np.nan]]))
    assert one.counts.cells_not_finite == 5
    assert one.counts.bad_lines == 0


def test_a_first_line_without_its_beginning_is_dropped():
    """A first line that began before us is dropped."""
    one = decoder()
    items = one.feed(b"t[ms],speed_v,link\n7,700,1\n" + lines(1500, start=10_700, head=False), 0)

    assert numbers_in(items) == list(range(10_700, 12_200))
    assert one.counts.bad_lines == 1


def test_no_rate_and_wrong_columns_are_input_errors_with_a_cure():
    """No rate and wrong columns are one line each with the cure."""
    with pytest.raises(InputError, match="rate is not known"):
        decoder().feed(b"1,2\n" * 5, 0)
    with pytest.raises(InputError, match=r"3 columns .* 2 channels \(speed_v, link\)"):
        decoder(rate_hz=10.0).feed(b"1,2,3\n" * 5, 0)
    with pytest.raises(InputError, match="does not run"):
        decoder().feed(b"t[s],speed_v,link\n" + b"5,1,2\n" * 5000, 0)


def test_a_clock_that_stands_leaves_the_rate_to_the_person():
    """A clock that does not run needs the rate from a person."""
    items = decoder(rate_hz=25.0).feed(b"t[s],speed_v,link\n" + b"5,1,2\n" * 5000, 0)

    assert items[0].rate_hz == 25.0
    assert sum(len(b) for b in blocks_of(items)) == 5000


def test_a_clock_beyond_all_bounds_costs_only_its_line():
    """One absurd stamp costs its line."""
    one = decoder()
    items = one.feed(lines(1500), 0)
    items += one.feed(b"1e300,0,0\ninf,0,0\n-1e17,0,0\n" + lines(5, start=1500, head=False), 0)

    assert numbers_in(items) == list(range(1505))
    assert one.counts.bad_lines == 3
    with pytest.raises(InputError, match="mend its unit"):
        decoder().feed(b"t[us],speed_v,link\n" + b"".join(b"%.6f,1,2\n" % (n / 1e3) for n in range(5000)), 0)


def test_a_line_without_end_is_held_within_bounds():
    """A line that never ends does not fill the memory."""
    one = decoder(rate_hz=100.0)
    one.feed(b"1,2\n" * 5, 0)
    for _ in range(40):
        one.feed(b"1" * 60_000, 0)
    items = one.feed(b"\n3,4\n", 0)

    assert len(one._tail) <= 64 * 1024
    assert numbers_in(items) == [3]
    assert one.counts.bad_lines == 1


CELL = st.one_of(
    st.integers(-(10**6), 10**6).map(str),
    st.floats(-1e6, 1e6).map(repr),
    st.sampled_from(["+1", ".5", "1.", "007", "1e3", "nan", "inf", "-0", "x", "", "1_0", "0x1", "1e999"]),
    st.sampled_from(["[1", "]", '"1"', "\u0661"]),
)
LINE = st.one_of(
    st.lists(CELL, min_size=1, max_size=4).map(",".join),
    st.tuples(CELL, CELL).map(",".join),
    st.text(st.sampled_from('0123456789.,;eE+-[]"# \t\r\x0b\x1c_n\u00a0'), max_size=12),
)


@settings(max_examples=250, deadline=None)
@given(rows=st.lists(LINE, max_size=60), cuts=st.lists(st.integers(0, 2000), max_size=10))
def test_any_split_of_the_bytes_gives_the_same_to_the_bit(rows, cuts):
    """However the bytes are cut, the samples are the same."""
    data = ("1,2\n3,4\n5,6\n" + "\n".join(rows) + "\n").encode()
    whole = decoder(rate_hz=100.0)
    expected = merged(whole.feed(data, 0))

    edges = [0, *sorted(cut % (len(data) + 1) for cut in cuts), len(data)]
    split = decoder(rate_hz=100.0)
    items = [item for start, stop in pairwise(edges) for item in split.feed(data[start:stop], 0)]

    assert merged(items) == expected
    assert split.counts == whole.counts


@settings(max_examples=60, deadline=None)
@given(
    lost=st.sets(st.integers(0, 1600), max_size=8),
    cuts=st.lists(st.integers(0, 30_000), max_size=8),
    back=st.integers(0, 1600),
)
def test_any_split_gives_the_same_with_a_clock_that_jumps(lost, cuts, back):
    """Cuts change nothing where the clock jumps."""
    rows = [f"{n if n < back else n - back},{n},0\n" for n in range(1600) if n not in lost]
    data = ("t[ms],speed_v,link\n" + "".join(rows)).encode()
    whole = decoder()
    expected = merged(whole.feed(data, 0))

    edges = [0, *sorted(cut % (len(data) + 1) for cut in cuts), len(data)]
    split = decoder()
    items = [item for start, stop in pairwise(edges) for item in split.feed(data[start:stop], 0)]

    assert merged(items) == expected
    assert split.counts == whole.counts


@settings(max_examples=200, deadline=None)
@given(values=st.lists(st.floats(-1e30, 1e30, width=64), min_size=1, max_size=50))
def test_numbers_are_read_as_python_reads_them(values):
    """The quick way reads a number as Python does."""
    data = b"".join(f"{value!r},{value:.4e}\n".encode() for value in values)
    one = decoder(rate_hz=100.0)
    items = one.feed(b"1,1\n" * 3 + data, 0)

    got = np.concatenate([b.samples for b in blocks_of(items)])[3:]
    expected = np.array([[value, float(f"{value:.4e}")] for value in values]).astype(np.float32)
    np.testing.assert_array_equal(got, expected)


@settings(max_examples=150, deadline=None)
@given(junk=st.lists(st.binary(max_size=2000), max_size=4))
def test_random_bytes_between_good_lines_never_raise(junk):
    """Noise between good lines raises nothing."""
    one = decoder(rate_hz=100.0)
    one.feed(b"1,2\n" * 5, 0)
    for piece in junk:
        one.feed(piece, 0)
    items = one.feed(b"\n3,4\n", 0)

    assert numbers_in(items)[-1] == 3


def numbered(stamps, head=b"t[ms],speed_v,link\n"):
    """Lines whose second column is their own number, with any stamps."""
    return head + "".join(f"{stamp},{n},-0.5\n" for n, stamp in enumerate(stamps)).encode()


@settings(max_examples=150, deadline=None)
@given(
    at=st.integers(2, 1580),
    wrong=st.one_of(st.floats(-1e14, 1e14), st.integers(-10, 3000).map(float)),
    cuts=st.lists(st.integers(0, 30_000), max_size=4),
)
def test_one_line_with_a_wrong_time_costs_only_itself(at, wrong, cuts):
    """A device's clock of 1 ms: the others are there, at their times, and it is dropped and counted."""
    stamps = [float(n) for n in range(1600)]
    stamps[at] = wrong
    data = numbered([f"{stamp:.1f}" for stamp in stamps])
    one = decoder()
    edges = [0, *sorted(cut % (len(data) + 1) for cut in cuts), len(data)]
    items = [item for start, stop in pairwise(edges) for item in one.feed(data[start:stop], 0)]

    placed = {}
    for block in blocks_of(items):
        placed.update(zip(block.samples[:, 0].astype(int).tolist(), range(block.first, block.end), strict=True))
    placed.pop(at, None)
    near = abs(wrong - at) <= 3  # of lines one ms apart that one is early or late cannot be told
    if not near:
        assert placed == {n: n for n in range(1600) if n != at}
        assert (one.counts.bad_lines, one.counts.lost_samples, one.counts.restarts) == (1, 1, 0)
    assert max(placed.values()) <= 1603


@pytest.mark.parametrize("where", [5, 1300])
def test_a_line_of_the_year_thirty_thousand_is_dropped_and_named(where):
    """One t of 10^12 s once made a session of 5.5e9 s; so it may not, among the first lines or later."""
    stamps = [n / 1000 for n in range(1600)]
    stamps[where] = 1e12
    one = decoder()
    items = one.feed(numbered([f"{stamp:.3f}" for stamp in stamps], b"t[s],speed_v,link\n"), 0)

    assert items[0].rate_hz == 1000.0
    assert blocks_of(items)[-1].end == 1600
    assert (one.counts.bad_lines, one.counts.restarts) == (1, 0)
    assert "1000000000000" in one.last_bad


def test_a_clock_that_is_set_anew_makes_no_session_of_years():
    """The device learns the date: its clock leaps from 1.5 s to 1.7e9 s and goes on there."""
    stamps = [n / 100 + (1.7e9 if n >= 150 else 0) for n in range(400)]
    one = decoder()
    data = numbered([f"{stamp:.2f}" for stamp in stamps], b"t[s],speed_v,link\n")
    items = one.feed(data[:3000], 1_000_000_000) + one.feed(data[3000:], 3_000_000_000)

    assert numbers_in(items) == list(range(400))
    assert blocks_of(items)[-1].end < 1000
    assert one.counts.restarts == 1


def test_the_same_columns_in_another_order_are_mapped_by_name():
    """A restarted device names its columns anew; what it says counts, the time column too."""
    one = decoder()
    more = b"link[mV/V],speed_v[V],t[ms]\n" + b"".join(b"-0.5,%d,%d\n" % (n, n) for n in range(1500, 1700))
    items = one.feed(lines(1500) + more + lines(100, start=1700), 0)

    assert numbers_in(items) == list(range(1800))
    assert set(np.concatenate([b.samples[:, 1] for b in blocks_of(items)]).tolist()) == {-0.5}
    assert (one.counts.bad_lines, one.counts.restarts, one.counts.lost_samples) == (0, 0, 0)


@pytest.mark.parametrize(
    "header",
    [
        b"t[ms],speed_v[V],lambda\n",
        b"t[ms],link[N],speed_v\n",
        b"a,b,c\n",
        b"t[ms],speed_v,link,knock\n",
        b"t[ms],speed_v[mV],link\n",
        b"t[us],speed_v,link\n",
        b"t,speed_v,link\n",
    ],
)
def test_other_columns_in_mid_stream_are_refused_by_name_and_counted(header):
    """They once took the places of the first ones in silence. The first header brings its lines back."""
    one = decoder()
    width = header.count(b",") + 1
    foreign = b"".join(b",".join([b"%d" % n] * width) + b"\n" for n in range(1500, 1600))
    items = one.feed(lines(1500) + header + foreign + lines(100, start=1600), 0)

    assert numbers_in(items) == [*range(1500), *range(1600, 1700)]
    assert one.counts.bad_lines == 101
    (fault,) = [text_of(note.what) for note in items if isinstance(note, WireNote) and note.kind == "fault"]
    assert header.decode().strip() in fault


def test_words_of_a_device_are_no_header():
    """A message among the lines costs itself only."""
    one = decoder()
    items = one.feed(lines(1500) + b"Hello there\nsensor ok\n" + lines(100, start=1500, head=False), 0)

    assert numbers_in(items) == list(range(1600))
    assert one.counts.bad_lines == 2
