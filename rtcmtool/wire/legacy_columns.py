"""Legacy observations (1001-1004, 1009-1012) to columns, all messages of a block at once.

A message lies as head | satellite | satellite | ..., each satellite with all its fields: row i of a
message begins at `head + i x row width`. L1 and L2 of a satellite become two rows of the columns.
The formulas are those of RTCM 10403.x, legacy observation messages (from memory).
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

from rtcmtool.wire.catalogue import LAYOUTS, system_of
from rtcmtool.wire.columns import BitBlock
from rtcmtool.wire.layout import Field, Kind
from rtcmtool.wire.lock_times import LEGACY_LOCK_MS
from rtcmtool.wire.observations import LIGHT_MS_M, SYSTEM_LETTERS, Observations, nothing
from rtcmtool.wire.signal_ids import LEGACY_SIGNAL_IDS

Integers = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

_SBAS_FIRST, _SBAS_LAST, _SBAS_RINEX = 40, 58, 20  # 40-58 is SBAS PRN 120-138, RINEX S20-S38
WHOLE_M = {"G": LIGHT_MS_M, "R": 2 * LIGHT_MS_M}  # GLONASS counts pairs of light-milliseconds
_RANGE_STEPS = 50  # pseudorange steps a metre: 0.02 m
_PHASE_STEPS = 2000  # phase steps a metre: 0.0005 m


@dataclass(frozen=True, slots=True)
class _Shape:
    """What is needed of a layout: where the rows begin, how wide they are, their fields."""

    head_bits: int
    count_at: int
    count_bits: int
    row_bits: int
    fields: dict[str, tuple[Field, int]]


@cache
def _shape(number: int) -> _Shape:
    layout = LAYOUTS[number]
    group = layout.group("satellites")
    fields = {}
    at = 0
    for part in group.fields:
        fields[part.name] = (part, at)
        at += part.bits
    count, count_at = next(
        (part, at) for part, at in layout.field_offsets() if part.name == "satellite_count"
    )
    return _Shape(sum(f.bits for f in layout.head), count_at, count.bits, at, fields)


@dataclass(frozen=True, eq=False, slots=True)
class LegacyResult:
    """What a set of messages gave; fields as `msm_columns.MsmResult`."""

    observations: Observations
    impossible: Integers
    channel_frame: Integers
    channel_slot: Integers
    channel: Integers


def decode_legacy(
    block: BitBlock, number: int, starts: Integers, sizes: Integers, frames: Integers
) -> LegacyResult:
    """Decode messages of one legacy number.

    Parameters
    ----------
    block : BitBlock
        The bytes that hold the messages.
    number : int
        1001 to 1004 or 1009 to 1012.
    starts, sizes : ndarray of int64, shape (m,)
        First byte and bytes of each message (not of its frame).
    frames : ndarray of int64, shape (m,)
        Index of each message's frame, for the `frame` column.

    Returns
    -------
    LegacyResult
        Observations, L1 then L2 satellite by satellite, and what went with them.
    """
    shape = _shape(number)
    counts = block.unsigned(8 * starts + shape.count_at, shape.count_bits).view(np.int64)
    good = (shape.head_bits + counts * shape.row_bits <= 8 * sizes) & (8 * sizes >= shape.head_bits)
    impossible = np.flatnonzero(~good)
    if len(impossible):
        starts, frames, counts = starts[good], frames[good], counts[good]
    rows = _Rows(block, shape, starts, counts)
    row_frames = np.repeat(frames, counts)
    system = system_of(number) or ""
    observations = _observations(rows, system, row_frames)
    if "frequency_channel" not in shape.fields:
        none = np.zeros(0, np.int64)
        return LegacyResult(observations, impossible, none, none, none)
    slot = rows.read("satellite")
    raw = rows.read("frequency_channel")
    told = (raw <= 20) & (slot >= 1) & (slot < _SBAS_FIRST)  # 0-20 is -7 to +13
    return LegacyResult(observations, impossible, row_frames[told], slot[told], raw[told] - 7)


class _Rows:
    """The satellites of a set of messages."""

    def __init__(self, block: BitBlock, shape: _Shape, starts: Integers, counts: Integers) -> None:
        self._block, self.shape = block, shape
        first = np.cumsum(counts) - counts
        begin = 8 * starts + shape.head_bits - shape.row_bits * first
        self._at = np.repeat(begin, counts)
        self._at += np.arange(0, shape.row_bits * len(self._at), shape.row_bits)

    def __len__(self) -> int:
        return len(self._at)

    def read(self, name: str) -> Integers:
        """Give the raw values of a field, one a satellite."""
        part, before = self.shape.fields[name]
        if part.kind is Kind.SIGNED:
            return self._block.signed(self._at + before, part.bits)
        return self._block.unsigned(self._at + before, part.bits).view(np.int64)

    def has(self, name: str) -> bool:
        """Tell whether this message number carries a field."""
        return name in self.shape.fields

    def invalid(self, name: str, raw: Integers) -> npt.NDArray[np.bool_]:
        """Tell which raw values mean 'not available'."""
        marked: npt.NDArray[np.bool_] = raw == self.shape.fields[name][0].invalid
        return marked


@dataclass(frozen=True, eq=False, slots=True)
class _Band:
    """One band of all satellites."""

    code: Integers
    pseudorange_m: Floats
    phase_range_m: Floats
    lock: Integers
    cnr_dbhz: Floats


def _bands(rows: _Rows, whole_m: float) -> list[_Band]:
    """Give L1 and, where carried, L2; ranges as remainders where the whole part is missing."""
    steps = rows.read("l1_pseudorange")
    whole = rows.read("l1_whole_ms") * whole_m if rows.has("l1_whole_ms") else 0.0
    difference = rows.read("l1_phase_minus_code")
    no_l1 = rows.invalid("l1_phase_minus_code", difference)
    first = _Band(
        rows.read("l1_code"),
        np.where(no_l1, np.nan, steps / _RANGE_STEPS + whole),
        np.where(no_l1, np.nan, (steps * 40 + difference) / _PHASE_STEPS + whole),
        rows.read("l1_lock"),
        _cnr(rows, "l1_cnr"),
    )
    if not rows.has("l2_code"):
        return [first]
    code_step = rows.read("l2_minus_l1_pseudorange")
    phase_step = rows.read("l2_phase_minus_code")
    second = _Band(
        rows.read("l2_code"),
        np.where(
            rows.invalid("l2_minus_l1_pseudorange", code_step),
            np.nan,
            (steps + code_step) / _RANGE_STEPS + whole,
        ),
        np.where(
            rows.invalid("l2_phase_minus_code", phase_step),
            np.nan,
            (steps * 40 + phase_step) / _PHASE_STEPS + whole,
        ),
        rows.read("l2_lock"),
        _cnr(rows, "l2_cnr"),
    )
    return [first, second]


def _cnr(rows: _Rows, name: str) -> Floats:
    if not rows.has(name):
        return np.full(len(rows), np.nan)
    raw = rows.read(name)
    return np.where(rows.invalid(name, raw), np.nan, raw / 4.0)


def _observations(rows: _Rows, system: str, frames: Integers) -> Observations:
    bands = _bands(rows, WHOLE_M[system])
    raw_satellite = rows.read("satellite")
    sbas = (raw_satellite >= _SBAS_FIRST) & (raw_satellite <= _SBAS_LAST)
    satellite = np.where(sbas, raw_satellite - _SBAS_FIRST + _SBAS_RINEX, raw_satellite)
    code = np.where(sbas, SYSTEM_LETTERS.index("S"), SYSTEM_LETTERS.index(system))

    def woven(columns: list[npt.NDArray[np.float64]]) -> Floats:
        return np.stack(columns, axis=1).reshape(-1)

    per_row = len(bands)
    size = per_row * len(rows)
    signal = np.stack(
        [LEGACY_SIGNAL_IDS[system][i][band.code] for i, band in enumerate(bands)], axis=1
    ).reshape(-1)
    missing = nothing(size)
    pseudorange = woven([band.pseudorange_m for band in bands])
    phase_range = woven([band.phase_range_m for band in bands])
    whole = rows.has("l1_whole_ms")
    lock = np.stack([LEGACY_LOCK_MS[band.lock] for band in bands], axis=1).reshape(-1)
    return Observations(
        np.repeat(frames.astype(np.int32), per_row),
        np.repeat(code.astype(np.uint8), per_row),
        np.repeat(satellite.astype(np.uint8), per_row),
        signal,
        pseudorange if whole else missing,
        phase_range if whole else missing,
        missing if whole else pseudorange,
        missing if whole else phase_range,
        missing,
        woven([band.cnr_dbhz for band in bands]).astype(np.float32),
        lock,
        np.full(size, -1, np.int8),
    )
