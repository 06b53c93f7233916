"""Made streams of a base: observations, position, antenna, biases and plan, with faults on demand.

A stream is a list of `Sent` in the order of transmission, so that a test can leave out, damage,
repeat or move single messages before joining them. All values are invented; the ground is an ocean.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np

from rtcmtool.gnss import time as gnss_time
from rtcmtool.gnss.geodesy import ecef_from_degrees
from rtcmtool.gnss.signals import LETTERS
from rtcmtool.monitor.stream_state import StreamState
from rtcmtool.wire.catalogue import LAYOUTS, LEGACY_NUMBERS, system_of
from rtcmtool.wire.encoded_frames import MessageHeads
from rtcmtool.wire.encoding import encode_values, frame_message
from rtcmtool.wire.epochs import Origin, TimeReference
from rtcmtool.wire.legacy_encoding import encode_legacy
from rtcmtool.wire.observation_encoding import encode_msm
from rtcmtool.wire.observations import SYSTEM_LETTERS, Observations, nothing
from rtcmtool.wire.signal_ids import SIGNAL_ID
from rtcmtool.wire.stream import Chunk, StreamDecoder

STATION = 417
START_MS = gnss_time.gps_ms_from_date(2026, 3, 4, 7)  # Wednesday, 07:00 GPS time
DAY = "2026-03-04"
GROUND = (12.0, -34.0, 60.0)  # degrees and metres
ARP_M: tuple[float, float, float] = tuple(ecef_from_degrees(*GROUND).round(4).tolist())
ANTENNA = "SURVEYANT-1     NONE"
MOST_SATELLITES = 64

SIGNALS_OF = {
    "G": ("1C", "2W"),
    "R": ("1C", "2C"),
    "E": ("1C", "7Q"),
    "S": ("1C", "5I"),
    "J": ("1C", "2L"),
    "C": ("2I", "6I"),
    "I": ("5A",),
}
LEGACY_SIGNALS_OF = {"G": ("1C", "2W"), "R": ("1C", "2C")}
USUAL_SATELLITES = {"GPS": 9, "GLO": 6, "GAL": 7, "BDS": 8}
FOUR_SYSTEMS = (1074, 1084, 1094, 1124)

Columns = dict[str, np.ndarray]
Edit = Callable[[Columns], None]


@dataclass(frozen=True, slots=True)
class Sent:
    """A message as it is sent: index of its epoch, number and frame."""

    epoch: int
    number: int
    data: bytes


def message(number: int, **values: Any) -> bytes:
    """Give a frame with one message."""
    return frame_message(encode_values(LAYOUTS[number], values))


def position(
    arp_m: Sequence[float] = ARP_M, height_m: float | None = 1.652, station: int = STATION
) -> bytes:
    """Give 1006, or 1005 where there is no height."""
    x_m, y_m, z_m = arp_m
    values = {
        "station": station, "itrf_year": 0, "gps": True, "glonass": True, "galileo": True,
        "virtual_station": False, "x_m": x_m, "single_oscillator": True, "y_m": y_m,
        "quarter_cycle": 0, "z_m": z_m,
    }  # fmt: skip
    if height_m is None:
        return message(1005, **values)
    return message(1006, antenna_height_m=height_m, **values)


def antenna(name: str = ANTENNA, station: int = STATION, receiver: str = "BASE-1") -> bytes:
    """Give 1033."""
    return message(
        1033,
        station=station, antenna_descriptor=name, antenna_setup_id=0, antenna_serial="",
        receiver_type=receiver, receiver_firmware="1.0", receiver_serial="7",
    )  # fmt: skip


def bias(
    biases_m: Sequence[float | None] = (0.02, None, 0.04, None),
    *,
    aligned: bool = False,
    station: int = STATION,
) -> bytes:
    """Give 1230."""
    names = ("bias_1c_m", "bias_1p_m", "bias_2c_m", "bias_2p_m")
    given = dict(zip(names, biases_m, strict=True))
    return message(1230, station=station, aligned=aligned, bias_mask=0, **given)


def plan(intervals_s: Mapping[int, float], station: int = STATION) -> bytes:
    """Give 1013 of the first epoch."""
    rows = [
        {"message": number, "synchronous": True, "interval_s": every}
        for number, every in intervals_s.items()
    ]
    return message(
        1013, station=station, mjd=61_103, utc_s=25_182, leap_seconds=18, announcements=rows
    )


def text(words: str, station: int = STATION) -> bytes:
    """Give 1029 of the first epoch."""
    return message(
        1029, station=station, mjd=61_103, utc_s=25_182, characters=len(words), text=words
    )


@cache
def _columns(letter: str, satellites: int, signals: tuple[str, ...], epochs: int) -> Columns:
    """Give plain columns: all satellites all the time, good strength, locked for long."""
    shape = (epochs, satellites, len(signals))
    epoch, satellite, signal = (index.ravel() for index in np.indices(shape))
    code_m = 21e6 + 150_000.0 * satellite + 90.0 * epoch + 2.0 * signal
    return {
        "epoch": epoch,
        "satellite": satellite + (20 if letter == "S" else 1),
        "signal": np.array([SIGNAL_ID[name] for name in signals])[signal],
        "pseudorange_m": code_m,
        "phase_range_m": code_m + 1.25,
        "cnr_dbhz": np.full(epoch.size, 48.0) - 4.0 * signal,
        "lock_time_ms": 100_000 + 1000 * epoch,
        "half_cycle": np.zeros(epoch.size, int),
    }


def observations(letter: str, columns: Columns) -> Observations:
    """Give columns as observations of one system, `frame` being the epoch."""
    size = len(columns["epoch"])
    return Observations(
        frame=columns["epoch"].astype(np.int32),
        system=np.full(size, SYSTEM_LETTERS.index(letter), np.uint8),
        satellite=columns["satellite"].astype(np.uint8),
        signal=columns["signal"].astype(np.uint8),
        pseudorange_m=columns["pseudorange_m"].astype(float),
        phase_range_m=columns["phase_range_m"].astype(float),
        pseudorange_modulo_m=nothing(size),
        phase_range_modulo_m=nothing(size),
        phase_range_rate_m_s=nothing(size),
        cnr_dbhz=columns["cnr_dbhz"].astype(np.float32),
        lock_time_ms=columns["lock_time_ms"].astype(np.int32),
        half_cycle=columns["half_cycle"].astype(np.int8),
    )


def observed(
    number: int,
    epochs: int,
    *,
    satellites: int | None = None,
    signals: tuple[str, ...] | None = None,
    edit: Edit | None = None,
    station: int = STATION,
    start_ms: int = START_MS,
    interval_ms: int = 1000,
    more_follow: int = 0,
) -> list[Sent]:
    """Give the observation messages of one number.

    Parameters
    ----------
    number : int
        MSM or legacy.
    epochs : int
        How many.
    satellites, signals
        By default the usual ones of the system.
    edit : callable, optional
        Changes the columns in place before they are encoded.
    station, start_ms, interval_ms, more_follow : int
        Station number, first epoch (GPS time, ms), step, flag of the last message of an epoch.
    """
    letter = system_of(number)
    assert letter is not None
    legacy = number in LEGACY_NUMBERS
    usual = {LETTERS[name]: count for name, count in USUAL_SATELLITES.items()}
    count = usual.get(letter, 5) if satellites is None else satellites
    table = LEGACY_SIGNALS_OF if legacy else SIGNALS_OF
    columns = {
        name: column.copy()
        for name, column in _columns(letter, count, signals or table[letter], epochs).items()
    }
    columns["lock_time_ms"] += (interval_ms - 1000) * columns["epoch"]
    if edit is not None:
        edit(columns)
    gps_ms = start_ms + interval_ms * np.arange(epochs)
    heads = MessageHeads.at(letter, gps_ms, station=station, more_follow=more_follow)
    channels = {slot: slot % 13 - 6 for slot in range(1, 33)} if letter == "R" else None
    encode = encode_legacy if legacy else encode_msm
    frames = encode(number, heads, observations(letter, columns), channels)
    return [
        Sent(epoch, number, data)
        for epoch, data in zip(frames.epoch.tolist(), frames.frames(), strict=True)
    ]


def merged(*parts: Iterable[Sent]) -> list[Sent]:
    """Put messages into the order of their epochs; within one the order of the parts is kept."""
    return sorted((sent for part in parts for sent in part), key=lambda sent: sent.epoch)


def every(data: bytes, epochs: int, step: int, first: int = 0) -> list[Sent]:
    """Send a message at each `step`-th epoch."""
    number = data[3] << 4 | data[4] >> 4
    return [Sent(epoch, number, data) for epoch in range(first, epochs, step)]


def base_stream(
    epochs: int = 60,
    *,
    numbers: Sequence[int] = FOUR_SYSTEMS,
    satellites: Mapping[str, int] | None = None,
    signals: Mapping[str, tuple[str, ...]] | None = None,
    edit: Edit | None = None,
    station: int = STATION,
    start_ms: int = START_MS,
    interval_ms: int = 1000,
    extras: Iterable[Iterable[Sent]] | None = None,
) -> list[Sent]:
    """Give the stream of a base; by default one that a rover can fix with.

    Parameters
    ----------
    epochs : int
        How many.
    numbers : sequence of int
        Observation messages of each epoch; all but the last say that more follow.
    satellites : mapping, optional
        Satellites by the short name of the system.
    signals : mapping, optional
        Signals by RINEX letter.
    edit : callable, optional
        Changes the columns of every message in place.
    station, start_ms, interval_ms : int
        As of `observed`.
    extras : iterable of messages, optional
        What is sent before the observations of its epoch; by default 1006, 1033 and 1230 every 10.
    """
    if extras is None:
        extras = (
            every(position(station=station), epochs, 10),
            every(antenna(station=station), epochs, 10),
            every(bias(station=station), epochs, 10),
        )
    counts = {LETTERS[name]: count for name, count in (satellites or {}).items()}
    parts = []
    for number in numbers:
        letter = system_of(number) or ""
        parts.append(
            observed(
                number, epochs, satellites=counts.get(letter),
                signals=(signals or {}).get(letter), edit=edit, station=station,
                start_ms=start_ms, interval_ms=interval_ms, more_follow=number != numbers[-1],
            )
        )  # fmt: skip
    return merged(*extras, *parts)


def data_of(stream: Iterable[Sent]) -> bytes:
    """Join the frames of a stream."""
    return b"".join(sent.data for sent in stream)


def without(stream: Iterable[Sent], is_lost: Callable[[Sent], bool]) -> list[Sent]:
    """Leave out what a link has lost."""
    return [sent for sent in stream if not is_lost(sent)]


def without_epochs(stream: Iterable[Sent], *lost: int) -> list[Sent]:
    """Leave out everything of some epochs."""
    return without(stream, lambda sent: sent.epoch in lost)


def damaged(stream: Sequence[Sent], *places: int) -> list[Sent]:
    """Change a bit in the check sum of the messages at some places of the stream."""
    found = list(stream)
    for place in places:
        data = bytearray(found[place].data)
        data[-1] ^= 0x20
        found[place] = replace(found[place], data=bytes(data))
    return found


# ---- streams to states -------------------------------------------------------------------------


def dated(day: int = START_MS) -> TimeReference:
    """Give a time reference that knows the day."""
    reference = TimeReference()
    reference.learn(day, Origin.DATE)
    return reference


def state_of(
    stream: bytes | Iterable[Sent],
    *,
    pieces: Sequence[bytes] | None = None,
    reference: TimeReference | None = None,
    finish: bool = True,
) -> StreamState:
    """Follow a stream to its end, whole or in pieces, without arrival times."""
    data = stream if isinstance(stream, bytes) else data_of(stream)
    return state_of_chunks([Chunk(piece) for piece in pieces or [data]], reference, finish=finish)


def state_of_chunks(
    chunks: Iterable[Chunk], reference: TimeReference | None = None, *, finish: bool = True
) -> StreamState:
    """Follow chunks of a stream."""
    decoder, state = StreamDecoder(reference), StreamState()
    for chunk in chunks:
        state.update(decoder.feed(chunk))
    if finish:
        state.update(decoder.finish())
        state.finish()
    return state


def arriving(
    stream: Iterable[Sent], *, late_ms: int = 600, start_ms: int = START_MS, interval_ms: int = 1000
) -> list[Chunk]:
    """Give each message as a chunk that arrives some time after its epoch."""
    chunks, at = [], 0
    for sent in stream:
        gps_ms = start_ms + interval_ms * sent.epoch + late_ms
        utc_ns = np.array([gnss_time.utc_ns_from_gps_ms(gps_ms)], np.int64)
        chunks.append(Chunk(sent.data, utc_ns, np.array([at], np.int64)))
        at += len(sent.data)
    return chunks
