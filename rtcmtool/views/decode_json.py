"""Batches to the JSON Lines of `decode --json`: an object a frame, an object a reject, in order."""

from collections.abc import Iterator
from typing import Any

import numpy as np
import orjson

from rtcmtool.gnss import time as gnss_time
from rtcmtool.wire.catalogue import LAYOUTS, OBSERVATION_NUMBERS, title
from rtcmtool.wire.decoding import NONE, Batch, Message
from rtcmtool.wire.framing import FRAME_OVERHEAD, Reject
from rtcmtool.wire.observations import SYSTEM_LETTERS, Observations
from rtcmtool.wire.records import read_head, values_of_head
from rtcmtool.wire.signal_ids import SIGNALS

JsonObject = dict[str, Any]

SATELLITE_NAMES = np.array(
    [[f"{letter}{number:02d}" for number in range(256)] for letter in SYSTEM_LETTERS], dtype=object
)
SATELLITE_NAMES[SYSTEM_LETTERS.index("R"), 0] = None  # slot 0: the sender does not know it
_SIGNAL_NAMES = np.array(SIGNALS, dtype=object)
_HALF_CYCLE = np.array([False, True, None], dtype=object)  # -1, not told, is the last
_STATION_KEYS = ("arp_ecef_m", "antenna_height_m")  # shown at the top too


def json_lines(batch: Batch) -> bytes:
    """Give a batch as JSON Lines.

    Parameters
    ----------
    batch : Batch
        Frames and rejects of a piece of a stream.

    Returns
    -------
    bytes
        UTF-8, a line an object; numbers are not rounded, what is not available is null.
    """
    return b"".join(
        orjson.dumps(item, option=orjson.OPT_APPEND_NEWLINE) for item in json_objects(batch)
    )


def json_objects(batch: Batch) -> Iterator[JsonObject]:
    """Give a batch as objects in the order of the stream (contract of `decode --json`)."""
    frames = _Frames(batch)
    rejects = batch.rejects
    at = 0
    for index, offset in enumerate((batch.block.starts + batch.block.offset).tolist()):
        while at < len(rejects) and rejects[at].offset < offset:
            yield reject_object(rejects[at])
            at += 1
        yield frames.object(index)
    for reject in rejects[at:]:
        yield reject_object(reject)


def reject_object(reject: Reject) -> JsonObject:
    """Give a reject as an object."""
    found: JsonObject = {
        "offset": reject.offset,
        "length": reject.length,
        "reject": reject.reason.value,
    }
    if reject.number is not None:
        found["number"] = reject.number
    if reject.detail:
        found["detail"] = reject.detail
    return found


class _Frames:
    """The frames of a batch, column by column turned into Python values once."""

    def __init__(self, batch: Batch) -> None:
        self.batch = batch
        block = batch.block
        self.starts = block.starts.tolist()
        self.lengths = block.lengths.tolist()
        self.number = batch.number.tolist()
        self.station = batch.station.tolist()
        self.epoch_ms = batch.epoch_ms.tolist()
        self.gps_ms = batch.gps_ms.tolist()
        self.messages: dict[int, Message] = {m.frame: m for m in batch.messages}
        self.rows = observation_objects(batch.observations)
        edges = np.searchsorted(batch.observations.frame, np.arange(len(batch) + 1))
        self.edges = edges.tolist()
        self.channels: dict[int, dict[str, int]] = {}
        for frame, slot, channel in batch.channels.tolist():
            self.channels.setdefault(frame, {})[f"R{slot:02d}"] = channel

    def object(self, index: int) -> JsonObject:
        start, length, number = self.starts[index], self.lengths[index], self.number[index]
        message = self.batch.block.data[start + 3 : start + length - 3]
        special = self.messages.get(index)
        subtype = special.layout.subtype if special else None
        found: JsonObject = {
            "offset": self.batch.block.offset + start,
            "length": length - FRAME_OVERHEAD,
            "number": None if number == NONE else number,
            "title": title(number if message else None, subtype),
        }
        if self.station[index] != NONE:
            found["station"] = self.station[index]
        if self.gps_ms[index] != NONE:
            found["gps_time"] = gnss_time.iso(self.gps_ms[index])
        if self.epoch_ms[index] != NONE:
            found["epoch_ms"] = self.epoch_ms[index]
        if number in OBSERVATION_NUMBERS:
            self._add_observations(found, index, number, message)
        elif special is not None:
            _add_fields(found, special)
        else:
            found["fields"] = {}
            if message:
                found["payload_hex"] = message.hex()
        return found

    def _add_observations(self, found: JsonObject, index: int, number: int, message: bytes) -> None:
        layout = LAYOUTS[number]
        fields = values_of_head(layout, read_head(layout, message))
        rows = self.rows[self.edges[index] : self.edges[index + 1]]
        if layout.system == "R" and tells_channels(number):
            told = self.channels.get(index, {})
            names = dict.fromkeys(row["satellite"] for row in rows)
            fields["frequency_channels"] = {
                name: told.get(name) for name in names if name and name.startswith("R")
            }
        found["fields"] = fields
        if lacks_whole_ranges(number):
            observations, first = self.batch.observations, self.edges[index]
            code = observations.pseudorange_modulo_m[first : first + len(rows)].tolist()
            phase = observations.phase_range_modulo_m[first : first + len(rows)].tolist()
            for row, code_m, phase_m in zip(rows, code, phase, strict=True):
                row["pseudorange_modulo_m"] = code_m
                row["phase_range_modulo_m"] = phase_m
        found["observations"] = rows


def lacks_whole_ranges(number: int) -> bool:
    """Tell whether an observation message leaves out the whole milliseconds of its ranges."""
    return number in {1001, 1003, 1009, 1011} or (number > 1070 and number % 10 <= 3)


def tells_channels(number: int) -> bool:
    """Tell whether a GLONASS observation message carries frequency channels."""
    return number < 1070 or number % 10 in {5, 7}


def observation_objects(observations: Observations) -> list[JsonObject]:
    """Give observations as objects.

    Parameters
    ----------
    observations : Observations
        Any number of rows.

    Returns
    -------
    list of dict
        Keys of contract `decode --json`; NaN stands for null, which orjson writes.
    """
    lock = observations.lock_time_ms.astype(object)
    lock[observations.lock_time_ms < 0] = None
    return [
        {
            "satellite": satellite,
            "signal": signal,
            "pseudorange_m": pseudorange,
            "phase_range_m": phase_range,
            "phase_range_rate_m_s": rate,
            "cnr_dbhz": cnr,
            "lock_time_ms": lock_ms,
            "half_cycle_ambiguity": half_cycle,
        }
        for satellite, signal, pseudorange, phase_range, rate, cnr, lock_ms, half_cycle in zip(
            SATELLITE_NAMES[observations.system, observations.satellite].tolist(),
            _SIGNAL_NAMES[observations.signal].tolist(),
            observations.pseudorange_m.tolist(),
            observations.phase_range_m.tolist(),
            observations.phase_range_rate_m_s.tolist(),
            observations.cnr_dbhz.tolist(),
            lock.tolist(),
            _HALF_CYCLE[observations.half_cycle].tolist(),
            strict=True,
        )
    ]


def _add_fields(found: JsonObject, message: Message) -> None:
    values = message.values
    if "satellite" in message.record:
        found["satellite"] = message.value("satellite")
    for key in _STATION_KEYS:
        if key in values:
            found[key] = values[key]
    found["fields"] = values
