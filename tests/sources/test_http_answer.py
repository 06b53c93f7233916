from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rtcmtool.sources.http_answer import AnswerError, AnswerReader

FRAME = bytes.fromhex("D300133ED7D30202980EDEEF34B4BD62AC0941986F33360B98")  # 1005, RTCM 10403


def read(pieces: list[bytes]) -> tuple[AnswerReader, bytes]:
    reader = AnswerReader()
    body = b"".join(reader.feed(piece) for piece in pieces)
    return reader, body


def cut(data: bytes, cuts: list[int]) -> list[bytes]:
    places = sorted({0, len(data), *(place % (len(data) + 1) for place in cuts)})
    return [data[a:b] for a, b in pairwise(places)]


@pytest.mark.parametrize(
    "head",
    [
        b"ICY 200 OK\r\n",
        b"ICY 200 OK\r\n\r\n",
        b"ICY 200 OK\n\n",
        b"ICY 200 OK\r\nServer: caster/1\r\nDate: today\r\n\r\n",
    ],
    ids=["one line end", "a blank line", "bare line feeds", "header lines"],
)
@given(cuts=st.lists(st.integers(0, 500), max_size=6), count=st.integers(1, 4))
def test_revision_one_is_read_however_its_head_ends_and_the_bytes_arrive(head, cuts, count) -> None:
    reader, body = read(cut(head + FRAME * count, cuts))
    assert body == FRAME * count
    assert reader.answer is not None
    assert (reader.answer.protocol, reader.answer.code) == ("ICY", 200)


CHUNKED = (
    b"HTTP/1.1 200 OK\r\nNtrip-Version: Ntrip/2.0\r\nContent-Type: gnss/data\r\n"
    b"Transfer-Encoding: chunked\r\n\r\n"
)


@given(
    st.binary(min_size=1, max_size=200),
    st.lists(st.integers(0, 500), max_size=8),
    st.lists(st.integers(0, 500), max_size=8),
)
def test_chunk_borders_may_fall_anywhere(data, chunk_cuts, cuts) -> None:
    chunks = b"".join(b"%X;x=y\r\n%b\r\n" % (len(c), c) for c in cut(data, chunk_cuts))
    reader, body = read(cut(CHUNKED + chunks, cuts))
    assert body == data
    assert not reader.has_ended
    assert reader.feed(b"0\r\n\r\n") == b""
    assert reader.has_ended


def test_a_chunk_without_a_length_breaks_the_stream_behind_what_came_before_it() -> None:
    reader, body = read([CHUNKED, b"5\r\nhello\r\n\xd3\x00\x13\r\n5\r\nagain\r\n"])
    assert body == b"hello"
    assert reader.is_broken


def test_a_length_that_never_ends_breaks_the_stream() -> None:
    reader, body = read([CHUNKED, *([b"0" * 100] * 20)])
    assert reader.is_broken
    assert body == b""


def test_an_http_answer_without_chunks_is_given_as_it_comes() -> None:
    reader, body = read([b"HTTP/1.0 200 OK\r\nContent-Type: gnss/data\r\n\r\n", FRAME])
    assert body == FRAME
    assert reader.answer is not None
    assert reader.answer.headers == {"content-type": "gnss/data"}


def test_a_source_table_is_told_from_data() -> None:
    for head in (
        b"SOURCETABLE 200 OK\r\n\r\n",
        b"HTTP/1.1 200 OK\r\nContent-Type: gnss/sourcetable\r\n\r\n",
    ):
        reader, body = read([head, b"STR;A\r\n"])
        assert reader.answer is not None
        assert reader.answer.is_sourcetable
        assert body == b"STR;A\r\n"


def test_a_quiet_caster_of_revision_one_has_said_yes_already() -> None:
    reader, body = read([b"ICY 200 OK\r\n"])
    assert reader.is_acknowledged
    assert (reader.answer, body) == (None, b"")
    assert reader.finish() == b""
    assert reader.feed(FRAME) == FRAME


@pytest.mark.parametrize(
    "answer", [b"ERROR - Bad Password\r\n", b"\xd3\x00\x13" + bytes(30), b"hello\n", b"x" * 2000]
)
def test_what_is_no_answer_is_an_error(answer: bytes) -> None:
    with pytest.raises(AnswerError):
        AnswerReader().feed(answer)


def test_a_head_without_end_is_an_error() -> None:
    pieces = [b"HTTP/1.1 200 OK\r\n", *([b"x" * 1000] * 20)]
    with pytest.raises(AnswerError):
        read(pieces)


@given(st.binary(max_size=300), st.lists(st.integers(0, 400), max_size=6))
def test_any_bytes_are_read_or_refused(data: bytes, cuts: list[int]) -> None:
    try:
        read(cut(b"ICY 200 OK\r\n" + data, cuts))
        read(cut(data, cuts))
    except AnswerError:
        return
