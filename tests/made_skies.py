"""A made constellation, and what a base on the ground of the made streams would send of it."""

from collections.abc import Callable, Sequence
from functools import cache

import numpy as np

from rtcmtool.gnss.atmosphere import saastamoinen_m
from rtcmtool.gnss.ephemerides import Ephemeris
from rtcmtool.gnss.geodesy import geodetic_from_ecef
from rtcmtool.gnss.satellites import SatelliteTable, sight
from rtcmtool.gnss.signals import C_M_S, carrier_hz
from rtcmtool.gnss.visibility import visible_satellites
from rtcmtool.monitor.stream_state import StreamState
from rtcmtool.wire.encoded_frames import MessageHeads
from rtcmtool.wire.observation_encoding import encode_msm
from rtcmtool.wire.observations import SYSTEM_LETTERS, Observations, nothing
from rtcmtool.wire.signal_ids import SIGNAL_ID
from rtcmtool.wire.stream import Chunk, StreamDecoder
from tests.gnss.synthetic import kepler
from tests.streams import ARP_M, START_MS, STATION, Sent, dated, every, merged, position

NUMBERS = {"G": 1077, "E": 1097}
SIGNALS = {"G": ("1C", "2W"), "E": ("1C", "5Q")}
_LOCKED_MS = 500_000


@cache
def constellation() -> tuple[Ephemeris, ...]:
    """Give 24 satellites of GPS in six planes and 24 of Galileo in three."""
    toe_s = START_MS // 1000 + 600.0
    common = {
        "toe_gps_s": toe_s, "toc_gps_s": toe_s, "transmitted_gps_s": toe_s - 1800.0,
        "delta_n_rad_s": 4.5e-9, "omega_dot_rad_s": -8e-9, "cuc_rad": 0.0, "cus_rad": 0.0,
        "crc_m": 0.0, "crs_m": 0.0, "cic_rad": 0.0, "cis_rad": 0.0, "idot_rad_s": 0.0,
    }  # fmt: skip
    records = []
    for system, planes, axis, tilt, turn in (
        ("G", 6, 5153.7, 0.96, 0.01),
        ("E", 3, 5440.6, 0.977, 0.3),
    ):
        for number in range(24):
            plane, seat = number % planes, number // planes
            records.append(
                kepler(
                    system, number + 1, sqrt_a_sqrt_m=axis, eccentricity=0.002, i0_rad=tilt,
                    omega0_rad=_wrapped(2 * np.pi * plane / planes + turn),
                    m0_rad=_wrapped(2 * np.pi * (seat * planes / 24 + plane / 24)),
                    **common,
                )
            )  # fmt: skip
    return tuple(records)


def _wrapped(angle_rad: float) -> float:
    return (angle_rad + np.pi) % (2 * np.pi) - np.pi


def above(degrees: float = 12.0, systems: str = "GE") -> list[str]:
    """Name the satellites over the base at the start, highest first."""
    seen = visible_satellites(
        constellation(), START_MS, ARP_M, above_deg=degrees, systems=set(systems)
    )
    order = np.argsort(-seen.elevation_deg)
    return [seen.satellites[row] for row in order]


def base_under_sky(
    epochs: int = 330,
    *,
    satellites: Sequence[str] | None = None,
    sent_m: Sequence[float] | None = ARP_M,
    code_noise_m: float | dict[str, float] = 0.3,
    interval_ms: int = 1000,
    cnr: Callable[[str, str], float] = lambda satellite, signal: 48.0,
    edit: Callable[[dict[str, np.ndarray]], None] | None = None,
    seed: int = 7,
) -> list[Sent]:
    """Give the stream of a base that stands at `ARP_M` and says it stands at `sent_m`.

    `code_noise_m` may be by signal; `edit` changes the columns of each system in place before they
    are encoded: epoch, satellite, signal, code_m, phase_m, cnr.
    """
    names = above() if satellites is None else list(satellites)
    rng = np.random.default_rng(seed)
    parts = [] if sent_m is None else [every(position(sent_m), epochs, 10)]
    letters = [letter for letter in NUMBERS if any(name[0] == letter for name in names)]
    for letter in letters:
        own = sorted(name for name in names if name[0] == letter)
        columns = _columns(letter, own, epochs, interval_ms)
        noise = code_noise_m if isinstance(code_noise_m, dict) else {}
        scale = np.array(
            [
                noise.get(signal, 0.3) if noise else code_noise_m
                for signal in columns["signal"].tolist()
            ]
        )
        columns["code_m"] += rng.normal(0.0, 1.0, len(scale)) * scale
        pairs = zip(columns["name"].tolist(), columns["signal"].tolist(), strict=True)
        columns["cnr"] = np.array([cnr(*pair) for pair in pairs])
        if edit is not None:
            edit(columns)
        heads = MessageHeads.at(
            letter, START_MS + interval_ms * np.arange(epochs), station=STATION,
            more_follow=int(letter != letters[-1]),
        )  # fmt: skip
        frames = encode_msm(NUMBERS[letter], heads, _observations(letter, columns), None)
        parts.append(
            [
                Sent(epoch, NUMBERS[letter], data)
                for epoch, data in zip(frames.epoch.tolist(), frames.frames(), strict=True)
            ]
        )
    return merged(*parts)


def _columns(letter, names, epochs, interval_ms):
    """Give ranges as a receiver with a true clock at `ARP_M` would measure them."""
    table = SatelliteTable.stack(
        next(record for record in constellation() if record.satellite == name) for name in names
    )
    times = (START_MS + interval_ms * np.arange(epochs))[:, np.newaxis]
    seen = sight(table, times, ARP_M)
    latitude, _, height = geodetic_from_ecef(np.array(ARP_M))
    range_m = seen.range_m - C_M_S * seen.clock_s
    range_m = range_m + saastamoinen_m(latitude, height, seen.elevation_rad)
    signals = SIGNALS[letter]
    shape = (epochs, len(names), len(signals))
    epoch, satellite, signal = (index.ravel() for index in np.indices(shape))
    carriers = np.array([carrier_hz(letter, one) for one in signals])
    delay_m = 3.0 * (carriers[0] / carriers[signal]) ** 2
    return {
        "epoch": epoch,
        "name": np.array(names)[satellite],
        "satellite": np.array([int(name[1:]) for name in names])[satellite],
        "signal": np.array(signals)[signal],
        "code_m": range_m[epoch, satellite] + delay_m,
        "phase_m": range_m[epoch, satellite] - delay_m + 2.0 * signal,
        "keep": np.ones(epoch.size, bool),
    }


def _observations(letter, columns):
    columns = {name: column[columns["keep"]] for name, column in columns.items()}
    size = len(columns["epoch"])
    return Observations(
        frame=columns["epoch"].astype(np.int32),
        system=np.full(size, SYSTEM_LETTERS.index(letter), np.uint8),
        satellite=columns["satellite"].astype(np.uint8),
        signal=np.array([SIGNAL_ID[name] for name in columns["signal"]], np.uint8),
        pseudorange_m=columns["code_m"],
        phase_range_m=columns["phase_m"],
        pseudorange_modulo_m=nothing(size),
        phase_range_modulo_m=nothing(size),
        phase_range_rate_m_s=nothing(size),
        cnr_dbhz=columns["cnr"].astype(np.float32),
        lock_time_ms=(_LOCKED_MS + 1000 * columns["epoch"]).astype(np.int32),
        half_cycle=np.zeros(size, np.int8),
    )


def state_under_sky(
    stream: Sequence[Sent],
    navigation: Sequence[Ephemeris] | None = None,
    *,
    has_date: bool = True,
    piece_bytes: int = 1 << 16,
) -> StreamState:
    """Follow a stream to its end with the constellation's records, or others."""
    data = b"".join(sent.data for sent in stream)
    known = constellation() if navigation is None else navigation
    decoder = StreamDecoder(dated() if has_date else None)
    state = StreamState(navigation=known)
    for begin in range(0, len(data), piece_bytes):
        state.update(decoder.feed(Chunk(data[begin : begin + piece_bytes])))
    state.update(decoder.finish())
    state.finish()
    return state
