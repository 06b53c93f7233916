"""The recorded static base as a stream of RTCM 3 without orbits, for tests only.

Ranges of GPS and Galileo of `static-1hz-observations.rnx`, and the position of its header, which is
right to centimetres.
"""

from functools import cache
from pathlib import Path

import numpy as np

from rtcmtool.gnss.signals import wavelength_m
from rtcmtool.wire.encoded_frames import MessageHeads
from rtcmtool.wire.observation_encoding import encode_msm
from rtcmtool.wire.observations import SYSTEM_LETTERS, Observations, nothing
from rtcmtool.wire.signal_ids import SIGNAL_ID
from tests.gnss.rinex_observations import ObservationFile, read_observations
from tests.streams import Sent, data_of, every, merged, position

NUMBERS = {"G": 1077, "E": 1097}
DATE = "2021-03-19"
STATION = 417


@cache
def recorded_stream(folder: Path, epochs: int, step: int) -> bytes:
    """Give every `step`-th epoch of the recording as 1077 and 1097, each with 1006."""
    observed = read_observations(folder / "static-1hz-observations.rnx", every=step, limit=epochs)
    parts = [every(position(tuple(observed.position_m), station=STATION), epochs, 1)]
    for letter, number in NUMBERS.items():
        heads = MessageHeads.at(
            letter, np.array([gps_ms for gps_ms, _ in observed.epochs]), station=STATION,
            more_follow=int(letter != "E"),
        )  # fmt: skip
        frames = encode_msm(number, heads, _observations(letter, observed), None)
        parts.append(
            [
                Sent(epoch, number, data)
                for epoch, data in zip(frames.epoch.tolist(), frames.frames(), strict=True)
            ]
        )
    return data_of(merged(*parts))


def _observations(letter: str, observed: ObservationFile) -> Observations:
    rows = []
    cycles: dict[tuple[str, str], float] = {}
    for epoch, (_, satellites) in enumerate(observed.epochs):
        for name in sorted(name for name in satellites if name[0] == letter):
            values = satellites[name]
            for code in (code for code in values if code[0] == "C" and f"L{code[1:]}" in values):
                signal = code[1:]
                wave_m = wavelength_m(letter, signal)
                phase_m = values[f"L{signal}"] * wave_m
                whole = cycles.setdefault(
                    (name, signal), round((phase_m - values[code]) / wave_m)
                )  # phases of a recording begin anywhere, those of RTCM 3 near the code
                rows.append(
                    (epoch, int(name[1:]), SIGNAL_ID[signal], values[code],
                     phase_m - whole * wave_m, values.get(f"S{signal}", 45.0))
                )  # fmt: skip
    epoch, satellite, signal, code_m, phase_m, cnr = np.array(rows, np.float64).T
    size = len(epoch)
    return Observations(
        frame=epoch.astype(np.int32),
        system=np.full(size, SYSTEM_LETTERS.index(letter), np.uint8),
        satellite=satellite.astype(np.uint8),
        signal=signal.astype(np.uint8),
        pseudorange_m=code_m,
        phase_range_m=phase_m,
        pseudorange_modulo_m=nothing(size),
        phase_range_modulo_m=nothing(size),
        phase_range_rate_m_s=nothing(size),
        cnr_dbhz=cnr.astype(np.float32),
        lock_time_ms=(60_000 + 1000 * epoch).astype(np.int32),
        half_cycle=np.zeros(size, np.int8),
    )
