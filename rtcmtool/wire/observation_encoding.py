"""Columns to multiple-signal messages (MSM1 to MSM7), all messages of a block at once.

The inverse of `msm_columns`, off the same layouts. A satellite is sent as a rough range, common to
its signals, and a fine part a signal. Rounding, a choice that the standard leaves to the sender:

    rough range = first pseudorange of the satellite, to the nearest 2^-10 ms
    rough rate  = first rate of the satellite, to the nearest m/s
    fine part   = what is left, to the nearest step

"First" is by signal mask, among the signals that have a value; a satellite without any pseudorange
takes its first phase range. Whatever has no value, or does not fit its field, is marked invalid.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

from rtcmtool.errors import EncodeError
from rtcmtool.wire.catalogue import LAYOUTS, MSM_NUMBERS
from rtcmtool.wire.encoded_frames import (
    EncodedFrames,
    FrameCanvas,
    MessageHeads,
    firsts,
    plain_fields,
    quantised,
)
from rtcmtool.wire.layout import MOST_CELLS, Field, Group
from rtcmtool.wire.lock_times import MSM_EXTENDED_LOCK_MS, MSM_LOCK_MS, UNKNOWN_MS
from rtcmtool.wire.msm_columns import FIRST_SATELLITE_NUMBER
from rtcmtool.wire.observations import LIGHT_MS_M, SYSTEM_LETTERS, Observations
from rtcmtool.wire.signal_ids import MSM_SIGNAL_IDS, SIGNALS

Integers = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

_SATELLITES, _SIGNALS = 64, 32  # bits of the masks
_STEPS_PER_MS = 1024  # of the rough range
_NO_CHANNEL = 15
_GREATEST_CHANNEL = 6  # of the field; raw values are channel + 7
_EXTENDED_LOCK_MS = MSM_EXTENDED_LOCK_MS[
    MSM_EXTENDED_LOCK_MS != UNKNOWN_MS
]  # reserved ones are last


def _mask_indices() -> npt.NDArray[np.int8]:
    """Give the place in the signal mask, from 0, by system code and signal id; -1 for none."""
    table = np.full((len(SYSTEM_LETTERS), len(SIGNALS)), -1, np.int8)
    for code, ids in enumerate(MSM_SIGNAL_IDS):
        table[code, ids[1:]] = np.arange(_SIGNALS)
    table.setflags(write=False)
    return table


_MASK_INDEX = _mask_indices()


def encode_msm(
    number: int,
    heads: MessageHeads,
    observations: Observations,
    channels: Mapping[int, int] | None = None,
) -> EncodedFrames:
    """Write observations as multiple-signal messages, at least one an epoch.

    Parameters
    ----------
    number : int
        1071 to 1137: system and type.
    heads : MessageHeads
        Epochs, stations and flags, n of them.
    observations : Observations
        `frame` is the index of the epoch in `heads`; rows in any order, those that are sorted by
        epoch, satellite and signal mask are the quickest. Rows of other systems are left out. MSM1
        to MSM3 take the ranges modulo 1 ms where there are no whole ones.
    channels : mapping, optional
        GLONASS channels (-7 to 6) by slot, for MSM5 and MSM7; others are told as not available.

    Returns
    -------
    EncodedFrames
        In the order of the epochs. An epoch without a satellite of the system gives an empty
        message; one with more than 64 cells is split by satellites into several, of which all but
        the last have the multiple-message bit set. The bit of the last is `heads.more_follow`.

    Raises
    ------
    EncodeError
        If the number is no MSM, a head value does not fit, the message has no place for a satellite
        or signal, or a signal comes twice.

    Notes
    -----
    What does not fit is marked invalid, never wrapped or limited: ranges of 255 ms and more or
    below 0, fine parts beyond the span of their field (a sender then starts its phase anew), CNR
    that rounds to 0 or exceeds the field. A lock time goes out as the greatest class that it has
    reached, an unknown one (-1) as 0. A half-cycle state that is not told goes out as resolved.
    Some hundreds of epochs a call are the quickest: their columns stay in the cache.

    Examples
    --------
    >>> from rtcmtool.wire.observations import EMPTY
    >>> heads = MessageHeads(np.array([345_600_000]), station=7)
    >>> encode_msm(1077, heads, EMPTY).lengths
    array([28])
    """
    if number not in MSM_NUMBERS:
        raise EncodeError(f"{number} is no multiple-signal message")
    shape = _shape(number)
    cells = _Cells.sorted_from(shape.system, len(heads), observations)
    messages = _Messages.of(cells, len(heads))
    width = messages.satellites * messages.signals
    masks_end = shape.mask_at + _SATELLITES + _SIGNALS + width
    cells_at = masks_end + messages.satellites * shape.satellite_bits
    canvas = FrameCanvas(cells_at + messages.cells * shape.cell_bits)
    values = heads.values(messages.epoch)
    more_follow = values.pop("more_follow") | messages.is_split
    canvas.put_head(
        shape.head, {**values, "message_number": number, "multiple_message": more_follow}
    )
    messages.put_masks(canvas, shape.mask_at)
    satellite_values, cell_values = _values(shape, cells, channels)
    at = canvas.message_at
    canvas.put_group(shape.satellites, at + masks_end, messages.satellites, satellite_values)
    canvas.put_group(shape.cells, at + cells_at, messages.cells, cell_values)
    return canvas.finish(messages.epoch)


@dataclass(frozen=True, eq=False, slots=True)
class _Shape:
    """What is needed of a layout."""

    system: str
    head: tuple[Field, ...]  # up to the masks
    mask_at: int  # bits of the head
    satellites: Group
    satellite_bits: int
    cells: Group
    cell_bits: int


@cache
def _shape(number: int) -> _Shape:
    layout = LAYOUTS[number]
    assert layout.system is not None
    names = [part.name for part in layout.head]
    head = layout.head[: names.index("satellite_mask")]
    satellites, cells = layout.group("satellites"), layout.group("cells")
    return _Shape(
        layout.system, head, sum(part.bits for part in head), satellites, satellites.bits, cells,
        cells.bits,
    )  # fmt: skip


@dataclass(frozen=True, eq=False, slots=True)
class _Cells:
    """Observations of one system in the order of the message."""

    observations: Observations  # sorted
    epoch: Integers  # all of shape (cells,)
    signal: Integers  # place in the mask, from 0
    satellite: Integers  # index in the following, of shape (satellites,)
    first: Integers  # first cell
    satellite_epoch: Integers
    satellite_place: Integers  # place in the mask, from 0

    @classmethod
    def sorted_from(cls, letter: str, epochs: int, observations: Observations) -> "_Cells":
        code = SYSTEM_LETTERS.index(letter)
        own = observations.system == code
        if not own.all():
            observations = observations.take(own)
        epoch = observations.frame.astype(np.int64)
        place = observations.satellite.astype(np.int64) - FIRST_SATELLITE_NUMBER.get(letter, 1)
        signal = _MASK_INDEX[code][observations.signal].astype(np.int64)
        if len(epoch):
            _refuse_misfits(letter, epochs, observations, place, signal)
        key = (epoch * _SATELLITES + place) * _SIGNALS + signal
        step = np.diff(key)
        if (step <= 0).any():
            order = np.argsort(key, kind="stable")
            key, signal, epoch = key[order], signal[order], epoch[order]
            observations = observations.take(order)
            step = np.diff(key)
            if (step == 0).any():
                row = int(np.flatnonzero(step == 0)[0])
                name = f"{letter}{observations.satellite[row]:02d}"
                twice = SIGNALS[observations.signal[row]]
                raise EncodeError(f"{name} has signal {twice} twice in epoch {epoch[row]}")
        owner = key // _SIGNALS
        begins = np.ones(len(key), np.bool_)
        np.not_equal(owner[1:], owner[:-1], out=begins[1:])
        first = np.flatnonzero(begins)
        owner = owner[first]
        satellite = np.cumsum(begins) - 1
        return cls(
            observations, epoch, signal, satellite, first, owner // _SATELLITES,
            owner % _SATELLITES,
        )  # fmt: skip

    def firsts_of(self, values: Floats, otherwise: Floats | None = None) -> Floats:
        """Give the first value of each satellite, NaN where it has none."""
        found = values[self.first]
        for source in (values, otherwise):
            missing = np.isnan(found)
            if source is None or not missing.any():
                break
            rows = np.flatnonzero(missing[self.satellite] & ~np.isnan(source))[::-1]
            found[self.satellite[rows]] = source[rows]  # backwards: the first is written last
        return found


def _refuse_misfits(
    letter: str, epochs: int, observations: Observations, place: Integers, signal: Integers
) -> None:
    """Raise EncodeError for rows that the message has no place for."""
    if place.min() < 0 or place.max() >= _SATELLITES:
        row = int(np.flatnonzero((place < 0) | (place >= _SATELLITES))[0])
        raise EncodeError(f"{letter}{observations.satellite[row]:02d} has no place in an MSM")
    if signal.min() < 0:
        name = SIGNALS[observations.signal[int(np.argmin(signal))]]
        raise EncodeError(f"signal {name} of system {letter} has no place in an MSM")
    if observations.frame.min() < 0 or observations.frame.max() >= epochs:
        raise EncodeError(f"observations of epochs that the {epochs} heads do not have")


@dataclass(frozen=True, eq=False, slots=True)
class _Messages:
    """How the cells are spread over messages."""

    epoch: Integers  # (messages,)
    is_split: Bools  # (messages,): another part of the same epoch follows
    satellites: Integers  # (messages,): counts
    cells: Integers
    signals: Integers
    has_signal: Bools  # (messages, 32)
    satellite_message: Integers  # (satellites,)
    satellite_place: Integers
    cell_message: Integers  # (cells,)
    cell_place: Integers  # in the cell mask, from 0

    @classmethod
    def of(cls, cells: _Cells, epochs: int) -> "_Messages":
        """Spread over one message an epoch, or as many as the limit of 64 cells asks for."""
        epoch = np.arange(epochs)
        one = cls._spread(cells, cells.satellite_epoch, epoch)
        most = MOST_CELLS // np.maximum(one.signals, 1)
        if (one.satellites <= most).all():
            return one
        pieces = np.maximum(-(-one.satellites // most), 1)
        rank = np.arange(len(cells.first)) - firsts(one.satellites)[cells.satellite_epoch]
        piece = rank // most[cells.satellite_epoch]
        return cls._spread(
            cells, firsts(pieces)[cells.satellite_epoch] + piece, np.repeat(epoch, pieces)
        )

    @classmethod
    def _spread(cls, cells: _Cells, satellite_message: Integers, epoch: Integers) -> "_Messages":
        count = len(epoch)
        cell_message = satellite_message[cells.satellite]
        has_signal = np.zeros((count, _SIGNALS), np.bool_)
        has_signal[cell_message, cells.signal] = True
        rank = np.cumsum(has_signal, axis=1)
        signals = np.count_nonzero(has_signal, axis=1)
        satellites = np.bincount(satellite_message, minlength=count)
        row = np.arange(len(satellite_message)) - firsts(satellites)[satellite_message]
        cell_place = row[cells.satellite] * signals[cell_message]
        cell_place += rank[cell_message, cells.signal] - 1
        is_split = np.zeros(count, np.bool_)
        np.equal(epoch[1:], epoch[:-1], out=is_split[:-1])
        return cls(
            epoch, is_split, satellites, np.bincount(cell_message, minlength=count), signals,
            has_signal, satellite_message, cells.satellite_place, cell_message, cell_place,
        )  # fmt: skip

    def put_masks(self, canvas: FrameCanvas, mask_at: int) -> None:
        """Write satellite, signal and cell masks, which begin `mask_at` bits into the messages."""
        at = canvas.message_at + mask_at
        canvas.put_ones(at[self.satellite_message] + self.satellite_place)
        message, signal = np.nonzero(self.has_signal)
        at += _SATELLITES
        canvas.put_ones(at[message] + signal)
        at += _SIGNALS
        canvas.put_ones(at[self.cell_message] + self.cell_place)


def _values(
    shape: _Shape, cells: _Cells, channels: Mapping[int, int] | None
) -> tuple[dict[str, Integers], dict[str, Integers]]:
    """Give the raw values of the satellites and of the cells by field name."""
    satellite_fields, cell_fields = plain_fields(shape.satellites), plain_fields(shape.cells)
    observations = cells.observations
    satellites, values = _ranges(cells, satellite_fields.get("rough_range"), cell_fields)
    if "rough_rate" in satellite_fields:
        rate = observations.phase_range_rate_m_s
        satellites["rough_rate"] = quantised(satellite_fields["rough_rate"], cells.firsts_of(rate))
        rough = satellites["rough_rate"].astype(np.float64)
        rough[satellites["rough_rate"] == satellite_fields["rough_rate"].invalid] = np.nan
        values["fine_rate"] = quantised(cell_fields["fine_rate"], rate - rough[cells.satellite])
        satellites["extended_information"] = (
            _channels(channels or {})[cells.satellite_place]
            if shape.system == "R"
            else np.zeros(len(cells.first), np.int64)
        )
    if "lock" in cell_fields:
        table = MSM_LOCK_MS if cell_fields["lock"].bits == 4 else _EXTENDED_LOCK_MS
        indicator = np.searchsorted(table, observations.lock_time_ms, side="right") - 1
        values["lock"] = np.maximum(indicator, 0)
        values["half_cycle"] = (observations.half_cycle == 1).astype(np.int64)
    if "cnr" in cell_fields:
        values["cnr"] = quantised(cell_fields["cnr"], observations.cnr_dbhz)
    return satellites, values


def _ranges(
    cells: _Cells, whole: Field | None, cell_fields: Mapping[str, Field]
) -> tuple[dict[str, Integers], dict[str, Integers]]:
    """Give the rough ranges of the satellites and the fine ones of the cells."""
    code_ms = _range_ms(cells.observations, "pseudorange", whole)
    phase_ms = _range_ms(cells.observations, "phase_range", whole)
    steps = np.rint(cells.firsts_of(code_ms, phase_ms) * _STEPS_PER_MS)
    if whole is None:
        missing = np.isnan(steps)
    else:
        missing = ~((steps >= 0) & (steps < whole.highest * _STEPS_PER_MS))  # the highest is a mark
    rough_ms = steps / _STEPS_PER_MS
    rough_ms[missing] = np.nan
    steps[missing] = 0
    raw = steps.astype(np.int64)
    satellites = {"rough_range_modulo": raw % _STEPS_PER_MS}
    if whole is not None:
        satellites["rough_range"] = raw // _STEPS_PER_MS
        satellites["rough_range"][missing] = whole.highest
    values = {}
    for name, range_ms in (("fine_pseudorange", code_ms), ("fine_phase_range", phase_ms)):
        if name in cell_fields:
            fine_ms = range_ms - rough_ms[cells.satellite]
            if whole is None:
                fine_ms -= np.rint(fine_ms)  # code and phase may have lost different whole parts
            values[name] = quantised(cell_fields[name], fine_ms)
    return satellites, values


def _range_ms(observations: Observations, name: str, whole: Field | None) -> Floats:
    """Give a range in light-milliseconds; the remainder will do where no whole part is sent."""
    range_m: Floats = getattr(observations, f"{name}_m")
    if whole is None:
        range_m = np.where(np.isnan(range_m), getattr(observations, f"{name}_modulo_m"), range_m)
    return range_m / LIGHT_MS_M


def _channels(channels: Mapping[int, int]) -> Integers:
    """Give the raw channel of each place in the satellite mask."""
    raw = np.full(_SATELLITES, _NO_CHANNEL, np.int64)
    for slot, channel in channels.items():
        if -7 <= channel <= _GREATEST_CHANNEL and 1 <= slot <= _SATELLITES:
            raw[slot - 1] = channel + 7
    return raw
