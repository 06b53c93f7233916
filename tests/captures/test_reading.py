from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rtcmtool.captures.arrivals import pack
from rtcmtool.captures.reading import open_capture, parts
from rtcmtool.errors import SourceError
from rtcmtool.wire.stream import StreamDecoder

NOW = 1_772_600_767_000_000_000
SECOND = 10**9


def make(folder: Path, name: str, pieces: list[bytes], first_second: int = 0) -> Path:
    """Write bytes and arrivals, a piece a second."""
    path = folder / f"{name}.rtcm3"
    path.write_bytes(b"".join(pieces))
    offset, content = 0, b""
    for index, piece in enumerate(pieces):
        content += pack(NOW + (first_second + index) * SECOND, offset)
        offset += len(piece)
    (folder / f"{name}.arrivals").write_bytes(content)
    return path


def joined(chunks) -> bytes:
    return b"".join(chunk.data for chunk in chunks)


def test_any_file_is_a_capture_without_companions(tmp_path: Path) -> None:
    path = tmp_path / "receiver.bin"
    path.write_bytes(b"anything at all")
    capture = open_capture(path)
    assert capture.size_bytes == 15
    assert not capture.has_arrivals
    assert capture.description is None
    assert (capture.events, capture.outages, capture.notes) == ((), (), ())
    (chunk,) = capture.chunks()
    assert chunk.data == b"anything at all"
    assert len(chunk.offsets) == 0


def test_an_empty_file_is_a_capture_of_no_bytes(tmp_path: Path) -> None:
    path = tmp_path / "empty.rtcm3"
    path.touch()
    capture = open_capture(path)
    assert capture.size_bytes == 0
    assert list(capture.chunks()) == []


@pytest.mark.parametrize("name", ["job", "job.rtcm3"])
def test_a_capture_is_found_with_and_without_its_suffix(tmp_path: Path, name: str) -> None:
    make(tmp_path, "job", [b"ab", b"cd"])
    capture = open_capture(tmp_path / name)
    assert capture.path.name == "job.rtcm3"
    assert len(capture.arrivals) == 2


def test_blocks_carry_the_arrivals_that_belong_to_them(tmp_path: Path) -> None:
    path = make(tmp_path, "job", [b"aaaa", b"bb", b"ccccc"])
    blocks = list(open_capture(path).chunks(5))
    assert [block.data for block in blocks] == [b"aaaab", b"bcccc", b"c"]
    assert [block.offsets.tolist() for block in blocks] == [[0, 4], [6], []]
    assert blocks[1].utc_ns.tolist() == [NOW + 2 * SECOND]


def test_arrival_chunks_are_the_pieces_as_they_came(tmp_path: Path) -> None:
    pieces = [b"aaaa", b"bb", b"ccccc"]
    path = make(tmp_path, "job", pieces)
    chunks = list(open_capture(path).arrival_chunks())
    assert [chunk.data for chunk in chunks] == pieces
    assert [int(chunk.utc_ns[0]) for chunk in chunks] == [NOW + n * SECOND for n in range(3)]


def test_bytes_before_the_first_arrival_come_without_a_time(tmp_path: Path) -> None:
    path = make(tmp_path, "job", [b"aaaa", b"bb"])
    (tmp_path / "job.arrivals").write_bytes(pack(NOW, 4))
    first, second = open_capture(path).arrival_chunks()
    assert (first.data, len(first.utc_ns)) == (b"aaaa", 0)
    assert (second.data, second.offsets.tolist()) == (b"bb", [4])


@given(
    st.lists(st.binary(min_size=1, max_size=9), min_size=1, max_size=12),
    st.integers(1, 20),
    st.integers(-1, 13),
    st.integers(-1, 13),
)
def test_a_time_range_gives_the_pieces_that_arrived_in_it(
    tmp_path_factory, pieces, block_bytes, since, until
) -> None:
    path = make(tmp_path_factory.mktemp("capture"), "job", pieces)
    limits = {"since": NOW + since * SECOND, "until": NOW + until * SECOND}
    capture = open_capture(path)
    inside = [piece for n, piece in enumerate(pieces) if since <= n <= until]
    chunks = list(capture.chunks(block_bytes, **limits))
    assert joined(chunks) == b"".join(inside)
    assert joined(capture.arrival_chunks(**limits)) == b"".join(inside)
    # Offsets count from the first byte that is given, as the decoder counts.
    offsets = [int(offset) for chunk in chunks for offset in chunk.offsets]
    assert offsets == [sum(map(len, inside[:n])) for n in range(len(inside))]


def test_without_arrivals_a_time_range_gives_all_bytes(tmp_path: Path) -> None:
    path = tmp_path / "receiver.bin"
    path.write_bytes(b"abc")
    assert joined(open_capture(path).chunks(since=NOW)) == b"abc"


def test_the_name_of_a_split_recording_gives_all_parts_as_one(tmp_path: Path) -> None:
    make(tmp_path, "job-001", [b"aa", b"bb"])
    make(tmp_path, "job-002", [b"cc"], 2)
    whole = open_capture(tmp_path / "job")
    assert whole.size_bytes == 6
    assert whole.arrivals.offsets.tolist() == [0, 2, 4]
    assert joined(whole.chunks()) == b"aabbcc"
    assert joined(whole.chunks(since=NOW + SECOND)) == b"bbcc"
    assert [chunk.data for chunk in whole.arrival_chunks()] == [b"aa", b"bb", b"cc"]
    assert open_capture(tmp_path / "job-002.rtcm3").size_bytes == 2
    assert open_capture(tmp_path / "job-002").arrivals.utc_ns.tolist() == [NOW + 2 * SECOND]


@pytest.mark.parametrize("name", ["job", "job.rtcm3", "job-001.rtcm3", "job-002", "job-010.rtcm3"])
def test_parts_of_a_recording_come_in_order(tmp_path: Path, name: str) -> None:
    for part in ("job-010", "job-002", "job-001"):
        make(tmp_path, part, [b"x"])
    assert [path.name for path in parts(tmp_path / name)] == [
        "job-001.rtcm3",
        "job-002.rtcm3",
        "job-010.rtcm3",
    ]


def test_a_single_capture_is_its_only_part(tmp_path: Path) -> None:
    path = make(tmp_path, "job", [b"x"])
    assert parts(tmp_path / "job") == [path]


def test_damaged_companions_are_told_and_do_not_stop_the_reading(tmp_path: Path) -> None:
    path = make(tmp_path, "job", [b"ab"])
    (tmp_path / "job.json").write_bytes(b"{")
    (tmp_path / "job.events.jsonl").write_bytes(b'{"utc": "2026-03-04T05:06:07Z", "event"')
    (tmp_path / "job.outages.csv").write_bytes(b"start_utc,end\n2026")
    with (tmp_path / "job.arrivals").open("ab") as stream:
        stream.write(b"\1\2\3")
    capture = open_capture(path)
    assert len(capture.notes) == 4
    assert joined(capture.chunks()) == b"ab"


def test_a_missing_file_names_the_nearest_one(tmp_path: Path) -> None:
    make(tmp_path, "marsh-lane", [b"x"])
    with pytest.raises(SourceError) as caught:
        open_capture(tmp_path / "marsh-lan.rtcm3")
    assert caught.value.exit_code == 3
    assert "marsh-lane.rtcm3" in (caught.value.do or "")


def test_a_missing_folder_is_told(tmp_path: Path) -> None:
    with pytest.raises(SourceError) as caught:
        open_capture(tmp_path / "nowhere" / "job.rtcm3")
    assert "does not exist" in (caught.value.why or "")


def test_a_folder_is_refused_and_its_captures_named(tmp_path: Path) -> None:
    make(tmp_path, "job", [b"x"])
    with pytest.raises(SourceError, match="is a folder") as caught:
        open_capture(tmp_path)
    assert "job.rtcm3" in (caught.value.do or "")


def test_a_device_is_no_capture() -> None:
    with pytest.raises(SourceError, match="is not a file"):
        open_capture("/dev/null")


def test_a_file_that_may_not_be_read_is_told(tmp_path: Path, monkeypatch) -> None:
    path = make(tmp_path, "job", [b"x"])

    def refuse(*_arguments, **_more):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(SourceError, match="may not be read") as caught:
        open_capture(path)
    assert caught.value.why == "Permission denied"


def test_a_capture_that_shrinks_while_it_is_read_is_told(tmp_path: Path) -> None:
    path = make(tmp_path, "job", [b"aaaa"])
    capture = open_capture(path)
    path.write_bytes(b"a")
    with pytest.raises(SourceError, match="shorter"):
        list(capture.chunks())


@pytest.mark.open_data
@pytest.mark.slow
def test_a_recording_decodes_the_same_in_any_block_size(open_data: Path) -> None:
    capture = open_capture(open_data / "static-msm5.rtcm3")
    assert capture.size_bytes == (open_data / "static-msm5.rtcm3").stat().st_size
    counts = []
    for block_bytes in (100_003, 512 * 1024):
        decoder = StreamDecoder()
        total = sum(len(decoder.feed(chunk)) for chunk in capture.chunks(block_bytes))
        counts.append(total + len(decoder.finish()))
    assert counts[0] == counts[1] > 1000
