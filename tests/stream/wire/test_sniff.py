"""Which wire it is, and that nothing is lost until that is known."""

import numpy as np
import pytest

from stream.block import Block, ChannelInfo, StreamInfo
from stream.errors import InputError
from stream.wire.frames import encode_description, encode_note, encode_samples
from stream.wire.items import WireChannel
from stream.wire.sniff import WireDecoder

EXPECTED = (ChannelInfo("speed_v", "V"), ChannelInfo("link", "mV/V"))
CHANNELS = [WireChannel("speed_v", "V"), WireChannel("link", "mV/V")]
SECOND = 1_000_000_000


def rows_in(items):
    return sum(len(item) for item in items if isinstance(item, Block))


def frames(number):
    return b"".join(encode_samples(k + 1, 4 * k, 0, np.full((4, 2), k, np.int16)) for k in range(number))


def test_framed_from_the_first_frame_that_passes():
    """One frame with a good CRC makes the stream framed."""
    wire = WireDecoder(EXPECTED)
    assert wire.feed(b"boot 1.2\r\n" * 3 + b"\0", 0) == []
    assert wire.kind is None
    items = wire.feed(encode_description(0, "d", 100.0, CHANNELS) + frames(3), SECOND)

    assert wire.kind == "framed"
    assert isinstance(items[0], StreamInfo)
    assert rows_in(items) == 12


@pytest.mark.parametrize("first", [encode_note(0, "hello"), frames(1)])
def test_any_frame_that_passes_decides_but_only_a_description_describes(first):
    """Any good frame decides; only a description tells the channels."""
    wire = WireDecoder(EXPECTED)
    wire.feed(first, 0)

    assert wire.kind == "framed"
    assert not wire.described
    wire.feed(encode_description(9, "d", 100.0, CHANNELS), 0)
    assert wire.described


def test_text_after_one_second_of_lines_and_nothing_is_lost_meanwhile():
    """A second of lines makes it text, and none of them is lost."""
    wire = WireDecoder(EXPECTED, rate_hz=10.0)
    for k in range(10):
        assert wire.feed(b"%d,0\n" % k, k * SECOND // 10) == []
    assert wire.kind is None
    items = wire.feed(b"10,0\n", SECOND)

    assert wire.kind == "text"
    assert wire.described
    assert items[0] == StreamInfo(10.0, EXPECTED)
    assert [row[0] for item in items[1:] for row in item.samples] == list(range(11))
    assert wire.counts.bytes == len(b"0,0\n" * 10 + b"10,0\n")


def test_text_is_decided_when_time_passes_without_bytes():
    """The second passes though no byte comes."""
    wire = WireDecoder(EXPECTED, rate_hz=10.0)
    wire.feed(b"speed_v,link\n1,2\n3,4\n5,6\n", 0)
    items = wire.feed(b"", SECOND)

    assert rows_in(items) == 3


def test_samples_that_look_like_lines_do_not_make_it_text():
    """Counts of 0x0A and digits: the frames pass their CRC before a second of lines has."""
    wire = WireDecoder(EXPECTED)
    body = np.frombuffer(b"1\n2\n" * 16, np.int16).reshape(-1, 2)
    wire.feed(b"1\n2\n3\n", 0)
    wire.feed(b"\0" + encode_description(0, "d", 100.0, CHANNELS) + encode_samples(1, 0, 0, body), SECOND // 2)
    wire.feed(b"", 3 * SECOND)

    assert wire.kind == "framed"


def test_random_bytes_decide_nothing_and_memory_stays_flat():
    """Noise is neither frames nor text."""
    import tracemalloc

    wire = WireDecoder(EXPECTED, rate_hz=10.0)
    piece = np.random.default_rng(5).integers(0, 256, 60_000, dtype=np.uint8).tobytes()
    tracemalloc.start()
    for k in range(60):
        wire.feed(piece, k * SECOND)
    held, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    items = wire.feed(b"\0" + encode_description(0, "d", 100.0, CHANNELS) + frames(3), 0)

    assert held < 3_000_000
    assert rows_in(items) == 12


def test_text_without_a_rate_is_an_input_error():
    """Text without a clock and a rate is one line with the cure."""
    wire = WireDecoder(EXPECTED)
    wire.feed(b"1,2\n3,4\n5,6\n", 0)
    with pytest.raises(InputError, match="rate is not known"):
        wire.feed(b"7,8\n", SECOND)
