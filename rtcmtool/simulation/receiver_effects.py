"""What can go wrong at a receiver, and when.

An effect acts from its start up to its end, seconds being the finest grain of what it does to the
tracking. It changes the `Conditions` under which signals are tracked (`apply`), or place, clock and
phases directly.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from rtcmtool.simulation import noise
from rtcmtool.simulation.receiver_settings import Obstruction
from rtcmtool.simulation.signal_plan import SignalRows

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

FOREVER_MS: Final = 1 << 60
# Bands by carrier, Hz: all that a disturbance in one of them hits.
UPPER_BAND_HZ: Final = (1_555e6, 1_615e6)
L1_HZ: Final = (1_570e6, 1_580e6)
L2_HZ: Final = (1_215e6, 1_260e6)
L5_HZ: Final = (1_164e6, 1_215e6)


@dataclass(eq=False)
class Conditions:
    """Under what the signals are tracked, second by second; effects change the arrays.

    Attributes
    ----------
    second : ndarray of int64, shape (m,)
        GPS time, s.
    rows : SignalRows
        The n signals, on s satellites.
    azimuth_deg, elevation_deg : ndarray, shape (m, s)
    tracked : ndarray of bool, shape (m, n)
        Whether the signal can be tracked at all.
    strength_dbhz, strength_jitter_db : ndarray, shape (m, n)
        Its strength, and noise on it besides the usual.
    slips_hz : ndarray, shape (m, n)
        Slips to be expected each second.
    multipath : ndarray, shape (m, n)
        Factor on the usual multipath.
    phase_jitter_m : ndarray, shape (m, n)
        Noise of the phase besides the usual.
    half_cycle : ndarray of bool, shape (m, n)
        Whether the half cycle stays open.
    sky_seed, receiver_seed : int
    """

    second: IntArray
    rows: SignalRows
    azimuth_deg: FloatArray
    elevation_deg: FloatArray
    tracked: BoolArray
    strength_dbhz: FloatArray
    strength_jitter_db: FloatArray
    slips_hz: FloatArray
    multipath: FloatArray
    phase_jitter_m: FloatArray
    half_cycle: BoolArray
    sky_seed: int
    receiver_seed: int

    def is_band(self, band_hz: tuple[float, float]) -> BoolArray:
        """Tell which rows have their carrier in a band, shape (n,)."""
        return (self.rows.carrier_hz >= band_hz[0]) & (self.rows.carrier_hz <= band_hz[1])


@dataclass(frozen=True, kw_only=True)
class Effect:
    """Something that acts on a receiver for a time; the end is not part of it."""

    start_gps_ms: int = 0
    end_gps_ms: int = FOREVER_MS

    def acts(self, gps_ms: IntArray) -> BoolArray:
        """Tell at which times it acts."""
        return (gps_ms >= self.start_gps_ms) & (gps_ms < self.end_gps_ms)

    def acts_in(self, second: IntArray) -> BoolArray:
        """Tell in which seconds it acts; the one in which it begins counts."""
        return (second >= self.start_gps_ms // 1000) & (second * 1000 < self.end_gps_ms)

    def apply(self, conditions: Conditions) -> None:
        """Change the conditions of tracking."""

    def clock_s(self, gps_ms: IntArray) -> FloatArray | None:
        """Give what it adds to the receiver's clock, shape (m,)."""
        return None

    def shift_enu_m(self, gps_ms: IntArray) -> FloatArray | None:
        """Give how far it moves the antenna east, north, up, shape (m, 3)."""
        return None

    def storm_m_s(self, rows: SignalRows, gps_ms: IntArray, sky_seed: int) -> FloatArray | None:
        """Give the rate of an ionospheric storm by satellite, shape (m, s)."""
        return None


@dataclass(frozen=True, kw_only=True)
class BlockedSky(Effect):
    """Something hides a sector of the sky, from one azimuth clockwise to another."""

    from_deg: float
    to_deg: float
    elevation_deg: float

    def apply(self, conditions: Conditions) -> None:
        """Stop what is behind it."""
        wall = Obstruction(self.from_deg, self.to_deg, self.elevation_deg)
        hidden = wall.hides(conditions.azimuth_deg, conditions.elevation_deg)
        hidden &= self.acts_in(conditions.second)[:, np.newaxis]
        conditions.tracked &= ~hidden[:, conditions.rows.satellite]


@dataclass(frozen=True, kw_only=True)
class RaisedMask(Effect):
    """The elevation mask is set far too high."""

    mask_deg: float

    def apply(self, conditions: Conditions) -> None:
        """Stop what is below."""
        low = conditions.elevation_deg < self.mask_deg
        low &= self.acts_in(conditions.second)[:, np.newaxis]
        conditions.tracked &= ~low[:, conditions.rows.satellite]


@dataclass(frozen=True, kw_only=True)
class SystemsOff(Effect):
    """Whole systems are gone: letters as in "RC"."""

    systems: str

    def apply(self, conditions: Conditions) -> None:
        """Stop all their signals."""
        gone = np.isin(conditions.rows.letters, list(self.systems))
        conditions.tracked &= ~np.outer(self.acts_in(conditions.second), gone)


@dataclass(frozen=True, kw_only=True)
class OneFrequency(Effect):
    """Only the signals of the upper band (L1, E1, G1, B1) are left."""

    def apply(self, conditions: Conditions) -> None:
        """Stop all others."""
        gone = ~conditions.is_band(UPPER_BAND_HZ)
        conditions.tracked &= ~np.outer(self.acts_in(conditions.second), gone)


@dataclass(frozen=True, kw_only=True)
class Interference(Effect):
    """A transmitter drowns one band, a share of the seconds."""

    band_hz: tuple[float, float] = L1_HZ
    drop_db: float = 12.0
    duty: float = 0.5

    def apply(self, conditions: Conditions) -> None:
        """Weaken the band in the seconds in which the transmitter is keyed."""
        drawn = noise.uniforms(noise.keys(conditions.sky_seed, "keyed"), conditions.second)[:, 0]
        keyed = self.acts_in(conditions.second) & (drawn < self.duty)
        hit = np.outer(keyed, conditions.is_band(self.band_hz))
        conditions.strength_dbhz -= self.drop_db * hit
        conditions.strength_jitter_db += 0.1 * self.drop_db * hit
        conditions.slips_hz += 2e-4 * self.drop_db * hit


@dataclass(frozen=True, kw_only=True)
class BadCable(Effect):
    """Cable or connector lose strength: all bands, the lower ones more, and never steadily."""

    loss_db: float = 9.0

    def apply(self, conditions: Conditions) -> None:
        """Weaken everything; the loss swings together on all satellites."""
        acts = self.acts_in(conditions.second)
        swing, _ = noise.smooth(
            noise.keys(conditions.receiver_seed, "cable"), conditions.second * 1000, 20.0
        )
        lower = ~conditions.is_band(UPPER_BAND_HZ)
        share = np.where(lower, 1.35, 1.0)
        conditions.strength_dbhz -= np.outer(
            acts * self.loss_db * (1.0 + 0.12 * swing[:, 0]), share
        )
        conditions.slips_hz += np.outer(acts * 1e-4 * self.loss_db, share)


@dataclass(frozen=True, kw_only=True)
class Multipath(Effect):
    """Metal or water beside the antenna: many times the usual multipath."""

    factor: float = 6.0

    def apply(self, conditions: Conditions) -> None:
        """Raise multipath and the swing of the strengths."""
        acts = self.acts_in(conditions.second)[:, np.newaxis]
        conditions.multipath[:] = np.where(
            acts, conditions.multipath * self.factor, conditions.multipath
        )
        conditions.strength_jitter_db += 0.2 * np.sqrt(self.factor) * acts


@dataclass(frozen=True, kw_only=True)
class Storm(Effect):
    """A disturbed ionosphere: quick delays, scintillation, slips on the lower bands.

    Attributes
    ----------
    rate_m_s : float
        Typical rate on L1 of a satellite that is hit.
    share : float
        Of the satellites that are hit.
    """

    rate_m_s: float = 0.015
    share: float = 0.7

    def apply(self, conditions: Conditions) -> None:
        """Scintillation and slips on the satellites that are hit."""
        rate = self.storm_m_s(conditions.rows, conditions.second * 1000, conditions.sky_seed)
        hit = rate[:, conditions.rows.satellite]
        lower = ~conditions.is_band(UPPER_BAND_HZ)
        conditions.strength_jitter_db += 100.0 * hit
        conditions.phase_jitter_m += 0.3 * hit
        conditions.slips_hz += 0.2 * hit * np.where(lower, 1.0, 0.05)

    def storm_m_s(self, rows: SignalRows, gps_ms: IntArray, sky_seed: int) -> FloatArray:
        """Give the rate of each satellite; it rises and falls over a minute."""
        names = [ord(name[0]) << 8 | int(name[1:]) for name in rows.satellites]
        drawn = noise.uniforms(noise.keys(sky_seed, "storm", np.array(names)), np.arange(2))
        strength = np.where(drawn[0] < self.share, 0.6 + 0.8 * drawn[1], 0.0)
        since_s = (gps_ms - self.start_gps_ms) / 1000.0
        until_s = (self.end_gps_ms - gps_ms) / 1000.0
        ramp = np.clip(np.minimum(since_s, until_s) / 60.0, 0.0, 1.0)
        return self.rate_m_s * np.outer(ramp * ramp * (3.0 - 2.0 * ramp), strength)


@dataclass(frozen=True, kw_only=True)
class ClockJumps(Effect):
    """The clock jumps by a millisecond, forth and back."""

    every_s: float = 30.0

    def clock_s(self, gps_ms: IntArray) -> FloatArray:
        """Give a square wave of one millisecond."""
        turn = (gps_ms - self.start_gps_ms) // round(self.every_s * 1000)
        return np.where(self.acts(gps_ms) & (turn % 2 == 1), 1e-3, 0.0)


@dataclass(frozen=True, kw_only=True)
class HalfCycles(Effect):
    """A share of the cells comes with the half cycle open."""

    share: float = 0.4

    def apply(self, conditions: Conditions) -> None:
        """Open it, for half a minute at a time."""
        keys = noise.keys(conditions.receiver_seed, "half", conditions.rows.identity)
        chosen = noise.uniforms(keys, conditions.second // 30) < self.share
        conditions.half_cycle |= chosen & self.acts_in(conditions.second)[:, np.newaxis]


@dataclass(frozen=True, kw_only=True)
class Slips(Effect):
    """Locks break again and again, on all signals or on those of one band."""

    per_hour: float = 60.0
    band_hz: tuple[float, float] | None = None

    def apply(self, conditions: Conditions) -> None:
        """Raise the slips to be expected."""
        hit = (
            np.ones(conditions.rows.size)
            if self.band_hz is None
            else conditions.is_band(self.band_hz)
        )
        conditions.slips_hz += np.outer(
            self.acts_in(conditions.second) * (self.per_hour / 3600.0), hit
        )


@dataclass(frozen=True, kw_only=True)
class Restart(Effect):
    """The receiver restarts: nothing for some seconds, then everything from the beginning.

    `end_gps_ms` has no meaning here.
    """

    silent_s: float = 20.0

    def apply(self, conditions: Conditions) -> None:
        """Stop everything; satellites come back within a few seconds, lower bands last."""
        keys = noise.keys(conditions.receiver_seed, "return", conditions.rows.satellite_identity)
        late = np.floor(5.0 * noise.uniforms(keys, np.array([self.start_gps_ms]))[0])
        late += np.where(conditions.is_band(UPPER_BAND_HZ), 0.0, 2.0)
        since_s = (conditions.second - self.start_gps_ms // 1000)[:, np.newaxis]
        # the first satellite is there when the silence is over
        conditions.tracked &= (since_s < 0) | (
            since_s >= np.ceil(self.silent_s) + late - late.min()
        )


@dataclass(frozen=True, kw_only=True)
class Bumped(Effect):
    """Somebody knocks the antenna out of its place."""

    east_m: float
    north_m: float
    up_m: float

    def shift_enu_m(self, gps_ms: IntArray) -> FloatArray:
        """Give the shift while it lasts."""
        return np.outer(self.acts(gps_ms), (self.east_m, self.north_m, self.up_m))


def summed(parts: Sequence[FloatArray | None]) -> FloatArray | None:
    """Add what several effects give; None if none gives anything."""
    given = [part for part in parts if part is not None]
    if not given:
        return None
    total: FloatArray = np.sum(given, axis=0)
    return total
