"""Columns to legacy observations (1001-1004, 1009-1012), all messages of a block at once.

The inverse of `legacy_columns`, off the same layouts. A satellite is one row of a message: its L1
pseudorange as whole light-milliseconds (two of them for GLONASS) and a remainder, everything else
as a difference to what these two give, so that a phase keeps its quarter of a millimetre
(RTCM 10403.x, legacy observation messages, from memory).
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from rtcmtool.errors import EncodeError
from rtcmtool.wire.catalogue import LAYOUTS, LEGACY_NUMBERS
from rtcmtool.wire.encoded_frames import (
    EncodedFrames,
    FrameCanvas,
    MessageHeads,
    firsts,
    plain_fields,
    quantised,
)
from rtcmtool.wire.fields import FIRST_SBAS, LAST_SBAS
from rtcmtool.wire.layout import Count, Field, Layout
from rtcmtool.wire.legacy_columns import WHOLE_M
from rtcmtool.wire.lock_times import LEGACY_LOCK_MS
from rtcmtool.wire.msm_columns import FIRST_SATELLITE_NUMBER
from rtcmtool.wire.observations import SYSTEM_LETTERS, Observations
from rtcmtool.wire.signal_ids import LEGACY_SIGNAL_IDS, SIGNALS

Integers = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

_SATELLITES = 64  # values of the satellite field
_GREATEST_CHANNEL = 13  # raw values are channel + 7
_RANGE_STEPS = 50  # pseudorange steps a metre: 0.02 m

_Number = TypeVar("_Number", np.int64, np.float64)


def encode_legacy(
    number: int,
    heads: MessageHeads,
    observations: Observations,
    channels: Mapping[int, int] | None = None,
) -> EncodedFrames:
    """Write observations as legacy messages, at least one an epoch.

    Parameters
    ----------
    number : int
        1001 to 1004 for GPS and SBAS, 1009 to 1012 for GLONASS.
    heads : MessageHeads
        Epochs, stations and flags, n of them.
    observations : Observations
        `frame` is the index of the epoch in `heads`; rows in any order. Rows of other systems, and
        signals that the message has no field for, are left out. 1001, 1003, 1009 and 1011 take the
        ranges modulo the whole part where there are no whole ones.
    channels : mapping, optional
        GLONASS channels (-7 to 13) by slot; every slot that is sent needs one.

    Returns
    -------
    EncodedFrames
        In the order of the epochs, satellites rising. An epoch without a satellite gives an empty
        message; one with more than 31 is split into several, of which all but the last have the
        synchronous flag set. The flag of the last is `heads.more_follow`.

    Raises
    ------
    EncodeError
        If the number is no legacy observation, a head value does not fit, the message has no place
        for a satellite, a channel is missing, or a satellite has two signals for one field.

    Notes
    -----
    What does not fit is marked invalid, never wrapped or limited. L1 has one mark for pseudorange
    and phase: where one is missing, both are. The pseudorange then still serves to rebuild those of
    L2; without one, that of L2 takes its place. A lock time goes out as the greatest class that it
    has reached, an unknown one (-1) as 0.
    """
    if number not in LEGACY_NUMBERS:
        raise EncodeError(f"{number} is no legacy observation message")
    layout = LAYOUTS[number]
    rows = _Rows.sorted_from(layout, len(heads), observations)
    group = layout.group("satellites")
    assert isinstance(group.times, Count)
    counter = group.times.field
    counts = np.bincount(rows.epoch, minlength=len(heads))
    pieces = np.maximum(-(-counts // counter.highest), 1)
    epoch = np.repeat(np.arange(len(heads)), pieces)
    is_split = np.zeros(len(epoch), np.bool_)
    np.equal(epoch[1:], epoch[:-1], out=is_split[:-1])
    piece = np.arange(len(epoch)) - firsts(pieces)[epoch]
    counts = np.clip(counts[epoch] - piece * counter.highest, 0, counter.highest)
    head_bits = sum(part.bits for part in layout.head)
    canvas = FrameCanvas(head_bits + counts * group.bits)
    values = heads.values(epoch)
    synchronous = values.pop("more_follow") | is_split
    canvas.put_head(
        layout.head,
        {
            **values,
            "message_number": number,
            "synchronous_gnss": synchronous,
            counter.name: counts,
        },
    )
    row_values = _values(layout, rows, channels)
    canvas.put_group(group, canvas.message_at + head_bits, counts, row_values)
    return canvas.finish(epoch)


@dataclass(frozen=True, eq=False, slots=True)
class _Rows:
    """The satellites of all messages in wire order, and which observation serves which band."""

    observations: Observations
    letter: str
    epoch: Integers  # (rows,)
    satellite: Integers  # (rows,): as the field has it
    bands: tuple[Integers, ...]  # L1 and, if carried, L2: index of the observation, -1 for none

    @classmethod
    def sorted_from(cls, layout: Layout, epochs: int, observations: Observations) -> "_Rows":
        letter = layout.system
        assert letter is not None
        band_count = 2 if "l2_code" in plain_fields(layout.group("satellites")) else 1
        band = _band_of_signal(letter, band_count)[observations.signal]
        own = observations.system == SYSTEM_LETTERS.index(letter)
        sbas = (observations.system == SYSTEM_LETTERS.index("S")) & (letter == "G")
        rows = np.flatnonzero((own | sbas) & (band >= 0))
        band, sbas = band[rows], sbas[rows]
        epoch = observations.frame[rows].astype(np.int64)
        satellite = observations.satellite[rows].astype(np.int64)
        satellite[sbas] += FIRST_SBAS - FIRST_SATELLITE_NUMBER["S"]
        if len(rows):
            _refuse_misfits(epochs, epoch, satellite, sbas)
        keys, row = np.unique(epoch * _SATELLITES + satellite, return_inverse=True)
        index = np.full((len(keys), band_count), -1, np.int64)
        index[row, band] = rows
        if np.count_nonzero(index >= 0) < len(rows):
            raise EncodeError(f"{layout.number}: two signals of one satellite for the same field")
        bands = tuple(np.ascontiguousarray(index[:, place]) for place in range(band_count))
        return cls(observations, letter, keys // _SATELLITES, keys % _SATELLITES, bands)

    def codes(self, band: int) -> Integers:
        """Give the raw code of a band; 0 where there is no signal."""
        table = np.zeros(len(SIGNALS), np.int64)
        ids = LEGACY_SIGNAL_IDS[self.letter][band]
        table[ids] = np.arange(len(ids))
        return self._spread(table[self.observations.signal], band, 0)

    def locks(self, band: int) -> Integers:
        """Give the lock indicators of a band."""
        lock_ms = self._spread(self.observations.lock_time_ms.astype(np.int64), band, -1)
        return np.maximum(np.searchsorted(LEGACY_LOCK_MS, lock_ms, side="right") - 1, 0)

    def cnrs(self, band: int) -> Floats:
        """Give the signal strengths of a band, dB-Hz."""
        return self._spread(self.observations.cnr_dbhz.astype(np.float64), band, np.nan)

    def ranges(self, name: str, band: int, *, modulo: bool) -> Floats:
        """Give a range of a band, m; its remainder where that will do and no more is known."""
        range_m: Floats = getattr(self.observations, f"{name}_m")
        if modulo:
            remainder_m = getattr(self.observations, f"{name}_modulo_m")
            range_m = np.where(np.isnan(range_m), remainder_m, range_m)
        return self._spread(range_m, band, np.nan)

    def _spread(
        self, column: npt.NDArray[_Number], band: int, missing: float
    ) -> npt.NDArray[_Number]:
        index = self.bands[band]
        if not len(column):
            return np.zeros(0, column.dtype)
        values: npt.NDArray[_Number] = column[index]
        values[index < 0] = missing
        return values


def _band_of_signal(letter: str, band_count: int) -> Integers:
    table = np.full(len(SIGNALS), -1, np.int64)
    for band, ids in enumerate(LEGACY_SIGNAL_IDS[letter][:band_count]):
        table[ids] = band
    return table


def _refuse_misfits(
    epochs: int, epoch: Integers, satellite: Integers, sbas: npt.NDArray[np.bool_]
) -> None:
    """Raise EncodeError for rows that the message has no place for."""
    least = np.where(sbas, FIRST_SBAS, 1)
    most = np.where(sbas, LAST_SBAS, FIRST_SBAS - 1)
    wrong = (satellite < least) | (satellite > most)
    if wrong.any():
        raise EncodeError(f"satellite {satellite[wrong][0]} has no place in a legacy message")
    if epoch.min() < 0 or epoch.max() >= epochs:
        raise EncodeError(f"observations of epochs that the {epochs} heads do not have")


def _values(layout: Layout, rows: _Rows, channels: Mapping[int, int] | None) -> dict[str, Integers]:
    """Give the raw values of all rows by field name."""
    group = plain_fields(layout.group("satellites"))
    values = {"satellite": rows.satellite, **_ranges(group, rows)}
    for band, name in enumerate(("l1", "l2")[: len(rows.bands)]):
        values[f"{name}_code"] = rows.codes(band)
        values[f"{name}_lock"] = rows.locks(band)
        if f"{name}_cnr" in group:
            values[f"{name}_cnr"] = quantised(group[f"{name}_cnr"], rows.cnrs(band))
    if "frequency_channel" in group:
        values["frequency_channel"] = _channels(group["frequency_channel"], rows, channels or {})
    return values


def _ranges(group: Mapping[str, Field], rows: _Rows) -> dict[str, Integers]:
    """Give the whole part, the remainder and all differences to the pseudorange they make up."""
    whole_field = group.get("l1_whole_ms")
    whole_m = WHOLE_M[rows.letter]
    bands = range(len(rows.bands))
    modulo = whole_field is None
    code_m = [rows.ranges("pseudorange", band, modulo=modulo) for band in bands]
    phase_m = [rows.ranges("phase_range", band, modulo=modulo) for band in bands]
    base_m = np.where(np.isnan(code_m[0]), code_m[-1], code_m[0])
    whole = np.floor(base_m / whole_m)
    unknown = np.isnan(base_m)
    if whole_field is not None:
        unknown = ~((whole >= 0) & (whole <= whole_field.highest))
    whole[unknown] = 0
    steps = np.rint((base_m - whole * whole_m) * _RANGE_STEPS)
    steps[unknown] = 0
    base_m = whole * whole_m + steps / _RANGE_STEPS  # as the receiver rebuilds it
    base_m[unknown] = np.nan
    differences_m = {"l1_phase_minus_code": phase_m[0] - base_m}
    differences_m["l1_phase_minus_code"][np.isnan(code_m[0])] = np.nan
    if len(bands) == 2:
        differences_m["l2_minus_l1_pseudorange"] = code_m[1] - base_m
        differences_m["l2_phase_minus_code"] = phase_m[1] - base_m
    values = {"l1_pseudorange": steps.astype(np.int64)}
    if whole_field is not None:
        values["l1_whole_ms"] = whole.astype(np.int64)
    for name, difference_m in differences_m.items():
        # Two remainders may have lost different whole parts.
        lost_m = np.rint(difference_m / whole_m) * whole_m if modulo else 0.0
        values[name] = quantised(group[name], difference_m - lost_m)
    return values


def _channels(part: Field, rows: _Rows, channels: Mapping[int, int]) -> Integers:
    """Give the raw frequency channels: there is none that means 'not available'."""
    table = np.full(_SATELLITES, -1, np.int64)
    for slot, channel in channels.items():
        if 0 <= slot < _SATELLITES and -7 <= channel <= _GREATEST_CHANNEL:
            table[slot] = channel + 7
    raw = table[rows.satellite]
    if (raw < 0).any():
        slot = int(rows.satellite[raw < 0][0])
        raise EncodeError(
            f"{part.name}: none is given for slot {slot}", do=f"give the channel of R{slot:02d}"
        )
    return raw
