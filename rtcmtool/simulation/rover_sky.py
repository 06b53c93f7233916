"""Which satellites a rover tracks at each epoch, where they stand, and how well they lie."""

import math

import numpy as np
import numpy.typing as npt

from rtcmtool.gnss.visibility import dops
from rtcmtool.simulation.receiver_epochs import ReceiverEpochs
from rtcmtool.simulation.rover_nmea import Dops, SeenSatellite
from rtcmtool.wire.observations import SYSTEM_LETTERS

Floats = npt.NDArray[np.float64]

NO_DOPS = Dops(math.nan, math.nan, math.nan)
View = tuple[list[SeenSatellite], Dops]


def seen_from(
    epochs: ReceiverEpochs, directions: tuple[tuple[str, ...], Floats, Floats], mask_deg: float
) -> list[View]:
    """List the satellites of each epoch.

    Parameters
    ----------
    epochs : ReceiverEpochs
        What the rover measured at m epochs.
    directions : tuple
        RINEX names of n satellites; azimuth and elevation, shape (m, n), rad.
    mask_deg : float
        Used are those above it.

    Returns
    -------
    list of tuple
        For each epoch its satellites, with the strength of their first signal, and the dilutions
        of those used.
    """
    names, azimuth_rad, elevation_rad = directions
    place = {name: index for index, name in enumerate(names)}
    azimuth_deg, elevation_deg = np.degrees(azimuth_rad), np.degrees(elevation_rad)
    code = epochs.system.astype(np.int64) * 256 + epochs.satellite
    key = epochs.epoch.astype(np.int64) * 65_536 + code
    _, first = np.unique(key, return_index=True)
    found: list[list[SeenSatellite]] = [[] for _ in epochs.gps_ms]
    for row in first.tolist():
        letter, number = SYSTEM_LETTERS[epochs.system[row]], int(epochs.satellite[row])
        index, epoch = place[f"{letter}{number:02d}"], int(epochs.epoch[row])
        found[epoch].append(
            SeenSatellite(
                letter, number,
                float(elevation_deg[epoch, index]), float(azimuth_deg[epoch, index]),
                float(epochs.cnr_dbhz[row]), bool(elevation_deg[epoch, index] >= mask_deg),
            )
        )  # fmt: skip
    return [(satellites, _dops_of(satellites)) for satellites in found]


def _dops_of(satellites: list[SeenSatellite]) -> Dops:
    used = [satellite for satellite in satellites if satellite.is_used]
    found = dops(
        np.radians([satellite.azimuth_deg for satellite in used]),
        np.radians([satellite.elevation_deg for satellite in used]),
        [satellite.system for satellite in used],
    )
    return NO_DOPS if found is None else Dops(found.pdop, found.hdop, found.vdop)
