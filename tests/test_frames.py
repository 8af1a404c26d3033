"""Lines out of chunks, and the checksum that vouches for a line."""

import random
import tracemalloc
import zlib
from itertools import pairwise

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from logger.errors import FrameInvalid
from logger.sources.frames import LINE_LIMIT_BYTES, CrcCheck, LineSplitter, check_crc, sign
from logger.sources.senml import decode_senml

PACK = b'[{"bn":"rig:","seq":3,"n":"enc","v":100}]'


def cut(data, places):
    """The data in chunks, cut at the places."""
    edges = [0, *sorted(p % (len(data) + 1) for p in places), len(data)]
    return [data[a:b] for a, b in pairwise(edges)]


def split(chunks, **options):
    """The lines that come out of chunks, and the splitter."""
    splitter = LineSplitter(**options)
    return [line for chunk in chunks for line in splitter.feed(chunk)], splitter


@given(
    st.lists(st.binary(max_size=12).filter(lambda b: not set(b) & {10, 13}), max_size=8),
    st.sampled_from([b"\n", b"\r\n", b"\r"]),
    st.lists(st.integers(0, 200), max_size=12),
)
def test_lines_do_not_depend_on_how_the_stream_was_cut(lines, end, places):
    """However the bytes come in chunks, the same lines come out, empty ones left out."""
    data = b"".join(line + end for line in lines)

    found, splitter = split(cut(data, places))

    assert found == [line for line in lines if line]
    assert splitter.discarded == 0


def test_an_unfinished_line_waits():
    """A line comes out when its end has come, and not before."""
    splitter = LineSplitter()

    assert splitter.feed(b"abc") == []
    assert splitter.feed(b"def\r") == [b"abcdef"]
    assert splitter.feed(b"\nnext") == []
    assert splitter.feed(b"\n") == [b"next"]


@pytest.mark.parametrize("chunk", [1, 7, 64, 10_000])
def test_an_overlong_line_is_dropped_whole_and_counted(chunk):
    """After a line beyond the limit the next good line is taken, and one discard counted."""
    data = b"good 1\n" + b"x" * 101 + b"\ngood 2\n" + b"y" * 5000 + b"\r\n" + b"z" * 100 + b"\n"

    found, splitter = split([data[i : i + chunk] for i in range(0, len(data), chunk)], limit=100)

    assert found == [b"good 1", b"good 2", b"z" * 100]
    assert splitter.discarded == 2


def test_noise_without_line_ends_takes_no_memory():
    """Ten million bytes without a line end keep no more than the limit, and are one discard."""
    splitter = LineSplitter()
    noise = bytes(b for b in random.Random(1).randbytes(4300) if b not in (10, 13))[:4096]
    tracemalloc.start()
    for _ in range(10_000_000 // len(noise)):
        splitter.feed(noise)
    _, peak_bytes = tracemalloc.get_traced_memory()
    tracemalloc.stop()

    assert peak_bytes < 4 * LINE_LIMIT_BYTES
    assert splitter.discarded == 1
    assert splitter.feed(b"\n" + PACK + b"\n") == [PACK]


def test_a_limit_that_takes_nothing_is_refused():
    """A limit below one byte is a mistake of the caller."""
    with pytest.raises(ValueError, match="takes nothing"):
        LineSplitter(0)


def test_crc_is_zlib_s_in_eight_lower_case_digits():
    """The checksum is CRC-32/ISO-HDLC, by its check value."""
    # CRC catalogue, from memory: cbf43926 for "123456789".
    assert sign(b"123456789") == b"123456789 cbf43926"
    assert check_crc(b"123456789 cbf43926") == b"123456789"


def test_a_pack_without_a_crc_is_taken():
    """The checksum is optional."""
    assert check_crc(PACK) == PACK


@pytest.mark.parametrize("bit", range(0, len(sign(PACK)) * 8, 3))
def test_a_flipped_bit_never_gives_another_pack(bit):
    """With a checksum, a line with one bit flipped is refused by checksum or decoder."""
    line = bytearray(sign(PACK))
    line[bit // 8] ^= 1 << bit % 8

    with pytest.raises(FrameInvalid):
        decode_senml(check_crc(bytes(line)))


def test_only_the_exact_form_is_a_crc():
    """Upper case, two spaces, a tab or fewer digits are no checksum, so the pack is refused."""
    digits = b"%08x" % zlib.crc32(PACK)
    for tail in (b" " + digits.upper(), b"\t" + digits, b" " + digits[1:], digits, b" 0x" + digits):
        with pytest.raises(FrameInvalid):
            decode_senml(check_crc(PACK + tail))
    with pytest.raises(FrameInvalid, match="CRC"):
        check_crc(PACK + b"  " + digits)


def test_once_signed_is_always_signed():
    """After a line with a checksum one without is refused, however whole it looks."""
    crc = CrcCheck()

    assert crc.take_off(PACK) == PACK
    assert crc.take_off(sign(PACK)) == PACK
    with pytest.raises(FrameInvalid, match="without a CRC"):
        crc.take_off(PACK)
    assert crc.take_off(sign(PACK)) == PACK


def test_a_wrong_checksum_does_not_make_a_line_signed():
    """Noise that looks like a checksum does not bind a device that sends none."""
    crc = CrcCheck()
    with pytest.raises(FrameInvalid, match="CRC says"):
        crc.take_off(PACK + b" 00000000")

    assert crc.take_off(PACK) == PACK


def test_a_checksum_can_be_demanded_from_the_first_line_on():
    """Where the checksum is demanded even the first line without one is refused."""
    with pytest.raises(FrameInvalid, match="without a CRC"):
        CrcCheck(demanded=True).take_off(PACK)


def taken(lines):
    """The packs that a reader of signed lines would take, and how many lines it would refuse."""
    packs, refused = [], 0
    crc = CrcCheck(demanded=True)
    for line in lines:
        try:
            packs.append(decode_senml(crc.take_off(line)))
        except FrameInvalid:
            refused += 1
    return packs, refused


@example([b'[{"bn":""}]'], [])  # SenML by chance
@given(st.lists(st.binary(max_size=80), max_size=20), st.lists(st.integers(0, 2000), max_size=10))
def test_signed_packs_survive_any_noise_between_them(noises, places):
    """Between lines of any bytes every good signed line is taken, and nothing else."""
    data = b"".join(b"\n" + noise + b"\n" + sign(PACK) + b"\n" for noise in noises)

    lines, _ = split(cut(data, places))
    packs, _ = taken(lines)

    assert len(packs) == len(noises)
    assert all(p.seq == 3 and p.value.tolist() == [100] for p in packs)


def test_cut_and_spliced_signed_packs_give_no_false_frame():
    """Of signed lines cut, spliced and overwritten at random, only the unhurt are taken."""
    rng = random.Random(20)
    good = hurt = 0
    stream = bytearray()
    for seq in range(4000):
        line = sign(b'[{"bn":"rig:","seq":%d,"n":"enc","v":%d}]' % (seq, seq * 3)) + b"\n"
        kind = rng.randrange(4)
        if kind == 0:  # the start of one and, without a line end, the rest of another
            stream += line[: rng.randrange(1, len(line) - 9)]
            hurt += 1
        elif kind == 1:
            place = rng.randrange(len(line) - 1)
            stream += line[:place] + rng.randbytes(rng.randrange(1, 9)) + line[place + 1 :]
            hurt += 1
        else:
            stream += b"\n" + line
            good += 1
    lines, _ = split(cut(bytes(stream), rng.choices(range(len(stream)), k=3000)))
    packs, refused = taken(lines)

    assert all(p.value.tolist() == [3 * p.seq] for p in packs)
    assert good <= len(packs) < good + hurt / 100
    assert refused > hurt / 4
