"""A simulated receiver: where it stands, its clock, what it tracks and how well."""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from rtcmtool.simulation import noise
from rtcmtool.simulation.signal_plan import DEFAULT_SIGNALS, Signals

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

# Earth-fixed places, shape (m, 3), at times in GPS ms, shape (m,); asked for any time around the
# simulation, also a tenth of a second and half an hour beside it.
Trajectory = Callable[[IntArray], FloatArray]

_WANDER_SPACING_S = 120.0
_JUMP_S = 1e-3


@dataclass(frozen=True, slots=True)
class ReceiverClock:
    """How far a receiver's clock is ahead of GPS time.

    Attributes
    ----------
    offset_s, drift_s_s : float
        At the start of the constellation, and how it grows.
    wander_s : float
        Standard deviation of what changes slowly.
    is_kept_within_half_ms : bool
        Whether the clock is set by whole milliseconds when it is off by more than half of one.
    """

    offset_s: float = 4e-8
    drift_s_s: float = 0.0
    wander_s: float = 1e-8
    is_kept_within_half_ms: bool = False

    def at(self, gps_ms: IntArray, start_gps_ms: int, seed: int) -> tuple[FloatArray, FloatArray]:
        """Give offset and rate (s, s/s) at times, shape (m,)."""
        wander, rate = noise.smooth(noise.keys(seed, "clock"), gps_ms, _WANDER_SPACING_S)
        elapsed_s = (gps_ms - start_gps_ms) / 1000.0
        offset = self.offset_s + self.drift_s_s * elapsed_s + self.wander_s * wander[:, 0]
        if self.is_kept_within_half_ms:
            offset = offset - np.round(offset / _JUMP_S) * _JUMP_S
        return offset, self.drift_s_s + self.wander_s * rate[:, 0]


@dataclass(frozen=True, slots=True)
class Obstruction:
    """Something that hides the sky from one azimuth clockwise to another, up to an elevation."""

    from_deg: float
    to_deg: float
    elevation_deg: float

    def hides(self, azimuth_deg: FloatArray, elevation_deg: FloatArray) -> npt.NDArray[np.bool_]:
        """Tell which directions are hidden; arrays of one shape."""
        width = (self.to_deg - self.from_deg) % 360.0 or 360.0
        return ((azimuth_deg - self.from_deg) % 360.0 <= width) & (
            elevation_deg < self.elevation_deg
        )


@dataclass(frozen=True, eq=False)
class Receiver:
    """A receiver.

    Attributes
    ----------
    position_m : tuple of three floats
        Earth-fixed place of the antenna's phase centre, also its reference point here.
    seed : int
        Of its noise, ambiguities and clock; two receivers need two.
    trajectory : Trajectory, optional
        Where it moves; `position_m` is then not used.
    started_gps_ms : int, optional
        When it was switched on; None: half an hour before the constellation's start.
    clock : ReceiverClock
    signals : mapping of str to tuple of str
        RINEX signals by system.
    mask_deg : float
        Elevation below which it tracks nothing.
    obstructions : tuple of Obstruction
    noise, multipath : float
        Factors on the usual noise and multipath; 0 for none.
    gain_db : float
        Added to all signal strengths.
    smoothing_s : float
        Time constant of the carrier smoothing of its codes; 0: none.
    half_cycle_s : float
        How long after acquisition the half cycle stays open.
    slips_per_hour : float
        Slips of a signal at 10 degrees and hour; they become rare above 20 degrees.
    hardware_delay_m : float
        Greatest code and phase delay of a signal of a system; the same for all its satellites.
    glonass_code_bias_m, glonass_phase_bias_m : float
        Delay a frequency channel. The phase bias comes from a constant delay of code against
        phase, as message 1230 carries it, of 2848 times this value.
    """

    position_m: tuple[float, float, float]
    seed: int
    trajectory: Trajectory | None = None
    started_gps_ms: int | None = None
    clock: ReceiverClock = field(default_factory=ReceiverClock)
    signals: Signals = field(default_factory=lambda: DEFAULT_SIGNALS)
    mask_deg: float = 5.0
    obstructions: tuple[Obstruction, ...] = ()
    noise: float = 1.0
    multipath: float = 1.0
    gain_db: float = 0.0
    smoothing_s: float = 0.0
    half_cycle_s: float = 3.0
    slips_per_hour: float = 0.4
    hardware_delay_m: float = 2.0
    glonass_code_bias_m: float = 0.0
    glonass_phase_bias_m: float = 0.0

    def places_m(self, gps_ms: IntArray) -> FloatArray:
        """Give its places, shape (m, 3)."""
        if self.trajectory is None:
            return np.broadcast_to(np.array(self.position_m, dtype=np.float64), (len(gps_ms), 3))
        return np.asarray(self.trajectory(gps_ms), dtype=np.float64)

    def velocities_m_s(self, gps_ms: IntArray) -> FloatArray:
        """Give its velocities, shape (m, 3)."""
        if self.trajectory is None:
            return np.zeros((len(gps_ms), 3))
        return (self.places_m(gps_ms + 100) - self.places_m(gps_ms - 100)) / 0.2
