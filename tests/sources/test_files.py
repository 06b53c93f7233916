import os
import threading
import time
from pathlib import Path

import pytest

from rtcmtool.captures import CaptureWriter, Description, Split
from rtcmtool.errors import SourceError
from rtcmtool.sources.base import RefusedError
from rtcmtool.sources.files import FileSource, PipeSource
from tests.sources.conftest import LESS_THAN_A_TICK_S, Reader, has

NOW = 1_772_600_767_000_000_000


@pytest.fixture
def pipe():
    reading, writing = os.pipe()
    yield reading, os.fdopen(writing, "wb", buffering=0)
    os.close(reading)


def test_a_pipe_gives_its_bytes_and_ends_with_them(pipe) -> None:
    reading, writing = pipe
    writing.write(b"all there is")
    writing.close()
    reader = Reader(PipeSource("-", descriptor=reading)).read()
    assert reader.data == b"all there is"
    assert reader.texts.endswith("the input has ended")


def test_chunks_of_a_pipe_have_no_arrival_times(pipe) -> None:
    reading, writing = pipe
    writing.write(b"abc")
    writing.close()
    (chunk,) = PipeSource("-", descriptor=reading).chunks()
    assert (chunk.data, len(chunk.utc_ns)) == (b"abc", 0)


def test_a_silent_pipe_can_be_stopped(pipe, slow_ticks) -> None:
    reading, writing = pipe
    source = PipeSource("-", descriptor=reading)
    timer = threading.Timer(0.02, source.stop)
    timer.start()
    began_s = time.monotonic()
    assert Reader(source).read().data == b""
    assert time.monotonic() - began_s < LESS_THAN_A_TICK_S
    timer.join()
    writing.close()


def test_the_keyboard_is_no_source() -> None:
    end, keyboard = os.openpty()
    try:
        with pytest.raises(RefusedError, match="keyboard"):
            Reader(PipeSource("-", descriptor=keyboard)).read()
    finally:
        os.close(end)
        os.close(keyboard)


def test_a_named_pipe_waits_for_its_writer(tmp_path: Path, quick_ticks) -> None:
    path = tmp_path / "pipe"
    os.mkfifo(path)
    reader = Reader(PipeSource(str(path)))
    writers: list[threading.Thread] = []

    def each(reader: Reader) -> bool:
        if reader.ticks == 3 and not writers:
            writers.append(threading.Thread(target=path.write_bytes, args=(b"late",)))
            writers[0].start()
        return False

    assert reader.read(each).data == b"late"
    writers[0].join()


def test_a_file_in_the_place_of_a_pipe_is_known(tmp_path: Path, pipe) -> None:
    path = tmp_path / "file"
    path.touch()
    with path.open("rb") as stream:
        assert PipeSource("-", descriptor=stream.fileno()).is_regular_file
    reading, writing = pipe
    assert not PipeSource("-", descriptor=reading).is_regular_file
    writing.close()


def test_a_file_is_read_whole_with_its_arrivals(tmp_path: Path) -> None:
    writer = CaptureWriter(tmp_path / "job", Description("x", "0"), monotonic_s=0.0)
    writer.write(b"abc", NOW)
    writer.close(NOW)
    source = FileSource(str(tmp_path / "job"))
    (chunk,) = source.chunks()
    assert (chunk.data, chunk.utc_ns.tolist()) == (b"abc", [NOW])
    assert not source.is_live
    assert source.capture.description is not None


def test_a_growing_file_is_followed_from_where_it_was_read(tmp_path: Path, quick_ticks) -> None:
    path = tmp_path / "job.rtcm3"
    path.write_bytes(b"old")
    source = FileSource(str(path))
    assert [chunk.data for chunk in source.chunks()] == [b"old"]
    with path.open("ab", buffering=0) as stream:
        stream.write(b"while away")
        reader = Reader(source)

        def each(reader: Reader) -> bool:
            if reader.ticks == 2:
                stream.write(b", new")
            return reader.size_bytes >= 15

        reader.read(each)
    assert reader.data == b"while away, new"


def test_the_next_part_of_a_recording_is_followed_too(tmp_path: Path, quick_ticks) -> None:
    writer = CaptureWriter(
        tmp_path / "job", Description("x", "0"), monotonic_s=0.0, split=Split(None, 4)
    )
    writer.write(b"aaaa", NOW)
    source = FileSource(str(tmp_path / "job"))
    assert [chunk.data for chunk in source.chunks()] == [b"aaaa"]
    writer.write(b"bbbb", NOW)
    writer.write(b"cc", NOW)
    writer.close(NOW)
    assert Reader(source).read(has(6)).data == b"bbbbcc"


def test_a_file_that_is_written_anew_is_read_from_its_start(tmp_path: Path, quick_ticks) -> None:
    path = tmp_path / "log.bin"
    path.write_bytes(b"a long old text")
    source = FileSource(str(path))
    list(source.chunks())
    path.write_bytes(b"new")
    reader = Reader(source).read(has(3))
    assert reader.data == b"new"
    assert "written anew" in reader.texts


def test_a_missing_file_cannot_be_followed(tmp_path: Path) -> None:
    source = FileSource(str(tmp_path / "nothing.rtcm3"))
    with pytest.raises(SourceError, match="there is no file"):
        Reader(source).read()
    with pytest.raises(SourceError, match="there is no file"):
        list(source.chunks())
