"""Where the satellites stand, which of them are missing, and behind what.

A satellite is expected when it is healthy, its ephemeris is fresh, its system is sent and it stands
above the usual mask and a margin. One without an ephemeris cannot be expected: it is unknown.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from rtcmtool.gnss.ephemerides import Ephemeris
from rtcmtool.gnss.visibility import MARGIN_DEG, MASK_DEG, Visible, visible_satellites
from rtcmtool.monitor.observed_epochs import PLACES, Floats, place_of

AZIMUTH_STEP_DEG = 30
ELEVATION_STEP_DEG = 15
SEEN_SHARE = 0.5  # a satellite seen less than that is missing: judgement


@dataclass(slots=True)
class Expected:
    """A satellite that should be in the stream; epochs of the sky, latest direction."""

    expected: int = 0
    seen: int = 0
    azimuth_deg: float = 0.0
    elevation_deg: float = 0.0

    @property
    def is_missing(self) -> bool:
        """Whether it was mostly not there."""
        return self.seen < SEEN_SHARE * self.expected


@dataclass(frozen=True, slots=True)
class Obstruction:
    """A direction in which expected satellites are missing."""

    azimuth_deg: tuple[int, int]
    elevation_deg: tuple[int, int]
    expected: int
    seen: int


def _empty_map() -> Floats:
    return np.zeros((360 // AZIMUTH_STEP_DEG, 90 // ELEVATION_STEP_DEG + 1))


@dataclass(slots=True)
class SkyMap:
    """The sky over a base.

    Attributes
    ----------
    latest : Visible or None
        All satellites above the horizon at the latest time it was computed.
    elevation_deg : ndarray of float64, shape (places,)
        Latest elevations; NaN where unknown or below the horizon.
    satellites : dict of Expected
        By name, of those that stood above mask and margin.
    unknown : set of str
        Satellites of the latest epoch without an ephemeris.
    """

    latest: Visible | None = None
    elevation_deg: Floats = field(default_factory=lambda: np.full(PLACES, np.nan))
    satellites: dict[str, Expected] = field(default_factory=dict)
    unknown: set[str] = field(default_factory=set)
    _expected: Floats = field(default_factory=_empty_map, repr=False)
    _seen: Floats = field(default_factory=_empty_map, repr=False)

    def update(
        self,
        ephemerides: Mapping[str, Sequence[Ephemeris]],
        gps_ms: int,
        receiver_m: Floats,
        observed: Iterable[str],
    ) -> Visible:
        """Take an epoch.

        Parameters
        ----------
        ephemerides : mapping of satellite to sequence of Ephemeris
            What is known.
        gps_ms : int
            Epoch, GPS ms.
        receiver_m : ndarray, shape (3,)
            Place of the base.
        observed : iterable of str
            Satellites in the stream at this epoch.

        Returns
        -------
        Visible
            All satellites above the horizon.
        """
        seen = set(observed)
        visible = visible_satellites(ephemerides, gps_ms, receiver_m, above_deg=0.0)
        self.latest = visible
        self.elevation_deg = np.full(PLACES, np.nan)
        self.unknown = seen - set(ephemerides)
        systems = {name[0] for name in seen}
        for name, azimuth, elevation in zip(
            visible.satellites, visible.azimuth_deg.tolist(), visible.elevation_deg.tolist(),
            strict=True,
        ):  # fmt: skip
            self.elevation_deg[place_of(name)] = elevation
            if name[0] not in systems or elevation < MASK_DEG + MARGIN_DEG:
                continue
            known = self.satellites.setdefault(name, Expected())
            known.expected += 1
            known.seen += name in seen
            known.azimuth_deg, known.elevation_deg = azimuth, elevation
            cell = int(azimuth % 360 // AZIMUTH_STEP_DEG), int(elevation // ELEVATION_STEP_DEG)
            self._expected[cell] += 1
            self._seen[cell] += name in seen
        return visible

    @property
    def missing(self) -> list[str]:
        """Satellites that should be there and mostly are not, by azimuth."""
        names = [name for name, known in self.satellites.items() if known.is_missing]
        return sorted(names, key=lambda name: self.satellites[name].azimuth_deg)

    @property
    def obstructions(self) -> list[Obstruction]:
        """Directions in which most of what was expected is missing, by azimuth."""
        found = []
        for azimuth, elevation in np.argwhere(self._expected > 0).tolist():
            expected, seen = self._expected[azimuth, elevation], self._seen[azimuth, elevation]
            if seen < SEEN_SHARE * expected:
                found.append(
                    Obstruction(
                        (azimuth * AZIMUTH_STEP_DEG, (azimuth + 1) * AZIMUTH_STEP_DEG),
                        (elevation * ELEVATION_STEP_DEG, (elevation + 1) * ELEVATION_STEP_DEG),
                        int(expected),
                        int(seen),
                    )
                )
        return found
