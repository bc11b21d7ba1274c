"""Framed blocks: any split gives the same, damage costs only itself, bad input gets a word or a counter.

Frames are built here with struct, zlib and cobs from the published layout, not with the code under test.
"""

import json
import math
import struct
import zlib
from itertools import pairwise

import numpy as np
import pytest
from cobs import cobs
from hypothesis import given, settings
from hypothesis import strategies as st

from stream.block import Block, ChannelInfo, StreamInfo
from stream.wire.frames import (
    FrameDecoder,
    encode_description,
    encode_frame,
    encode_note,
    encode_samples,
)
from stream.wire.items import WireNote
from tests.told import text_of

CHANNELS = [
    {"name": "speed_v", "unit": "V", "scale": 0.001, "offset": 0.5},
    {"name": "link", "unit": "mV/V", "scale": -0.25, "offset": 0.0},
]


def frame(kind, sequence, body, version=1):
    raw = struct.pack("<BBI", version, kind, sequence) + body
    return cobs.encode(raw + struct.pack("<I", zlib.crc32(raw))) + b"\0"


def description(sequence=0, rate_hz=1000.0, channels=CHANNELS, sample_format="i16", name="bench"):
    content = {"name": name, "rate_hz": rate_hz, "channels": channels, "format": sample_format}
    return frame(1, sequence, json.dumps(content).encode())


def description_with_more(more):
    """A description that would do, with a key that nobody knows."""
    return b'{"rate_hz": 1000.0, "channels": [{"name": "a"}], "format": "i16", "more": ' + more + b"}"


def samples(sequence, index, counts, device_us=None):
    counts = np.asarray(counts)
    rows, channels = counts.shape
    device_us = index * 1000 if device_us is None else device_us
    kind = "<i2" if counts.dtype.kind == "i" else "<f4"
    return frame(2, sequence, struct.pack("<QQBH", index, device_us, channels, rows) + counts.astype(kind).tobytes())


def counts_at(index, rows=4):
    """Counts that tell their own sample index, so that loss and doubling are arithmetic."""
    numbers = np.arange(index, index + rows)
    return np.column_stack([numbers % 30000, -(numbers % 1000)]).astype(np.int16)


def run(number, start=0, rows=4, sequence=1):
    """`number` frames of samples in line."""
    return [samples(sequence + k, start + k * rows, counts_at(start + k * rows, rows)) for k in range(number)]


def merged(items):
    """The items with Blocks that follow each other without a break made one, and without the host's time."""
    result = []
    for item in items:
        last = result[-1] if result else None
        if isinstance(item, Block):
            key = ["block", item.first, item.lost, item.restarted, item.device_us, item.rate_hz]
            if isinstance(last, list) and item.first == last[1] + len(last[6]) and not item.lost and not item.restarted:
                last[6] = np.concatenate([last[6], item.samples])
            else:
                result.append([*key, item.samples])
        else:
            result.append(item)
    return [(*item[:6], item[6].shape, item[6].tobytes()) if isinstance(item, list) else item for item in result]


def blocks_of(items):
    return [item for item in items if isinstance(item, Block)]


def notes_of(items, kind):
    return [text_of(item.what) for item in items if isinstance(item, WireNote) and item.kind == kind]


def test_values_are_scale_times_count_plus_offset():
    """A count becomes a value by the description's scale and offset."""
    decoder = FrameDecoder()
    counts = np.array([[1000, 4], [-1000, -32768]], dtype=np.int16)
    info, block = decoder.feed(description() + samples(1, 0, counts), 77)

    assert info == StreamInfo(1000.0, (ChannelInfo("speed_v", "V"), ChannelInfo("link", "mV/V")), "bench")
    assert block.samples.dtype == np.float32
    np.testing.assert_array_equal(block.samples, np.float32([[1.5, -1.0], [-0.5, 8192.0]]))
    assert (block.first, block.device_us, block.host_ns, block.lost) == (0, 0, 77, 0)


def test_many_frames_in_line_are_one_block():
    """Frames without a gap between them come as one block."""
    block = blocks_of(FrameDecoder().feed(description() + b"".join(run(40)), 0))

    assert [len(b) for b in block] == [160]
    np.testing.assert_array_equal(block[0].samples[:, 0], np.float32(np.arange(160) * 0.001 + 0.5))


def test_a_recording_counts_from_zero_wherever_the_device_is():
    """The first sample seen is number 0."""
    blocks = blocks_of(FrameDecoder().feed(description() + b"".join(run(3, start=7_000_000)), 0))

    assert [(b.first, b.lost) for b in blocks] == [(0, 0)]


def test_a_jump_in_the_index_is_a_gap_of_that_many_samples():
    """Lost samples are counted by the index."""
    decoder = FrameDecoder()
    items = decoder.feed(description() + b"".join(run(10) + run(10, start=45)), 0)

    first, second = blocks_of(items)
    assert (first.end, second.first, second.lost) == (40, 45, 5)
    assert decoder.counts.lost_samples == 5
    assert notes_of(items, "gap") == ["5 samples are missing"]


@pytest.mark.parametrize("copies", [2, 3])
def test_doubled_frames_are_used_once(copies):
    """A frame that comes twice counts once."""
    decoder = FrameDecoder()
    data = b"".join(one * copies for one in run(12))
    (block,) = blocks_of(decoder.feed(description() * copies + data, 0))

    np.testing.assert_array_equal(block.samples[:, 0], np.float32(np.arange(48) * 0.001 + 0.5))
    assert decoder.counts.repeated == 13 * (copies - 1)
    assert decoder.counts.restarts == decoder.counts.lost_samples == 0


@pytest.mark.parametrize("late", range(8))
def test_a_frame_repeated_late_is_used_once(late):
    """A repeat counts once, however late it comes."""
    decoder = FrameDecoder()
    sent = run(10)
    items = decoder.feed(description() + b"".join([*sent[:8], sent[late], *sent[8:]]), 0)

    assert sum(len(b) for b in blocks_of(items)) == 40
    assert (decoder.counts.repeated, decoder.counts.restarts) == (1, 0)


@pytest.mark.parametrize("words_alike", [True, False])
def test_an_index_back_at_zero_is_a_restarted_device(words_alike):
    """An index that begins again is a restarted device."""
    decoder = FrameDecoder()
    again = run(6, sequence=1 if words_alike else 1000)
    items = decoder.feed(description() + b"".join(run(6)), 1_000_000_000)
    items += decoder.feed(description(0 if words_alike else 999) + b"".join(again), 1_100_000_000)

    before, *after = blocks_of(items)
    assert before.end == 24
    assert after[0].restarted
    assert after[0].lost == 96  # 0.1 s of the host's time at 1000 Hz, less the four that came
    assert after[0].first == 24 + after[0].lost
    assert sum(len(b) for b in after) == 24
    assert (decoder.counts.restarts, decoder.counts.repeated) == (1, int(words_alike))
    assert len(notes_of(items, "fault")) == 1


def test_a_restart_is_measured_by_the_devices_clock_where_that_ran_on():
    """Where the device's clock ran on, it measures the gap."""
    decoder = FrameDecoder()
    items = decoder.feed(description() + b"".join(run(2)) + samples(9, 0, counts_at(0), device_us=58_000), 0)

    before, after = blocks_of(items)
    assert (before.end, after.lost, after.first) == (8, 50, 58)


def test_after_the_port_was_away_a_clock_that_went_back_tells_a_restart_from_a_gap():
    """A clock that went back tells a restart from a gap."""
    decoder = FrameDecoder()
    decoder.feed(description() + b"".join(run(10)), 0)
    decoder.feed(run(1, start=40)[0][:20], 0)
    decoder.interrupted()
    (block,) = blocks_of(decoder.feed(samples(50, 5000, counts_at(5000), device_us=10_000), 2_000_000_000))

    assert block.restarted
    assert (block.first, block.lost) == (40 + 1996, 1996)
    assert decoder.counts.bad_frames == 1  # the one cut off


def test_samples_before_a_description_are_kept_out_and_counted():
    """Samples that nothing describes are counted and not used."""
    decoder = FrameDecoder()
    items = decoder.feed(b"".join(run(5)) + description() + b"".join(run(2, start=20)), 0)

    assert isinstance(items[0], StreamInfo)
    assert [b.first for b in blocks_of(items)] == [0]
    assert (decoder.counts.early_frames, decoder.counts.bad_frames, decoder.counts.lost_samples) == (5, 0, 0)


def test_a_note_is_words_without_control_characters():
    """A device's note is cleaned of control characters."""
    decoder = FrameDecoder()
    items = decoder.feed(frame(3, 0, b"supply\x1b[31m low\r\n\xff"), 0)

    assert items == [WireNote("note", 0, "device: supply [31m low �")]
    assert decoder.counts.notes == 1


@pytest.mark.parametrize(
    "bad",
    [
        frame(2, 5, b"\0" * 7),  # too short for a head
        samples(5, 8, np.zeros((4, 3), np.int16)),  # a channel too many
        frame(2, 5, struct.pack("<QQBH", 8, 0, 2, 9) + bytes(16)),  # rows it does not have
        frame(2, 5, struct.pack("<QQBH", 8, 0, 2, 4), version=2),
        frame(9, 5, b"later"),
        b"\x05\x11\x22\0",
        bytes(range(1, 256)) + b"\0",
        b"\x02\x01\0",
        frame(1, 5, b"{not json"),
        b"\x07" * 70_000 + b"\0",
    ],
)
def test_one_bad_frame_costs_only_itself(bad):
    """A damaged frame costs its own samples and no others."""
    decoder = FrameDecoder()
    items = decoder.feed(description() + b"".join(run(2)) + bad + b"".join(run(2, start=8)), 0)

    assert [row for b in blocks_of(items) for row in b.samples[:, 1]] == [0.25 * n for n in range(16)]
    assert decoder.counts.bad_frames == 1
    assert decoder.counts.lost_samples == 0


@pytest.mark.parametrize(
    ("words", "content"),
    [
        ("channels announced", description(channels=[{"name": f"c{n}"} for n in range(2000)])),
        ("channels announced", description(channels=[])),
        ("scale or an offset", description(channels=[{"name": "a", "scale": 0.0}])),
        ("too large", description(channels=[{"name": "a", "scale": 1e36}])),
        ("rate_hz", description(rate_hz=-1.0)),
        ("rate_hz", description(rate_hz=0)),
        ("refused", description(rate_hz=math.nan)),
        ("refused", description(rate_hz=math.inf)),
        ("refused", description(channels=[{"name": "a", "offset": math.nan}])),
        ("refused", description(channels=[{"name": "a", "scale": math.inf}])),
        ("refused", description(sample_format="f64")),
        ("refused", description(channels=[{"unit": "V"}])),
        ("refused", frame(1, 0, b"\xff\xfe")),
        ("refused", frame(1, 0, b"[]")),
        ("nested too deeply", frame(1, 0, description_with_more(b"[" * 20000 + b"]" * 20000))),
        ("nested too deeply", frame(1, 0, description_with_more(b'{"a":' * 5000 + b"1" + b"}" * 5000))),
        ("too large", description(channels=[{"name": "a", "scale": 1e308}])),
        ("too large", description(channels=[{"name": "a", "offset": -1e308}])),
        ("rate_hz", description(rate_hz=5e-324)),
    ],
)
def test_a_description_that_cannot_be_used_is_refused_with_words(words, content):
    """An unusable description is refused with the reason."""
    decoder = FrameDecoder()
    items = decoder.feed(content, 0) + decoder.feed(description(sequence=7) + run(1)[0], 0)

    (text,) = notes_of(items, "fault")
    assert "refused" in text
    assert words in text
    assert "\n" not in text
    assert decoder.counts.bad_frames == 1
    assert len(blocks_of(items)) == 1


def test_ten_thousand_channels_do_not_fit_and_do_no_harm():
    """An absurd number of channels is refused."""
    decoder = FrameDecoder()
    names = [{"name": f"channel {n}"} for n in range(10_000)]
    items = decoder.feed(description(channels=names) + description(sequence=1) + run(1)[0], 0)

    assert [type(item) for item in items] == [StreamInfo, Block]
    assert decoder.counts.bad_frames == 1


def test_names_are_cleaned_and_told_apart():
    """Channel names become printable and distinct."""
    channels = [
        {"name": "li\x00nk\n"},
        {"name": "li nk"},
        {"name": "\x07"},
        {"name": "x" * 300, "unit": "m\tV"},
    ]
    info, note = FrameDecoder().feed(description(channels=channels), 0)

    assert info.names == ("li nk", "li nk 2", "channel 3", "x" * 80)
    assert info.channels[3].unit == "m V"
    assert "cleaned" in text_of(note.what)


def test_a_description_that_changes_keeps_out_what_does_not_fit():
    """The first description rules; what does not fit it is counted."""
    decoder = FrameDecoder()
    items = decoder.feed(description() + b"".join(run(2)), 0)
    items += decoder.feed(description(50, rate_hz=500.0) + b"".join(run(3, start=8)), 0)
    items += decoder.feed(description(60) + b"".join(run(2, start=20)), 0)

    assert [(b.first, len(b), b.lost) for b in blocks_of(items)] == [(0, 8, 0), (20, 8, 12)]
    assert decoder.counts.misfit_frames == 3
    (text,) = notes_of(items, "fault")
    assert "500 Hz" in text


def test_a_changed_scale_is_used_from_there_on():
    """A new scale holds from its frame on."""
    louder = [{**CHANNELS[0], "scale": 0.002}, CHANNELS[1]]
    decoder = FrameDecoder()
    items = decoder.feed(description() + b"".join(run(1)) + description(8, channels=louder), 0)
    items += decoder.feed(b"".join(run(1, start=4)), 0)

    values = np.concatenate([b.samples[:, 0] for b in blocks_of(items)])
    expected = [0.5 + 0.001 * n for n in range(4)] + [0.5 + 0.002 * n for n in range(4, 8)]
    np.testing.assert_array_equal(values, np.float32(expected))
    assert len(notes_of(items, "note")) == 1


def test_floats_that_are_not_finite_become_missing_cells():
    """Infinity and NaN are missing cells."""
    channels = [{"name": "a", "scale": 1.0}, {"name": "b", "scale": 1e30}]
    values = np.float32([[1.5, math.inf], [math.nan, 2.0], [-math.inf, 1e20]])
    decoder = FrameDecoder()
    (block,) = blocks_of(decoder.feed(description(channels=channels, sample_format="f32") + samples(1, 0, values), 0))

    np.testing.assert_array_equal(block.samples, np.float32([[1.5, np.nan], [np.nan, 2e30], [np.nan, np.nan]]))
    assert decoder.counts.cells_not_finite == 4


def test_memory_stays_flat_when_no_zero_byte_ever_comes():
    """At most one frame is held in memory."""
    import tracemalloc

    decoder = FrameDecoder()
    piece = b"\x55" * 60_000
    decoder.feed(piece, 0)
    tracemalloc.start()
    for _ in range(50):
        assert decoder.feed(piece, 0) == []
    held, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    items = decoder.feed(b"\0" + description() + run(1)[0], 0)

    assert held < 200_000
    assert decoder.counts.bad_frames == 1
    assert len(blocks_of(items)) == 1


def test_question_marks_echoed_by_the_line_do_not_cost_the_frame_behind_them():
    """An echoed question does not spoil the next frame."""
    decoder = FrameDecoder()
    items = decoder.feed(b"?" + description() + b"??" + run(1)[0], 0)

    assert len(blocks_of(items)) == 1
    assert decoder.counts.bad_frames == 0


def test_an_absurd_jump_is_a_counter_set_anew_not_a_gap_of_centuries():
    """A jump beyond reason is a new count, not a gap."""
    decoder = FrameDecoder()
    items = decoder.feed(description() + run(1)[0] + samples(2, 2**63, counts_at(0), device_us=4000), 0)

    assert [(b.first, b.restarted) for b in blocks_of(items)] == [(0, False), (5, True)]


@pytest.mark.parametrize(
    ("ahead_s", "waited_s", "lost"), [(3000, 0, 3_000_000), (86_400, 0, 1), (86_400, 83_000, 86_400_000)]
)
def test_an_index_that_runs_away_from_the_hosts_clock_is_another_count(ahead_s, waited_s, lost):
    """A day is missing only where about a day went by; an hour more than the host's clock saw is believed."""
    decoder = FrameDecoder()
    items = decoder.feed(description() + run(1)[0], 1_000_000_000)
    far = samples(2, 4 + ahead_s * 1000, counts_at(0), device_us=4000)
    items += decoder.feed(far, 1_000_000_000 + waited_s * 1_000_000_000)

    last = blocks_of(items)[-1]
    assert (last.lost, last.restarted) == (lost, lost == 1)


def test_an_index_at_the_end_of_its_range_does_no_harm():
    """The last index there is raises nothing."""
    decoder = FrameDecoder()
    last = samples(0, 2**64 - 6, counts_at(0), device_us=0)
    items = decoder.feed(description() + last, 0)
    items += decoder.feed(b"".join(run(6, start=2)), 0)

    assert sum(len(b) for b in blocks_of(items)) == 28
    assert decoder.counts.restarts == 1


def test_the_encoders_make_the_published_layout():
    """The encoder writes the layout of the wire's description, byte by byte."""
    from stream.wire.items import WireChannel

    counts = counts_at(3)
    floats = counts.astype(np.float32)
    channels = [WireChannel(**channel) for channel in CHANNELS]

    assert encode_samples(9, 3, 3000, counts) == samples(9, 3, counts)
    assert encode_samples(9, 3, 3000, floats) == samples(9, 3, floats)
    assert encode_note(4, "µ") == frame(3, 4, "µ".encode())
    assert encode_frame(1, 2**32 + 7, b"x") == frame(1, 7, b"x")
    raw = cobs.decode(encode_description(2, "bench", 1000.0, channels)[:-1])
    assert json.loads(raw[6:-4]) == {
        "name": "bench",
        "rate_hz": 1000.0,
        "channels": CHANNELS,
        "format": "i16",
    }
    with pytest.raises(ValueError, match="int16 or float32"):
        encode_samples(0, 0, 0, np.zeros((1, 1)))
    with pytest.raises(ValueError, match="do not fit"):
        encode_samples(0, 0, 0, np.zeros((1, 256), np.int16))


PIECES = st.one_of(
    st.builds(lambda k: ("run", k), st.integers(1, 12)),
    st.builds(lambda k: ("lose", k), st.integers(1, 9)),
    st.just(("double", 0)),
    st.just(("restart", 0)),
    st.just(("describe", 0)),
    st.just(("note", 0)),
    st.builds(lambda b: ("junk", b), st.binary(min_size=1, max_size=40)),
)


def stream_of(pieces):
    """Bytes of a stream put together from `pieces`, and the (index, run) of the samples that must survive."""
    data, index, sequence, last = [description()], 0, 1, b""
    for what, detail in pieces:
        if what == "run":
            for _ in range(detail):
                last = samples(sequence, index, counts_at(index))
                data.append(last)
                index, sequence = index + 4, sequence + 1
        elif what == "lose":
            index += detail
        elif what == "double":
            data.append(last)
        elif what == "restart":
            index = sequence = 0
        elif what == "junk":
            data.append(detail + b"\0")
        else:
            data.append(description(sequence) if what == "describe" else frame(3, sequence, b"hello"))
            sequence += 1
    return b"".join(data)


@settings(max_examples=150, deadline=None)
@given(pieces=st.lists(PIECES, max_size=12), cuts=st.lists(st.integers(0, 4000), max_size=12))
def test_any_split_of_the_bytes_gives_the_same_to_the_bit(pieces, cuts):
    """However the bytes are cut, the samples are the same."""
    data = stream_of(pieces)
    whole = FrameDecoder()
    expected = merged(whole.feed(data, 0))

    edges = [0, *sorted(cut % (len(data) + 1) for cut in cuts), len(data)]
    split = FrameDecoder()
    items = [item for start, stop in pairwise(edges) for item in split.feed(data[start:stop], 0)]

    assert merged(items) == expected
    assert split.counts == whole.counts


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_corrupted_bytes_cost_only_the_frames_they_hit(data):
    """Damage costs the frames it hits and no more."""
    sent = run(20)
    stream = bytearray(b"".join(sent))
    hit = data.draw(st.lists(st.tuples(st.integers(0, len(stream) - 1), st.integers(1, 255)), max_size=6))
    for where, flip in hit:
        stream[where] ^= flip
    starts = np.cumsum([0, *map(len, sent)])
    # A damaged zero byte joins two frames, a byte that becomes zero cuts one: only those are touched.
    touched = set()
    for where, _ in hit:
        number = int(np.searchsorted(starts, where, side="right")) - 1
        touched |= {number, number + 1} if where == starts[number + 1] - 1 else {number}
    decoder = FrameDecoder()
    blocks = blocks_of(decoder.feed(description() + bytes(stream), 0))

    numbers = [b.samples[:, 1] * 4 for b in blocks]  # each sample tells its own index
    kept = {int(number) for block in numbers for number in block}
    untouched = {n for k in range(20) if k not in touched for n in range(4 * k, 4 * k + 4)}
    assert untouched <= kept
    assert all(n[0] - numbers[0][0] == b.first for n, b in zip(numbers, blocks, strict=True))


@settings(max_examples=200, deadline=None)
@given(junk=st.lists(st.binary(max_size=3000), max_size=5))
def test_random_bytes_never_raise(junk):
    """Noise is counted and raises nothing."""
    decoder = FrameDecoder()
    for piece in junk:
        decoder.feed(piece, 0)
    items = decoder.feed(b"\0" + description() + run(1)[0], 0)

    assert len(blocks_of(items)) == 1
