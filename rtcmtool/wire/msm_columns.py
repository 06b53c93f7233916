"""Multiple-signal messages (MSM1 to MSM7) to columns, all messages of a block at once.

A message lies as

    head | satellite mask 64 | signal mask 32 | cell mask X | satellites | cells

with the satellites and the cells field by field. The cells of all messages are numbered in stream
order; with first cell c0 and number n of a message, field f (width w, A bits of other fields before
it) of cell j lies at

    B + A n + w (j - c0)  =  (B + A n - w c0) + w j

so an offset costs one `repeat` of a small array and one addition. No message is treated alone.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

from rtcmtool.wire.catalogue import LAYOUTS, MSM_NUMBERS, system_of
from rtcmtool.wire.columns import BitBlock
from rtcmtool.wire.layout import MOST_CELLS, Field, Group, Kind, Layout
from rtcmtool.wire.lock_times import MSM_EXTENDED_LOCK_MS, MSM_LOCK_MS
from rtcmtool.wire.observations import (
    LIGHT_MS_M,
    SYSTEM_LETTERS,
    Observations,
    nothing,
)
from rtcmtool.wire.signal_ids import MSM_SIGNAL_IDS

Integers = npt.NDArray[np.int64]
Unsigned = npt.NDArray[np.uint64]
Floats = npt.NDArray[np.float64]

_SATELLITES, _SIGNALS = 64, 32  # bits of the masks
FIRST_SATELLITE_NUMBER = {"S": 20}  # RINEX number of mask index 1 where it is not 1

# Row and column of a cell by 64 x signals of the message + place in its cell mask.
_ROW = np.zeros((_SIGNALS + 1) * MOST_CELLS, dtype=np.int64)
_COLUMN = np.zeros((_SIGNALS + 1) * MOST_CELLS, dtype=np.int64)
for _count in range(1, _SIGNALS + 1):
    _part = slice(_count * MOST_CELLS, (_count + 1) * MOST_CELLS)
    _ROW[_part], _COLUMN[_part] = np.divmod(np.arange(MOST_CELLS), _count)


@dataclass(frozen=True, slots=True)
class _Column:
    """A field of a field-by-field group: what it is and the bits of the fields before it."""

    field: Field
    before: int


@dataclass(frozen=True, slots=True)
class _Shape:
    """What the kernel needs to know of an MSM type, read off its layout."""

    mask_at: int  # bits before the satellite mask
    satellites: dict[str, _Column]
    satellite_bits: int
    cells: dict[str, _Column]
    cell_bits: int
    whole_range: bool


def _columns(group: Group) -> dict[str, _Column]:
    before = 0
    columns = {}
    for part in group.fields:
        columns[part.name] = _Column(part, before)
        before += part.bits
    return columns


@cache
def _shape(kind: int) -> _Shape:
    """Read the shape of MSM1 to MSM7 off the layouts; all systems must agree."""
    shapes = [_shape_of(LAYOUTS[n]) for n in sorted(MSM_NUMBERS) if n % 10 == kind]
    first = shapes[0]
    sizes = {(s.mask_at, s.satellite_bits, s.cell_bits, tuple(s.cells)) for s in shapes}
    assert len(sizes) == 1, f"MSM{kind} differs between systems"
    return first


def _shape_of(layout: Layout) -> _Shape:
    satellites, cells = layout.group("satellites"), layout.group("cells")
    mask_at = next(at for part, at in layout.field_offsets() if part.name == "satellite_mask")
    columns = _columns(satellites)
    return _Shape(
        mask_at, columns, satellites.bits, _columns(cells), cells.bits, "rough_range" in columns
    )


def _system_tables() -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.uint8]]:
    """Give system code and RINEX number of mask index 1 by message number minus 1071."""
    codes = np.zeros(max(MSM_NUMBERS) - 1070, dtype=np.uint8)
    first = np.ones(len(codes), dtype=np.uint8)
    for number in MSM_NUMBERS:
        letter = system_of(number) or ""
        codes[number - 1071] = SYSTEM_LETTERS.index(letter)
        first[number - 1071] = FIRST_SATELLITE_NUMBER.get(letter, 1)
    return codes, first


_SYSTEM_CODE, _FIRST_NUMBER = _system_tables()


@dataclass(frozen=True, eq=False, slots=True)
class MsmResult:
    """What a set of messages gave.

    Attributes
    ----------
    observations : Observations
        All cells, in the order of the messages.
    impossible : ndarray of int64
        Positions of messages that contradict their layout; they gave no cell.
    channel_frame, channel_slot, channel : ndarray of int64
        GLONASS frequency channels told by MSM5 and MSM7: frame, slot, channel.
    """

    observations: Observations
    impossible: Integers
    channel_frame: Integers
    channel_slot: Integers
    channel: Integers


def decode_msm(
    block: BitBlock,
    kind: int,
    starts: Integers,
    sizes: Integers,
    numbers: Integers,
    frames: Integers,
) -> MsmResult:
    """Decode messages of one MSM type.

    Parameters
    ----------
    block : BitBlock
        The bytes that hold the messages.
    kind : int
        1 to 7: the last digit of the message numbers.
    starts, sizes : ndarray of int64, shape (m,)
        First byte and bytes of each message (not of its frame).
    numbers : ndarray of int64, shape (m,)
        Message numbers, all of this type.
    frames : ndarray of int64, shape (m,)
        Index of each message's frame, for the `frame` column.

    Returns
    -------
    MsmResult
        Observations and what went with them.
    """
    shape = _shape(kind)
    masks = _Masks.read(block, shape.mask_at, starts)
    needed = (
        shape.mask_at + _SATELLITES + _SIGNALS + masks.width
        + masks.satellites * shape.satellite_bits + masks.cells * shape.cell_bits
    )  # fmt: skip
    good = (masks.width <= MOST_CELLS) & (needed <= 8 * sizes)
    impossible = np.flatnonzero(~good)
    if len(impossible):
        starts, numbers, frames = starts[good], numbers[good], frames[good]
        masks = masks.take(good)
    content = _Content(block, shape, masks, starts)
    code = _SYSTEM_CODE[numbers - 1071]
    observations = _observations(kind, content, code, _FIRST_NUMBER[numbers - 1071], frames)
    return MsmResult(observations, impossible, *_channels(content, code, frames))


@dataclass(frozen=True, eq=False, slots=True)
class _Masks:
    """The three masks of m messages, their first bit the highest, and the counts of set bits."""

    satellite: Unsigned
    signal: Unsigned
    cell: Unsigned
    satellites: Integers
    signals: Integers
    width: Integers  # bits of the cell mask
    cells: Integers

    @classmethod
    def read(cls, block: BitBlock, mask_at: int, starts: Integers) -> "_Masks":
        at = 8 * starts + mask_at
        satellite = block.unsigned(at, _SATELLITES)
        signal = block.unsigned(at + _SATELLITES, _SIGNALS)
        satellites, signals = _set_bits(satellite), _set_bits(signal)
        width = satellites * signals
        behind = np.maximum(MOST_CELLS - width, 0).view(np.uint64)  # bits that are no mask
        cell = block.unsigned(at + _SATELLITES + _SIGNALS, MOST_CELLS) >> behind << behind
        return cls(satellite, signal, cell, satellites, signals, width, _set_bits(cell))

    def take(self, rows: npt.NDArray[np.bool_]) -> "_Masks":
        return _Masks(
            self.satellite[rows], self.signal[rows], self.cell[rows], self.satellites[rows],
            self.signals[rows], self.width[rows], self.cells[rows],
        )  # fmt: skip


def _set_bits(masks: Unsigned) -> Integers:
    return np.bitwise_count(masks).astype(np.int64)


def _places(masks: Unsigned, width: int) -> Integers:
    """Give width x message + place of all bits that are set in masks of 32 or 64 bits."""
    octets = masks.astype(f">u{width // 8}").view(np.uint8)
    return np.flatnonzero(np.unpackbits(octets).view(np.bool_))


def _first(counts: Integers) -> Integers:
    """Give the index of the first element of each message in a list of all elements."""
    return np.cumsum(counts) - counts


class _Content:
    """Where the satellites and cells of a set of messages lie."""

    def __init__(self, block: BitBlock, shape: _Shape, masks: _Masks, starts: Integers) -> None:
        self.block, self.shape, self.masks = block, shape, masks
        self._satellites_at = 8 * starts + shape.mask_at + _SATELLITES + _SIGNALS + masks.width
        self._cells_at = self._satellites_at + shape.satellite_bits * masks.satellites
        self.first_satellite = _first(masks.satellites)
        self._first_cell = _first(masks.cells)
        place = _places(masks.cell, MOST_CELLS)
        place += np.repeat(MOST_CELLS * (masks.signals - np.arange(len(starts))), masks.cells)
        self.satellite_of_cell = np.repeat(self.first_satellite, masks.cells)
        self.satellite_of_cell += _ROW.take(place)
        self.signal_of_cell = np.repeat(_first(masks.signals), masks.cells)
        self.signal_of_cell += _COLUMN.take(place)
        self._index = np.arange(max(len(place), int(masks.satellites.sum())))

    def satellite_field(self, name: str) -> Integers:
        """Read a field of the satellites of all messages."""
        column = self.shape.satellites[name]
        masks = self.masks
        return self._read(column, self._satellites_at, masks.satellites, self.first_satellite)

    def cell_field(self, name: str) -> Integers:
        """Read a field of the cells of all messages."""
        return self._read(
            self.shape.cells[name], self._cells_at, self.masks.cells, self._first_cell
        )

    def _read(
        self, column: _Column, begin: Integers, counts: Integers, first: Integers
    ) -> Integers:
        width = column.field.bits
        offsets = np.repeat(begin + column.before * counts - width * first, counts)
        offsets += self._index[: len(offsets)] * width
        if column.field.kind is Kind.SIGNED:
            return self.block.signed(offsets, width)
        return self.block.unsigned(offsets, width).view(np.int64)


def _invalid_to_nan(raw: Integers, part: Field, scaled: Floats) -> Floats:
    if part.invalid is not None:
        scaled[raw == part.invalid] = np.nan
    return scaled


def _scaled(content: _Content, name: str) -> Floats:
    """Give a field of the cells in its unit, NaN where it is marked invalid."""
    part = content.shape.cells[name].field
    raw = content.cell_field(name)
    return _invalid_to_nan(raw, part, np.multiply(raw, float(part.scale), dtype=np.float64))


def _observations(
    kind: int,
    content: _Content,
    code: npt.NDArray[np.uint8],
    first_number: npt.NDArray[np.uint8],
    frames: Integers,
) -> Observations:
    masks, shape = content.masks, content.shape
    cells = len(content.satellite_of_cell)
    satellite = (_places(masks.satellite, _SATELLITES) & (_SATELLITES - 1)).astype(np.uint8)
    satellite += np.repeat(first_number, masks.satellites)
    signal_index = (_places(masks.signal, _SIGNALS) & (_SIGNALS - 1)) + 1
    signal = MSM_SIGNAL_IDS[np.repeat(code, masks.signals), signal_index]

    rough_ms = content.satellite_field("rough_range_modulo") / 1024.0
    if shape.whole_range:
        whole = content.satellite_field("rough_range")
        rough_ms += whole
        _invalid_to_nan(whole, shape.satellites["rough_range"].field, rough_ms)
    cell_rough_ms = rough_ms.take(content.satellite_of_cell)
    ranges = {
        name: _ranges(content, name, cell_rough_ms)
        for name in ("fine_pseudorange", "fine_phase_range")
    }
    missing = nothing(cells)
    whole_ranges = ranges if shape.whole_range else dict.fromkeys(ranges, missing)
    modulo_ranges = dict.fromkeys(ranges, missing) if shape.whole_range else ranges
    return Observations(
        np.repeat(frames.astype(np.int32), masks.cells),
        np.repeat(code, masks.cells),
        satellite.take(content.satellite_of_cell),
        signal.take(content.signal_of_cell),
        whole_ranges["fine_pseudorange"],
        whole_ranges["fine_phase_range"],
        modulo_ranges["fine_pseudorange"],
        modulo_ranges["fine_phase_range"],
        _rates(content),
        _scaled(content, "cnr").astype(np.float32)
        if "cnr" in shape.cells
        else nothing(cells).astype(np.float32),
        _lock_times(content),
        content.cell_field("half_cycle").astype(np.int8)
        if "half_cycle" in shape.cells
        else np.full(cells, -1, np.int8),
    )


def _ranges(content: _Content, name: str, cell_rough_ms: Floats) -> Floats:
    """Add the fine part of a range to the rough one, in metres."""
    if name not in content.shape.cells:
        return nothing(len(cell_rough_ms))
    fine_ms = _scaled(content, name)
    fine_ms += cell_rough_ms  # exact: both are whole numbers of 2^-31 ms
    fine_ms *= LIGHT_MS_M
    return fine_ms


def _rates(content: _Content) -> Floats:
    if "fine_rate" not in content.shape.cells:
        return nothing(len(content.satellite_of_cell))
    raw = content.satellite_field("rough_rate")
    rough = raw.astype(np.float64)
    _invalid_to_nan(raw, content.shape.satellites["rough_rate"].field, rough)
    part = content.shape.cells["fine_rate"].field
    fine = content.cell_field("fine_rate")
    numerator, denominator = part.scale.as_integer_ratio()
    rate = (rough * denominator).take(content.satellite_of_cell)
    rate += fine if numerator == 1 else fine * numerator
    rate /= denominator  # one rounding: the double nearest to the exact value
    return _invalid_to_nan(fine, part, rate)


def _lock_times(content: _Content) -> npt.NDArray[np.int32]:
    column = content.shape.cells.get("lock")
    if column is None:
        return np.full(len(content.satellite_of_cell), -1, np.int32)
    table = MSM_LOCK_MS if column.field.bits == 4 else MSM_EXTENDED_LOCK_MS
    return table.take(content.cell_field("lock"))


def _channels(
    content: _Content, code: npt.NDArray[np.uint8], frames: Integers
) -> tuple[Integers, Integers, Integers]:
    """Give the GLONASS channels that these messages tell."""
    none = np.zeros(0, np.int64)
    glonass = code == SYSTEM_LETTERS.index("R")
    if "extended_information" not in content.shape.satellites or not glonass.any():
        return none, none, none
    counts = content.masks.satellites[glonass]
    raw = content.satellite_field("extended_information")
    raw = raw[np.repeat(glonass, content.masks.satellites)]
    told = raw <= 13  # 0-13 is channel + 7; 15 not available
    slot = (_places(content.masks.satellite[glonass], _SATELLITES) & (_SATELLITES - 1)) + 1
    return np.repeat(frames[glonass], counts)[told], slot[told], raw[told] - 7
