"""Made input for the tests: records of any layout, messages, frames, streams and cuts.

Records are drawn raw, with a liking for the ends of each field: the least, the greatest, the value
for "not available", and minus zero of sign-magnitude fields.
"""

from itertools import pairwise
from random import Random

from hypothesis import strategies as st

from rtcmtool.wire.catalogue import LAYOUTS, SUBTYPES
from rtcmtool.wire.encoding import encode_record, frame_message
from rtcmtool.wire.layout import Field, Group, Layout, Mask, Record, Role, Text, transfer

ALL_LAYOUTS: tuple[Layout, ...] = (*LAYOUTS.values(), *SUBTYPES.values())
MOST_CELLS = 64  # of an MSM

# The published example of a station position: RTCM 10403.x, from memory; its CRC is 360B98.
STATION_POSITION = bytes.fromhex("D300133ED7D30202980EDEEF34B4BD62AC0941986F33360B98")
# The published example of a text: RTCM 10403.x, from memory; its CRC is EDA33B.
TEXT = bytes.fromhex(
    "D300274050170084736E151E5554462D3820D0BFD180D0BED0B2D0B5D180D0BAD0B02077C3B672746572EDA33B"
)
EMPTY_FRAME = bytes.fromhex("D3000047EA4B")


def layout_id(layout: Layout) -> str:
    """Name a layout in the list of tests."""
    subtype = "" if layout.subtype is None else f"-{layout.subtype}"
    return f"{layout.number}{subtype}"


class RecordMaker:
    """A port that makes up the numbers of a record instead of reading them.

    Parameters
    ----------
    random : Random
        Where the numbers come from.
    layout : Layout
        Layout of the record; message number and sub-type are its own.
    most : int
        Largest number of repetitions that a counter may ask for.
    """

    def __init__(self, random: Random, layout: Layout, most: int) -> None:
        self._random, self._layout, self._most = random, layout, most
        self._satellites = 0

    def number(self, part: Field | Mask, width: int, record: Record) -> int:
        raw = self._mask(part, width) if isinstance(part, Mask) else self._field(part)
        record[part.name] = raw
        return raw

    def _field(self, part: Field) -> int:
        random = self._random
        fixed = {
            "message_number": self._layout.number,
            "subtype": self._layout.subtype if self._layout.subtype is not None else None,
        }.get(part.name)
        if fixed is not None:
            return fixed
        if part.name == "satellite_mask":
            self._satellites = random.choice((0, 1, 2, 5, random.randint(0, 64)))
            return self._bits(self._satellites, 64)
        if part.name == "signal_mask":
            most = min(32, MOST_CELLS // max(self._satellites, 1))
            return self._bits(random.choice((0, 1, most, random.randint(0, most))), 32)
        if part.role is Role.COUNT or part.name.endswith("_count"):
            most = min(part.highest, self._most)
            return random.choice((0, most, random.randint(0, most)))
        if part.name in {"degree", "order"}:
            return random.randint(0, min(15, self._most))
        return self._value(part)

    def _value(self, part: Field) -> int:
        ends = [part.lowest, part.highest]
        if part.invalid is not None:
            ends.append(part.invalid)
        if self._random.random() < 0.3:
            return self._random.choice(ends)
        return self._random.randint(part.lowest, part.highest)

    def _bits(self, ones: int, width: int) -> int:
        return sum(1 << bit for bit in self._random.sample(range(width), ones))

    def _mask(self, part: Mask, width: int) -> int:
        return self._random.choice((0, (1 << width) - 1, self._random.getrandbits(width)))

    def text(self, part: Text, length: int, record: Record) -> None:
        record[part.name] = self._random.randbytes(length)

    def rows(self, group: Group, times: int, record: Record) -> list[Record]:
        made: list[Record] = [{} for _ in range(times)]
        record[group.name] = made
        return made


def made_record(layout: Layout, random: Random, most: int = 31) -> Record:
    """Make up a record that fits a layout."""
    record: Record = {}
    transfer(layout.parts, RecordMaker(random, layout, most), record, {})
    return record


def records(layout: Layout, most: int = 31) -> st.SearchStrategy[Record]:
    """Draw records of a layout."""
    return st.integers(0, 2**32).map(lambda seed: made_record(layout, Random(seed), most))


def messages(layout: Layout, most: int = 31) -> st.SearchStrategy[bytes]:
    """Draw messages of a layout that fit a frame."""
    return (
        records(layout, most)
        .map(lambda record: encode_record(layout, record))
        .filter(lambda message: len(message) <= 1023)
    )


def observation_messages() -> st.SearchStrategy[bytes]:
    """Draw observation messages of all families, systems and types."""
    observed = [layout for layout in ALL_LAYOUTS if layout.family in {"msm", "legacy_observations"}]
    return st.sampled_from(observed).flatmap(messages)


# ---- streams -----------------------------------------------------------------------------------

NOISE_BYTES = b"\xd3\xd3\xd3\x00\x00\x01\x02\x03\x04\x05\x06\x07\xff\x0d\x0a"

noise = st.lists(st.sampled_from(NOISE_BYTES), min_size=1, max_size=30).map(bytes)
frames = st.one_of(
    st.binary(max_size=40).map(frame_message),
    noise.map(frame_message),
    st.just(EMPTY_FRAME),
    st.sampled_from([STATION_POSITION, TEXT]),
)
nested_frames = st.lists(st.one_of(frames, noise), min_size=1, max_size=3).map(
    lambda pieces: frame_message(b"".join(pieces))
)


@st.composite
def damaged_frames(draw: st.DrawFn) -> bytes:
    """Draw a frame with a wrong byte; what it holds may be frames."""
    data = bytearray(draw(st.one_of(frames, nested_frames)))
    data[draw(st.integers(0, len(data) - 1))] ^= draw(st.integers(1, 255))
    return bytes(data)


@st.composite
def cut_frames(draw: st.DrawFn) -> bytes:
    """Draw the beginning of a frame."""
    data = draw(st.one_of(frames, nested_frames))
    return data[: draw(st.integers(1, len(data) - 1))]


# A head that asks for more than it gets: it holds back, or swallows, what follows.
hungry_heads = st.integers(0, 300).map(lambda size: bytes((0xD3, size >> 8, size & 0xFF)))


def streams(most: int = 8) -> st.SearchStrategy[bytes]:
    """Draw a stream: frames, noise, damaged, cut and nested frames in any order."""
    piece = st.one_of(frames, noise, nested_frames, damaged_frames(), cut_frames(), hungry_heads)
    return st.lists(piece, max_size=most).map(b"".join)


cuts = st.lists(st.integers(0, 2000), max_size=12)


def pieces(data: bytes, at: list[int]) -> list[bytes]:
    """Cut bytes at some places, given modulo their number."""
    edges = sorted({0, len(data), *(cut % (len(data) + 1) for cut in at)})
    return [data[a:b] for a, b in pairwise(edges)] or [b""]
